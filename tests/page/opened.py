"""A real Chromium opens the file that `bismar page --open` had it open, and one that comes later opens it again.

    opened.py FILE

Prints a JSON object for each: what the page shows.
"""

import json
import sys
import time

from chromium import browser

LONGEST = 60


def seen():
    with browser() as page:
        page.get(f"file://{sys.argv[1]}")
        end = time.monotonic() + LONGEST
        view = None
        while view in (None, "wait") and time.monotonic() < end:
            time.sleep(0.1)
            view = page.execute_script("return document.body?.dataset.view ?? null")
        say = ""
        while view == "idle" and ("Looking" in say or not say) and time.monotonic() < end:
            time.sleep(0.1)
            say = page.execute_script("return document.getElementById('say').textContent")
        print(json.dumps({"view": view, "address": page.current_url, "say": say}), flush=True)


seen()
seen()
