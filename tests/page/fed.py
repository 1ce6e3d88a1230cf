"""Puts the bench page into states, in a real Chromium: the page is the daemon's own, its status and its events are
those that it is fed with. Each line of its input is a JSON object whose "do" names a function below that is marked
with `deed`; each line of its output is the answer. Nothing is judged here.

    fed.py ADDRESS FOLDER

Pictures that are asked for go into FOLDER.
"""

import json
import os
import sys
import time

from chromium import browser, size
from words import BROKEN, PARTED

LETTERS = 16
LONGEST = 30
# What the daemon would answer and tell, in place of its own; what is asked of it otherwise is kept.
FEED = r"""
(() => {
  if (window.fed) return;
  const fed = window.fed = { status: null, store: null, record: null, sent: [], to: [], kept: [] };
  const text = new TextEncoder();
  const real = window.fetch;
  const json = (value) => new Response(JSON.stringify(value) + "\n", { headers: { "Content-Type": "application/json" } });
  window.fetch = async (path, options) => {
    const name = String(path).split("?")[0];
    if (name === "/status" && fed.status) return json(fed.status);
    if (name === "/store" && fed.store) return json(fed.store);
    if (name === "/record" && fed.record) return json(fed.record);
    if (name === "/do") {
      fed.sent.push(JSON.parse(options.body));
      return json({ ok: true, say: "" });
    }
    if (name === "/events") {
      const stream = new ReadableStream({ start: (to) => {
        fed.to.push(to);
        for (const one of fed.kept) to.enqueue(text.encode(`data: ${JSON.stringify(one)}\n\n`));
      } });
      return new Response(stream, { headers: { "Content-Type": "text/event-stream" } });
    }
    return real(path, options);
  };
  fed.tell = (event) => { for (const to of fed.to) try { to.enqueue(text.encode(`data: ${JSON.stringify(event)}\n\n`)); } catch { /* it has left */ } };
  setInterval(() => {
    for (const to of fed.to) try { to.enqueue(text.encode("event: beat\ndata: 1\n\n")); } catch { /* it has left */ }
    if (fed.reading) fed.tell(fed.reading);
  }, 200);
})();
"""
KEYS = BROKEN + PARTED + r"""
const shown = (el) => el.offsetParent && el.checkVisibility({ checkVisibilityCSS: true });
const box = (el) => { const { left, top, right, bottom } = el.getBoundingClientRect(); return { left, top, right, bottom }; };
const keys = [...new Set(document.querySelectorAll("#bench .key, #keys .key, #tools .key, #rooms .key"))].filter(shown);
const name = (el) => el.id || el.textContent;
const cut = [];
const covered = [];
for (const el of keys) {
  const b = box(el);
  if (b.left < -0.5 || b.top < -0.5 || b.right > innerWidth + 0.5 || b.bottom > innerHeight + 0.5) cut.push(`${name(el)} ${Math.round(b.top)}-${Math.round(b.bottom)} of ${innerHeight}`);
  for (const [x, y] of [[0.1, 0.1], [0.9, 0.1], [0.5, 0.5], [0.1, 0.9], [0.9, 0.9]]) {
    const at = document.elementFromPoint(b.left + (b.right - b.left) * x, b.top + (b.bottom - b.top) * y);
    if (at && !el.contains(at)) { covered.push(`${name(el)} by ${at.id || at.tagName}`); break; }
  }
}
const over = [];
// Keys by their frames, words by their lines without the tips of the letters.
const parts = keys.map((el) => [el, [box(el)]]);
for (const id of ["ingredient", "big-word", "digits", "seal", "unit", "say", "beside", "answer", "t-half", "t-tenth", "t-gate", "t-over"]) {
  const el = document.getElementById(id);
  if (!el || !shown(el) || el.classList.contains("unseen") || !el.textContent) continue;
  const range = document.createRange();
  range.selectNodeContents(el);
  parts.push([el, [...range.getClientRects()].map(({ left, top, right, bottom }) => ({ left, right, top: top + (bottom - top) * 0.25, bottom: bottom - (bottom - top) * 0.25 }))]);
}
parts.forEach(([a, mine], i) => parts.slice(i + 1).forEach(([b, other]) => {
  if (mine.some((p) => other.some((q) => Math.min(p.right, q.right) - Math.max(p.left, q.left) > 2 && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 2))) over.push(`${name(a)} over ${name(b)}`);
}));
const out = [];
for (const el of keys.concat([document.getElementById("now")])) {
  const frame = box(el);
  const walk = document.createTreeWalker(el, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const r of range.getClientRects()) if (r.width > 1 && (r.left < frame.left - 1 || r.right > frame.right + 1 || r.bottom > frame.bottom + 2)) out.push(`${node.data} out of ${name(el)}`);
  }
}
const text = (id) => { const el = document.getElementById(id); return el && shown(el) ? el.innerText : null; };
return {
  cut, covered, over, out, broken: broken([...document.querySelectorAll(".key, #say, #big-word, #beside, #answer, #tare")].filter(shown)), parted: parted(), keys: keys.map((el) => el.innerText), wide: document.scrollingElement.scrollWidth > document.documentElement.clientWidth,
  digits: text("digits"), word: text("big-word"), say: text("say"), lot: text("lot"), tare: text("tare"), gate: text("t-gate"), ahead: text("ahead"),
  recorded: text("recorded"), big: document.body.dataset.big, pour: document.body.dataset.pour, sent: window.fed.sent,
  high: document.getElementById("digits").getBoundingClientRect().height, letters: parseFloat(getComputedStyle(document.getElementById("digits")).fontSize),
};
"""

