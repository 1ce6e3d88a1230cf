"""Does on the bench page, in a real browser, what it is told, one JSON array a line, and answers each with one
JSON object a line: what the page shows then, or why it could not be done.

    rooms.py ADDRESS FOLDER [firefox]

Screenshots go into FOLDER, in the five sizes that the page is made for, light and dark. Without a third word it is
Chromium.
"""

import importlib
import json
import os
import sys
import tempfile
import time

from chromium import SIZES
from PIL import Image, ImageChops, ImageStat
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select
from words import BROKEN, CUT, PARTED

driven = importlib.import_module(sys.argv[3] if len(sys.argv) > 3 else "chromium")
size, dressed = driven.size, driven.dressed
LONGEST = 30
SHOWN = (1024, 640)
COLOURS = 32
SEEN = """
const shown = (id) => { const one = document.getElementById(id); return one && one.offsetParent ? one.innerText : null; };
const texts = (css) => [...document.querySelectorAll(css)].filter((one) => one.offsetParent).map((one) => one.innerText);
return {
  path: location.pathname, focus: document.activeElement?.closest("[id]")?.id, document: document.title, door: shown("door"), rehearsal: shown("rehearsal"), batch: shown("batch"),
  view: document.body.dataset.view, hash: location.hash, title: shown("room-title"), inside: shown("room-inside"),
  say: shown("say"), mark: document.getElementById("mark-use")?.getAttribute("href"), pour: document.body.dataset.pour, ingredient: shown("ingredient"), digits: shown("digits"), word: shown("big-word"),
  tare: shown("tare"), lot: shown("lot"), recorded: shown("recorded"), answer: shown("answer"), keys: shown("keys"), strip: shown("strip"), trouble: shown("trouble"),
  said: texts(".said"), links: texts("#rooms a, #to-lot, #to-remedies"), to_stopped: shown("to-stopped"), choices: shown("choices"),
  pictures: [...document.querySelectorAll("img.chart")].filter((one) => one.offsetParent && one.naturalWidth > 0).length,
  place: shown("place"), ahead: shown("ahead"), scales: shown("scales"), awake: Boolean(window.spied.lock && !window.spied.lock.released), tones: window.spied.tones, sound: shown("sound"),
  wide: document.documentElement.scrollWidth > document.documentElement.clientWidth,
  small: texts("button, a.key, summary, input:not([type=radio], [type=checkbox]), select").length - [...document.querySelectorAll(
    "button, a.key, summary, input:not([type=radio], [type=checkbox]), select")].filter((one) => one.offsetParent && one.offsetHeight >= 44).length,
};
"""
# Whether the screen is kept on, and how many tones were begun: the browser's own calls, counted.
SPY = """
(() => {
  window.spied = { tones: 0, lock: null };
  // Where none of the page is yet there is none of it either.
  if (!isSecureContext) return;
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (...more) { window.spied.tones += 1; return start.apply(this, more); };
  const request = WakeLock.prototype.request;
  WakeLock.prototype.request = async function (...more) { return window.spied.lock = await request.apply(this, more); };
})();
"""
# What a finger would find by its words: the whole of the first line.
FIND = """
const wanted = arguments[0];
return [...document.querySelectorAll("button, a, summary, label.pick")].find((one) =>
  one.offsetParent && one.checkVisibility() && one.innerText.replace(/([0-9])\u00a0(?=[a-z%])/g, "$1 ").split("\\n")[0].trim() === wanted) ?? null;
"""
FIELD = """
const wanted = arguments[0];
const label = [...document.querySelectorAll("label")].find((one) =>
  one.offsetParent && one.checkVisibility() && one.innerText.trim() === wanted);
return label ? document.getElementById(label.htmlFor) : null;
"""


# What is wider than its place where it need not be.
SLIDES = """
return [...document.querySelectorAll(".stacks")].filter((one) => innerWidth < 450 && one.scrollWidth > one.clientWidth + 1).map((one) => one.getAttribute("aria-label"));
"""
# A room that is still read has one line, which ends in three dots.
READ = """
const inside = document.getElementById("room-inside");
return location.hash === arguments[0] && inside.offsetParent && inside.innerText.trim() && !/^.{0,20} …⟧?$/.test(inside.innerText.trim());
"""


def found(page, script, words):
    end = time.monotonic() + LONGEST
    while time.monotonic() < end:
        try:
            one = page.execute_script(script, words)
        except WebDriverException:
            one = None
        if one is not None:
            page.execute_script("arguments[0].scrollIntoView({block: 'center'})", one)
            return one
        time.sleep(0.05)
    raise LookupError(f'"{words}" is not on the page')


# Whether keys are pressed by a finger, whose events are others than a mouse's.
by_finger = False


def finger(page):
    global by_finger
    by_finger = True
    page.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 1})


def tap(page, one):
    # Without what a mouse would have done before: no hover, no focus by a press of its own.
    box = page.execute_script("const b = arguments[0].getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]", one)
    point = dict(zip(("x", "y"), box))
    page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [point]})
    page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def press(page, words):
    # What is drawn anew between the look and the press is looked for again.
    for _ in range(3):
        try:
            one = found(page, FIND, words)
            return tap(page, one) if by_finger else one.click()
        except WebDriverException as error:
            last = error
            time.sleep(0.2)
    raise last


