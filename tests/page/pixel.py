"""Notes when the bench page shows each amount, in nanoseconds of CLOCK_MONOTONIC.

    pixel.py ADDRESS

Prints "ready" once the page shows an amount; a line on its input ends it, and it prints one JSON object. Each
change has three times: the digits' text was set; the task after that frame's own ran, so the frame was handed to
Chromium's compositor; and the compositor's report (in the trace) that the frame was presented. Without a window
that is the end of drawing in software, at the ticks of a 60 Hz timer that stands for a screen's.
"""

import json
import sys
import time
import urllib.request

import websocket
from chromium import browser

ASKED = 400
GRAIN = 100_000  # ns: what performance.now() is rounded to where a page is not isolated

# An observer is called at the end of the frame callback that changed the text, so that frame is still to be
# drawn and a task comes after it. A change from elsewhere (the page's timer) is drawn in the next frame.
NOTE = """
(() => {
  const digits = document.getElementById("digits"), { port1, port2 } = new MessageChannel(), waiting = [];
  const real = requestAnimationFrame.bind(window);
  let framing = false;
  window.requestAnimationFrame = (paint) => real((at) => {
    framing = true;
    try { paint(at); } finally { queueMicrotask(() => { framing = false; }); }
  });
  port2.onmessage = () => { waiting.shift()[2] = performance.now(); };
  window.changes = [];
  new MutationObserver(() => {
    const change = [digits.textContent, performance.now(), null];
    changes.push(change);
    const pass = () => { waiting.push(change); port1.postMessage(0); };
    if (framing) pass(); else real(pass);
  }).observe(digits, { childList: true, characterData: true, subtree: true });
  performance.mark("pixel");
})()
"""


class Tab:
    """The browser's tab without a driver between: an answer takes a fraction of a millisecond."""

    def __init__(self, page):
        where = page.capabilities["goog:chromeOptions"]["debuggerAddress"]
        with urllib.request.urlopen(f"http://{where}/json") as tabs:
            tab = next(tab for tab in json.load(tabs) if tab["type"] == "page")
        self.line = websocket.create_connection(tab["webSocketDebuggerUrl"], suppress_origin=True)
        self.asked = 0
        self.told = []

    def ask(self, method, **params):
        self.asked += 1
        self.line.send(json.dumps({"id": self.asked, "method": method, "params": params}))
        return self.until(lambda said: said.get("id") == self.asked)["result"]

    def until(self, wanted):
        while not wanted(said := json.loads(self.line.recv())):
            self.told.append(said)
        return said

    def value(self, expression):
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def clock(self):
        """What is to be added to performance.now(), at least and at most: every question narrows it."""
        least, most = [], []
        for _ in range(ASKED):
            before = time.monotonic_ns()
            now = self.value("performance.now()") * 1e6
            least.append(before - now - GRAIN)
            most.append(time.monotonic_ns() - now + GRAIN)
        return max(least), min(most)

    def trace(self):
        self.ask("Tracing.end")
        self.until(lambda said: said.get("method") == "Tracing.tracingComplete")
        parts = [said["params"]["value"] for said in self.told if said.get("method") == "Tracing.dataCollected"]
        return sorted((one for part in parts for one in part), key=lambda one: one["ts"])


def frames(trace, process):
    """The page's frames: when the main thread's part was taken over, and when all of it was presented. One that
    was dropped is left out: what it had is seen with the next. The trace's clock is CLOCK_MONOTONIC in
    microseconds; numbers of frames are used again."""
    # The states and stages are cc's own (cc/metrics/compositor_frame_reporter.h of Chromium; from memory).
    under_way, done = {}, []
    for one in trace:
        if one["pid"] != process or one["ph"] not in "be":
            continue
        number, name = one["id2"]["local"], one["name"]
        if name == "PipelineReporter" and one["ph"] == "b":
            under_way[number] = {"state": one["args"]["frame_reporter"]["state"]}
        elif name == "PipelineReporter" and number in under_way:
            frame = under_way.pop(number)
            if "taken" in frame and frame["state"] == "STATE_PRESENTED_ALL":
                done.append((frame["taken"], one["ts"] * 1000))
        elif name == "SendBeginMainFrameToCommit" and one["ph"] == "e" and number in under_way:
            under_way[number]["taken"] = one["ts"] * 1000
    return sorted(done)


def main():
    with browser() as page:
        page.get(sys.argv[1])
        tab = Tab(page)
        while not tab.value(r"/^\d/.test(document.getElementById('digits').textContent)"):
            time.sleep(0.05)
        clocks = [tab.clock()]
        kinds = ["disabled-by-default-devtools.timeline.frame", "blink.user_timing"]
        tab.ask("Tracing.start", transferMode="ReportEvents", traceConfig={"includedCategories": kinds})
        tab.value(NOTE)
        print(json.dumps("ready"), flush=True)
        sys.stdin.readline()
        clocks.append(tab.clock())
        changes = tab.value("changes")
        trace = tab.trace()
    least, most = max(one for one, _ in clocks), min(one for _, one in clocks)
    assert least <= most, "the browser's clock does not go with CLOCK_MONOTONIC"
    offset = (least + most) / 2
    mark = next(one for one in trace if one["name"] == "pixel")
    data = mark["args"]["data"]
    apart = data["callTime"] * 1000 - (data["startTime"] * 1e6 + offset)
    drawn = frames(trace, mark["pid"])
    told = []
    for text, changed, handed in changes:
        changed, handed = changed * 1e6 + offset, handed and handed * 1e6 + offset
        presented = next((then for taken, then in drawn if taken >= changed), None)
        told.append({"text": text, "changed": round(changed), "handed": handed and round(handed), "presented": presented})
    print(json.dumps({"changes": told, "within": round((most - least) / 2), "trace_apart": round(apart)}), flush=True)


main()