DEEDS = {}


def deed(function):
    DEEDS[function.__name__] = function
    return function


def wait(page, until):
    end = time.monotonic() + LONGEST
    while time.monotonic() < end:
        if page.execute_script(f"return Boolean({until})"):
            return
        time.sleep(0.03)
    raise TimeoutError(f"{until}; the page shows {page.execute_script('return document.body.innerText')}")


def told(page, events):
    page.execute_script(
        """const [events] = arguments;
        for (const event of events) { if (event.event === "reading") fed.reading = event; fed.tell(event); }""",
        events,
    )


@deed
def state(page, status, events, say, store=None, record=None):
    """The page anew, with this status and these events, until its sentence has `say` in it."""
    page.execute_script("location.hash = '#/'")
    page.execute_script(
        """const [status, store, record] = arguments;
        Object.assign(fed, { status, store, record, kept: [], reading: null, sent: [] });
        for (const to of fed.to.splice(0)) try { to.close(); } catch { /* it has left */ }""",
        status,
        store,
        record,
    )
    wait(page, "fed.to.length > 0")
    told(page, events)
    wait(page, f"document.getElementById('say').textContent.replace(/([0-9])\\u00a0(?=[a-z%])/g, '$1 ').includes({json.dumps(say)})")
    time.sleep(0.15)


@deed
def more(page, events):
    told(page, events)
    time.sleep(0.3)


@deed
def read(page, wide, high, letters=LETTERS, picture=None, dark=False):
    scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
    size(page, wide, high)
    page.execute_cdp_cmd("Page.setFontSizes", {"fontSizes": {"standard": letters, "fixed": letters * 13 // 16}})
    page.execute_script("scrollTo(0, 0)")
    time.sleep(0.25)
    if picture:
        page.save_screenshot(os.path.join(sys.argv[2], picture))
    return page.execute_script(KEYS)


@deed
def press(page, id):
    """A key of the bench by its id, or by the first line of its words."""
    time.sleep(0.8)
    page.execute_script(
        """const [id] = arguments;
        const all = [...document.querySelectorAll("button, a.key")].filter((el) => el.offsetParent);
        (all.find((el) => el.id === id) ?? all.find((el) => el.innerText.split("\\n")[0].trim() === id)).click();""",
        id,
    )
    time.sleep(0.3)
    return {"sent": page.execute_script("return fed.sent")}


@deed
def until(page, text):
    wait(page, text)


@deed
def script(page, text):
    return {"is": page.execute_script(text)}


def main():
    address, folder = sys.argv[1:]
    os.makedirs(folder, exist_ok=True)
    with browser() as page:
        page.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": FEED})
        page.get(address)
        wait(page, "window.fed && document.body.dataset.view !== 'wait' && document.body.dataset.view !== 'door'")
        for line in sys.stdin:
            asked = json.loads(line)
            answer = DEEDS[asked.pop("do")](page, **asked) or {}
            print(json.dumps(answer), flush=True)


main()
