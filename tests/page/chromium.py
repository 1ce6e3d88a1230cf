"""A real Chromium without a window."""

import contextlib
import os
import signal
import sys

os.environ["SE_OFFLINE"] = "true"
os.environ["SE_AVOID_STATS"] = "true"

from selenium import webdriver  # noqa: E402
from selenium.webdriver.chrome.service import Service  # noqa: E402

# Those that the page is made for.
SIZES = [(390, 844), (768, 1024), (1024, 768), (1366, 768), (1920, 1080)]
SCHEMES = ("light", "dark")


@contextlib.contextmanager
def browser(*more):
    """With further words of its command line. Ends with the program, also where that is asked to end: nobody else would end it."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    options = webdriver.ChromeOptions()
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", *more):
        options.add_argument(word)
    options.binary_location = "/usr/bin/chromium"
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    page = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    try:
        yield page
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        page.quit()


def size(page, wide, high):
    size = {"width": wide, "height": high, "deviceScaleFactor": 1, "mobile": False}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def first(page, script):
    """Has `script` run before any of each page that is opened from now on."""
    page.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": script})


def dressed(page, scheme):
    """As a person sees it who chose that scheme; `None` for none."""
    media = [{"name": "prefers-color-scheme", "value": scheme}] if scheme else []
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": media})
