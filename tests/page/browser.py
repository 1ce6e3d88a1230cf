"""Reads the bench page in a real Chromium, as a person would: prints what it shows as one JSON object a line,
whenever that changes, until the batch is done and then until the page says that it has lost bismar.

    browser.py ADDRESS FOLDER

Screenshots of some states go into FOLDER, in the five sizes that the page is made for.
"""

import json
import os
import sys
import time

from chromium import SIZES, browser, size

LONGEST = 180
READ = """
const shown = (id) => { const one = document.getElementById(id); return one.offsetParent ? one.innerText : null; };
return {
  ingredient: shown("ingredient"), digits: shown("digits"), word: shown("big-word"), say: shown("say"),
  pour: document.body.dataset.pour, tare: shown("tare"), scales: shown("scales"), ahead: shown("ahead"),
  place: shown("place"), choices: shown("choices"), recorded: shown("recorded"),
  wide: document.documentElement.scrollWidth > document.documentElement.clientWidth,
  small: [...document.querySelectorAll("button")].filter((b) => b.offsetParent && b.offsetHeight < 44).length,
};
"""


def pictures(page, folder, name):
    for wide, high in SIZES:
        size(page, wide, high)
        page.save_screenshot(os.path.join(folder, f"{name}-{wide}x{high}.png"))
        seen = page.execute_script(READ)
        print(json.dumps({"at": wide, **seen}), flush=True)


def main():
    address, folder = sys.argv[1:]
    os.makedirs(folder, exist_ok=True)
    with browser() as page:
        page.get(address)
        last, taken = None, set()
        end = time.monotonic() + LONGEST
        while time.monotonic() < end:
            seen = page.execute_script(READ)
            if seen != last:
                print(json.dumps(seen), flush=True)
                last = seen
            say = seen["say"] or ""
            for words, name in (("to add", "adding"), ("Recorded", "recorded"), ("Done", "done")):
                if words in say and name not in taken:
                    taken.add(name)
                    pictures(page, folder, name)
            if "has lost bismar" in say and "done" in taken:
                break
            time.sleep(0.02)
        log = [entry["message"] for entry in page.get_log("browser")]
        print(json.dumps({"address": page.current_url, "log": log}), flush=True)


main()
