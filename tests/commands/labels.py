"""A sheet of labels in a real Chromium, as it is printed in black and white.

    labels.py FILE

Prints one JSON object: what the codes say (read by zxing-cpp off the pixels), and what the page shows.
"""

import io
import json
import pathlib
import sys

import zxingcpp
from PIL import Image

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "page"))

from chromium import browser  # noqa: E402

SEEN = """
const labels = [...document.querySelectorAll(".label")];
const nets = labels.map((label) => label.querySelector(".net"));
const pen = document.createElement("canvas").getContext("2d");
return {
  from_outside: performance.getEntriesByType("resource").length,
  too_wide: labels.filter((label) => label.scrollWidth > label.clientWidth).length,
  net: nets.map((net) => net.innerText),
  mm: nets.map((net) => {
    pen.font = getComputedStyle(net).font;
    const heights = [...net.innerText.replace(/[^0-9]/g, "")].map((one) => pen.measureText(one).actualBoundingBoxAscent);
    return Math.min(...heights) / 96 * 25.4;
  }),
  text: document.body.innerText,
};
"""


def black_and_white(png):
    return Image.open(io.BytesIO(png)).convert("L").point(lambda light: 255 if light > 127 else 0)


def main():
    with browser() as page:
        page.get(pathlib.Path(sys.argv[1]).resolve().as_uri())
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        seen = page.execute_script(SEEN)
        shown = page.find_elements("css selector", ".label")
        codes = [zxingcpp.read_barcodes(black_and_white(label.screenshot_as_png)) for label in shown]
        seen["codes"] = [one.text for found in codes for one in found]
        seen["complaints"] = [entry["message"] for entry in page.get_log("browser")]
    print(json.dumps(seen))


main()