def fill_in(page, label, text):
    field = found(page, FIELD, label)
    if field.tag_name == "select":
        Select(field).select_by_visible_text(text)
        return
    field.clear()
    field.send_keys(text)


def go(page, to):
    """Into the room at that address, until it is read."""
    page.execute_script("location.hash = arguments[0]", to)
    end = time.monotonic() + LONGEST
    while time.monotonic() < end:
        time.sleep(0.05)
        if page.execute_script(READ, to):
            return
    raise LookupError(f"{to} is never read")


def paste(page, label, text):
    """As from the clipboard: what is typed letter by letter would go on at each tab."""
    page.execute_script("arguments[0].focus()", found(page, FIELD, label))
    page.execute_script("document.execCommand('insertText', false, arguments[0])", text)


# The size of the page, where no picture is made in another.
stands = (768, 1024)


def stand(page, wide, high):
    global stands
    stands = (wide, high)
    size(page, *stands)


def pictures(page, folder, name, sizes=SIZES, schemes=driven.SCHEMES):
    worst = {"wide": [], "small": [], "broken": [], "cut": [], "slides": [], "parted": []}
    fields = CUT + "return cut([...document.querySelectorAll('.field :is(input:not([type]), select)')].filter((one) => one.checkVisibility()))"
    keys = BROKEN + "return broken([...document.querySelectorAll('.key, #say, h1, label, summary')].filter((one) => one.offsetParent))"
    for scheme in schemes:
        dressed(page, scheme)
        for wide, high in sizes:
            size(page, wide, high)
            time.sleep(0.15)
            page.save_screenshot(os.path.join(folder, f"{name}-{wide}x{high}-{scheme}.png"))
            seen = page.execute_script(SEEN)
            seen["broken"] = page.execute_script(keys)
            seen["cut"] = page.execute_script(fields)
            seen["slides"] = page.execute_script(SLIDES)
            seen["parted"] = page.execute_script(PARTED + "return parted()")
            for what in worst:
                if seen[what]:
                    worst[what].append(f"{wide} {scheme} {seen[what]}")
    dressed(page, None)
    size(page, *stands)
    return worst


def picture(page, made, kept):
    """What the README shows: the page as it is, in few colours, at `made`, and how far it is from `kept`."""
    size(page, *SHOWN)
    time.sleep(0.3)
    page.save_screenshot(made)
    size(page, 768, 1024)
    Image.open(made).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(made, optimize=True)
    told = {"sizes": [Image.open(made).size], "bytes": os.path.getsize(made)}
    if os.path.exists(kept):
        one, other = (Image.open(path).convert("RGB") for path in (made, kept))
        told["sizes"].append(other.size)
        told["apart"] = sum(ImageStat.Stat(ImageChops.difference(one, other)).mean) / 3
    return told


# The texts of a drawing as they lie: those that leave it, those that lie over each other, the smallest letter.
DRAWN = """
// The page's own policy lets no style in.
const parsed = new DOMParser().parseFromString(arguments[0].replace(/<style>[^]*<\\/style>/, ""), "image/svg+xml");
const svg = document.adoptNode(parsed.documentElement);
document.body.append(svg);
const wide = svg.viewBox.baseVal.width, high = svg.viewBox.baseVal.height;
const texts = [...svg.querySelectorAll("text")].map((node) => ({ text: node.textContent, box: node.getBBox(), size: parseFloat(getComputedStyle(node).fontSize) }));
const out = texts.filter(({ box }) => box.x < 0 || box.y < 0 || box.x + box.width > wide || box.y + box.height > high);
const over = texts.flatMap((one, i) => texts.slice(i + 1).filter(({ box }) =>
  one.box.x < box.x + box.width && box.x < one.box.x + one.box.width && one.box.y + 2 < box.y + box.height && box.y + 2 < one.box.y + one.box.height)
  .map((other) => `${one.text} | ${other.text}`));
svg.remove();
return { wide, out: out.map(({ text }) => text), over, least: Math.min(...texts.map(({ size }) => size)), texts: texts.length };
"""
SHOWN_CHART = """
const one = document.querySelector("img.chart");
return { natural: one.naturalWidth, client: one.clientWidth, alt: one.alt };
"""


