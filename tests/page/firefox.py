"""A real Firefox without a window, as much of it as the walk through the page asks. Debian has no driver for it; it
speaks WebDriver BiDi by itself (W3C Working Draft, https://www.w3.org/TR/webdriver-bidi/)."""

import base64
import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading

import websocket
from selenium.common.exceptions import WebDriverException

LONGEST = 60
# Its colours are those of its profile.
SCHEMES = ("light",)
BIDI = "WebDriver BiDi listening on "


class Firefox:
    """One tab. Its methods are those of a driver of selenium, with what they give."""

    def __init__(self, wire):
        self.wire, self.ids, self.entries = wire, itertools.count(1), []
        self.ask("session.new", capabilities={})
        self.ask("session.subscribe", events=["log.entryAdded"])
        self.context = self.ask("browsingContext.getTree")["contexts"][0]["context"]

    def ask(self, method, **params):
        mine = next(self.ids)
        self.wire.send(json.dumps({"id": mine, "method": method, "params": params}))
        while True:
            told = json.loads(self.wire.recv())
            if told.get("method") == "log.entryAdded":
                self.entries.append({"message": str(told["params"].get("text"))})
            if told.get("id") == mine:
                break
        if told["type"] == "error":
            raise WebDriverException(f"{told['error']}: {told['message']}")
        return told["result"]

    def get(self, address):
        self.ask("browsingContext.navigate", context=self.context, url=address, wait="complete")

    def refresh(self):
        self.ask("browsingContext.reload", context=self.context, wait="complete")

    def execute_script(self, script, *words):
        given = [word.here if isinstance(word, Element) else {"type": "string", "value": word} for word in words]
        # A function of our own sees them as `arguments`; what is no element comes back as JSON.
        body = "function () { const told = (function () {" + script + "}).apply(null, arguments); return told instanceof Element ? told : JSON.stringify(told ?? null); }"
        told = self.ask("script.callFunction", functionDeclaration=body, arguments=given, awaitPromise=True, target={"context": self.context})
        if told["type"] == "exception":
            raise WebDriverException(told["exceptionDetails"]["text"])
        result = told["result"]
        return Element(self, result["sharedId"]) if result["type"] == "node" else json.loads(result["value"])

    def act(self, kind, actions, **more):
        source = {"type": kind, "id": kind, "actions": actions, **more}
        self.ask("input.performActions", context=self.context, actions=[source])

    def save_screenshot(self, path):
        told = self.ask("browsingContext.captureScreenshot", context=self.context)
        with open(path, "wb") as file:
            file.write(base64.b64decode(told["data"]))

    def get_log(self, _):
        return self.entries


class Element:
    def __init__(self, page, shared):
        self.page, self.here = page, {"sharedId": shared}

    @property
    def tag_name(self):
        return self.page.execute_script("return arguments[0].localName", self)

    def click(self):
        to = {"type": "pointerMove", "x": 0, "y": 0, "origin": {"type": "element", "element": self.here}}
        self.page.act("pointer", [to, {"type": "pointerDown", "button": 0}, {"type": "pointerUp", "button": 0}])

    def clear(self):
        self.page.execute_script("arguments[0].focus(); arguments[0].select()", self)
        self.page.act("key", [{"type": kind, "value": "\ue003"} for kind in ("keyDown", "keyUp")])

    def send_keys(self, text):
        self.page.execute_script("arguments[0].focus()", self)
        self.page.act("key", [{"type": kind, "value": letter} for letter in text for kind in ("keyDown", "keyUp")])


def size(page, wide, high):
    page.ask("browsingContext.setViewport", context=page.context, viewport={"width": wide, "height": high}, devicePixelRatio=1)


def first(page, script):
    """Has `script` run before any of each page that is opened from now on."""
    page.ask("script.addPreloadScript", functionDeclaration=f"() => {{ {script} }}")


def dressed(page, scheme):
    """One scheme is all there is."""


@contextlib.contextmanager
def browser():
    """Ends with the program, also where that is asked to end."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    with tempfile.TemporaryDirectory() as home:
        words = ["--headless", "--no-remote", "--profile", home, "--remote-debugging-port", "0"]
        # A group of its own: its children end with it.
        child = subprocess.Popen(
            ["firefox-esr", *words, "about:blank"], env={**os.environ, "HOME": home}, stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL, text=True, start_new_session=True)
        try:
            place = next(line for line in child.stderr if line.startswith(BIDI))[len(BIDI):].strip()
            # What else it says is read, so that it never waits for a reader.
            threading.Thread(target=child.stderr.read, daemon=True).start()
            yield Firefox(websocket.create_connection(f"{place}/session", timeout=LONGEST, suppress_origin=True))
        finally:
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()
