"""One who is in shows a code on the page; a tablet and a phone, each a real Chromium of its own, go by codes.

    passes.py ADDRESS FILE      the address with the key; a code as a terminal was given it

Prints a JSON object a line: the code that the page shows as another library reads it; for each tablet what it shows
and what one shows that comes with the same code later; what the first browser shows then.
"""

import io
import json
import sys
import time

import zxingcpp
from PIL import Image

from chromium import browser
from tablet import picture

LONGEST = 60


def told(one):
    print(json.dumps(one), flush=True)


def view(page):
    end = time.monotonic() + LONGEST
    while time.monotonic() < end:
        seen = page.execute_script("return document.body.dataset.view")
        if seen != "wait":
            return seen
        time.sleep(0.1)
    return "wait"


def goes_by(code):
    with browser() as tablet:
        tablet.get(code)
        seen = {"view": view(tablet), "address": tablet.current_url}
        tablet.refresh()
        told({**seen, "again": view(tablet)})
    with browser() as late:
        late.get(code)
        seen = {"view": view(late), "address": late.current_url}
        told({**seen, "said": late.execute_script("return document.getElementById('door-said').textContent")})


def main():
    address, terminal = sys.argv[1:]
    with browser() as page:
        page.get(address)
        view(page)
        session = page.execute_script("return localStorage.getItem('bismar-session')")
        page.find_element("link text", "Let a tablet in").click()
        end = time.monotonic() + LONGEST
        pressed = False
        while not page.find_elements("css selector", "img.code") and time.monotonic() < end:
            for key in page.find_elements("css selector", "#room-inside button"):
                if not pressed:
                    key.click()
                    pressed = True
            time.sleep(0.1)
        code = page.find_element("css selector", "img.code")
        page.execute_script("arguments[0].scrollIntoView({block: 'center'})", code)
        time.sleep(0.3)
        (read,) = zxingcpp.read_barcodes(Image.open(io.BytesIO(code.screenshot_as_png)))
        told({"code": read.text, "link": page.find_element("css selector", "p.link").text})
        goes_by(read.text)
        with open(terminal, encoding="utf-8") as file:
            (other,) = zxingcpp.read_barcodes(picture(file.read()))
        goes_by(other.text)
        page.refresh()
        seen = {"view": view(page), "same": session == page.execute_script("return localStorage.getItem('bismar-session')")}
        page.get("about:blank")
        page.get(read.text)
        told({**seen, "used": view(page)})


main()