def luminance(colour):
    """WCAG 2.2, relative luminance."""
    parts = [c / 255 for c in colour]
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def charts(page, folder, name):
    """The chart that is shown, on a phone and a wide screen, light and dark: its ground, and the contrast of what
    stands out of it most."""
    told = []
    for scheme in driven.SCHEMES:
        dressed(page, scheme)
        for wide, high in ((390, 844), (1366, 768)):
            size(page, wide, high)
            end = time.monotonic() + LONGEST
            time.sleep(0.5)
            one = page.find_element(By.CSS_SELECTOR, "img.chart")
            shown = page.execute_script(SHOWN_CHART)
            while shown["natural"] != shown["client"] and time.monotonic() < end:
                time.sleep(0.1)
                shown = page.execute_script(SHOWN_CHART)
            path = os.path.join(folder, f"{name}-{wide}-{scheme}.png")
            one.screenshot(path)
            picture = Image.open(path).convert("RGB")
            colours = sorted(picture.getcolors(picture.width * picture.height), reverse=True)
            ground = colours[0][1]
            lights = sorted(((luminance(colour) + 0.05) for count, colour in colours if count > 20))
            of_ground = luminance(ground) + 0.05
            most = max(lights[-1] / of_ground, of_ground / lights[0])
            told.append({"scheme": scheme, "wide": wide, "ground": ground, "contrast": most, **shown})
    dressed(page, None)
    size(page, 768, 1024)
    return {"charts": told}


def keeps(page, words):
    """The file that a key keeps, as it lies there afterwards: its name and its text."""
    with tempfile.TemporaryDirectory() as folder:
        page.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": folder})
        press(page, words)
        end = time.monotonic() + LONGEST
        # The browser takes the name before it has the text.
        there = lambda name: not name.endswith((".crdownload", ".tmp")) and os.path.getsize(os.path.join(folder, name))
        while not (whole := [name for name in os.listdir(folder) if there(name)]) and time.monotonic() < end:
            time.sleep(0.05)
        texts = [(name, open(os.path.join(folder, name), encoding="utf-8").read()) for name in whole]
    return {"kept": texts}


def tab(page):
    """What opened beside the page, as it is read there; it is closed again."""
    end = time.monotonic() + LONGEST
    while len(page.window_handles) < 2 and time.monotonic() < end:
        time.sleep(0.05)
    first, other = page.window_handles
    page.switch_to.window(other)
    while page.execute_script("return document.readyState") != "complete" or page.current_url == "about:blank":
        time.sleep(0.05)
    # A sheet is fetched by a script, which then puts it in the place of the page.
    while page.execute_script("return Boolean(document.getElementById('paper-said'))") and time.monotonic() < end:
        time.sleep(0.05)
    text = page.find_element(By.TAG_NAME, "body").text
    address = page.current_url
    styles = page.execute_script("return [...document.styleSheets].map((sheet) => sheet.cssRules.length)")
    alive = page.execute_script("return document.querySelectorAll('script, [onclick], iframe, form').length")
    parted = page.execute_script(PARTED + "return parted()")
    out = page.execute_script(
        "return [...document.querySelectorAll('table')].filter((one) => one.getBoundingClientRect().right"
        " > one.parentElement.getBoundingClientRect().right + 1).map((one) => one.innerText)"
    )
    page.close()
    page.switch_to.window(first)
    return {"tab": text, "at": address, "styles": styles, "alive": alive, "parted": parted, "out": out}


def beside(page, address):
    """A second window of the same browser, which is looked at from now on."""
    page.switch_to.new_window("window")
    size(page, 768, 1024)
    driven.first(page, SPY)
    page.get(address)


def turn(page):
    """To the other window."""
    here = page.current_window_handle
    page.switch_to.window(next(one for one in page.window_handles if one != here))


def in_both(page, words):
    """Presses what has these words in both windows, as near to one moment as one hand on each can be."""
    for _ in page.window_handles:
        found(page, FIND, words)
        turn(page)
    for _ in page.window_handles:
        page.execute_script(f"(function () {{ {FIND} }}).apply(null, arguments).click()", words)
        turn(page)


def main():
    address, folder = sys.argv[1:3]
    os.makedirs(folder, exist_ok=True)
    with driven.browser() as page:
        size(page, 768, 1024)
        driven.first(page, SPY)
        page.get(address)
        deeds = {
            "look": lambda: None,
            "press": lambda words: press(page, words),
            "finger": lambda: finger(page),
            "type": lambda label, text: fill_in(page, label, text),
            "paste": lambda label, text: paste(page, label, text),
            "field": lambda label: {"field": found(page, FIELD, label).get_property("value")},
            "go": lambda to: go(page, to),
            "reload": lambda: page.refresh(),
            "back": lambda: page.back(),
            "beside": lambda: beside(page, address),
            "turn": lambda: turn(page),
            "in both": lambda words: in_both(page, words),
            "stand": lambda wide, high: stand(page, wide, high),
            "pictures": lambda name, *more: pictures(page, folder, name, *more),
            "picture": lambda made, kept: picture(page, made, kept),
            "charts": lambda name: charts(page, folder, name),
            "drawn": lambda svg: {"drawn": page.execute_script(DRAWN, svg)},
            "tab": lambda: tab(page),
            "keeps": lambda words: keeps(page, words),
            "console": lambda: {"console": [entry["message"] for entry in page.get_log("browser")]},
        }
        for line in sys.stdin:
            word, *more = json.loads(line)
            try:
                told = deeds[word](*more) or {}
                told = {**page.execute_script(SEEN), **told}
            except (LookupError, WebDriverException) as error:
                told = {"failed": str(error), **page.execute_script(SEEN)}
            print(json.dumps(told), flush=True)


main()
