"""Opens the bench page with its key in a real Chromium, follows a link to another server on this machine, comes
back without the key, and opens the page once more in a browser that runs no scripts. Prints what is shown.

    lured.py ADDRESS OTHER
"""

import json
import sys
import time

from chromium import browser

LONGEST = 30


def until(page, script):
    end = time.monotonic() + LONGEST
    while not (said := page.execute_script(f"return {script}")):
        if time.monotonic() > end:
            return None
        time.sleep(0.05)
    return said


VIEW = "['idle', 'batch', 'door'].includes(document.body.dataset.view) && document.body.dataset.view"


def read_without_script(page, address):
    page.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    page.get(address)
    # The tree is made after the page is loaded, and no script can tell when.
    for _ in range(100):
        nodes = page.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
        shown = [node for node in nodes if not node.get("ignored") and node.get("role", {}).get("value") == "StaticText"]
        if shown:
            break
        time.sleep(0.1)
    return [node["name"]["value"] for node in shown]


def main():
    address, other = sys.argv[1:]
    with browser() as page:
        page.get(address)
        told = {"first": until(page, VIEW), "at": page.current_url}
        page.get(other)
        told["lured"] = until(page, "document.title === 'lured'")
        page.get(address.split("#")[0])
        told["back"] = until(page, VIEW)
        told["cookies"] = page.get_cookies()
        print(json.dumps(told), flush=True)
        print(json.dumps({"bare": read_without_script(page, address.split("#")[0])}), flush=True)


main()
