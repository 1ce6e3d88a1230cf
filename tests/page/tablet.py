"""A tablet: its camera reads the QR code that a terminal shows, and its browser (a real Chromium) opens what
the code says.

    tablet.py FILE      what the terminal was given

Prints one JSON object: the address read, and what the page shows then.
"""

import json
import re
import sys
import time

import zxingcpp
from PIL import Image

from chromium import browser

SQUARE = 4
LIGHT = {" ": (255, 255), "\u2584": (255, 0), "\u2580": (0, 255), "\u2588": (0, 0)}


def picture(text):
    lines = [re.sub("\x1b\\[[0-9;]*m", "", line) for line in text.splitlines() if line.startswith("\x1b")]
    image = Image.new("L", (len(lines[0]), 2 * len(lines)), 255)
    for y, line in enumerate(lines):
        for x, square in enumerate(line):
            for half in (0, 1):
                image.putpixel((x, 2 * y + half), LIGHT[square][half])
    return image.resize((image.width * SQUARE, image.height * SQUARE), Image.NEAREST)


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        (code,) = zxingcpp.read_barcodes(picture(file.read()))
    with browser() as page:
        page.get(code.text)
        end = time.monotonic() + 60
        while page.execute_script("return document.body.dataset.view") in ("wait", "door") and time.monotonic() < end:
            time.sleep(0.1)
        seen = page.execute_script(
            """return {
              view: document.body.dataset.view, address: location.href,
              readable: [...document.querySelectorAll(".readable")].filter((p) => p.offsetParent).map((p) => p.innerText),
            };"""
        )
        page.execute_script("localStorage.clear()")
        page.refresh()
        while page.execute_script("return document.body.dataset.view") != "door" and time.monotonic() < end:
            time.sleep(0.1)
        door = page.execute_script(
            'return [...document.querySelectorAll(".readable")].filter((p) => p.offsetParent).map((p) => p.innerText)'
        )
    print(json.dumps({"code": code.text, "door": door, **seen}))


if __name__ == "__main__":
    main()
