"""What a tool, the keyboard, the accessibility tree and the pixels say of the bench page in a real Chromium.

Each line of its input is a JSON object whose "do" names a function below that is marked with `deed`; each
line of its output is the answer. Nothing is judged here.
"""

import base64
import importlib.util
import io
import json
import sys
import time
from pathlib import Path

import numpy
from chromium import browser, size
from PIL import Image
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

LONGEST = 60
SIZES = [(390, 844), (1366, 768)]
# Reflow (SC 1.4.10); a screen of 1366 x 768 at 200 %, and with the browser's letters set to 200 % (SC 1.4.4).
LETTERS = 16
NARROW = [(320, 568, LETTERS), (683, 384, LETTERS), (1366, 768, 2 * LETTERS)]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

# The package is not imported: only the file that it carries is wanted.
AXE = Path(importlib.util.find_spec("axe_playwright_python").submodule_search_locations[0]) / "axe.min.js"

HELP = r"""
window.access ??= (() => {
  const quiet = new CSSStyleSheet();
  document.adoptedStyleSheets.push(quiet);
  const name = (el) => {
    if (!el || el === document.body) return "body";
    if (el.id && !/^f\d+$/.test(el.id)) return `#${el.id}`;
    const words = (el.labels?.[0]?.innerText || el.ariaLabel || el.innerText || el.name || "").trim().slice(0, 40);
    return `${el.tagName.toLowerCase()} "${words.replace(/\s+/g, " ")}"`;
  };
  const seen = (el) => el.checkVisibility({ checkVisibilityCSS: true }) && el.getClientRects().length > 0 && !el.closest(".unseen");
  // What a finger or a mark of the focus has: a radio button is its whole label.
  const body = (el) => el.closest("label.key") ?? el;
  const box = (el) => {
    const { left, top, right, bottom, width, height } = body(el).getBoundingClientRect();
    return { left, top, right, bottom, width, height };
  };
  const KEYS = "a[href], button, input, select, textarea, summary, [tabindex]:not([tabindex='-1'])";
  const stops = () => [...document.querySelectorAll(KEYS)].filter((el) => seen(el) && !el.disabled
    && !(el.type === "radio" && !el.checked && document.querySelector(`input[name="${el.name}"]:checked`)));
  const controls = () => [...document.querySelectorAll("a[href], button, input, select, textarea, summary")].filter(seen);
  // Each line of visible text, with what it is written in.
  const texts = () => {
    const found = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let node = walk.nextNode(); node; node = walk.nextNode()) {
      const el = node.parentElement;
      if (!node.data.trim() || !seen(el) || el.closest("option, noscript, script, [aria-hidden]")) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const r of range.getClientRects()) {
        if (r.width > 1 && r.height > 1) found.push({ el, text: node.data.trim().slice(0, 40), left: r.left, top: r.top, right: r.right, bottom: r.bottom });
      }
    }
    return found;
  };
  const within = (el, test) => {
    for (let one = el; one; one = one.parentElement) if (test(getComputedStyle(one), one)) return one;
    return null;
  };
  const muddle = () => {
    const found = [];
    const wide = document.documentElement.clientWidth;
    const all = texts().filter(({ el }) => !within(el, (style) => style.position === "sticky"));
    // A line's box is higher than its letters: what is left of it are the letters without their tips.
    for (const one of all) {
      const high = one.bottom - one.top;
      Object.assign(one, { up: one.top + high * 0.3, down: one.bottom - high * 0.3 });
    }
    all.forEach((a, i) => {
      const rolls = within(a.el, (style) => style.overflowX === "auto");
      if (!rolls && (a.left < -1 || a.right > wide + 1)) found.push(`beyond the page: ${a.text}`);
      const cut = within(a.el, (style) => style.overflowX === "hidden" || style.overflowX === "clip");
      if (cut && (a.right > cut.getBoundingClientRect().right + 1 || a.down > cut.getBoundingClientRect().bottom)) found.push(`cut off: ${a.text}`);
      for (const b of all.slice(i + 1)) {
        const [x, y] = [Math.min(a.right, b.right) - Math.max(a.left, b.left), Math.min(a.down, b.down) - Math.max(a.up, b.up)];
        if (x > 2 && y > 1) found.push(`over each other: ${a.text} | ${b.text}`);
      }
    });
    for (const key of document.querySelectorAll("button, a.key, label.key, #strip, #now")) {
      if (!seen(key)) continue;
      const frame = key.getBoundingClientRect();
      for (const one of texts().filter(({ el }) => key.contains(el))) {
        if (one.left < frame.left - 1 || one.right > frame.right + 1 || one.bottom > frame.bottom + 3) found.push(`out of its frame: ${one.text}`);
      }
    }
    return [...new Set(found)];
  };
  // How much of the part of `el` that is on the screen can be seen, of a grid of points.
  const open = (el) => {
    const { left, top, right, bottom } = box(el);
    const [x0, x1] = [Math.max(left, 0), Math.min(right, innerWidth)];
    const [y0, y1] = [Math.max(top, 0), Math.min(bottom, innerHeight)];
    if (x1 <= x0 || y1 <= y0) return 0;
    let hits = 0;
    for (let i = 1; i <= 9; i += 1) for (let j = 1; j <= 9; j += 1) {
      const at = document.elementFromPoint(x0 + (x1 - x0) * i / 10, y0 + (y1 - y0) * j / 10);
      if (at && body(el).contains(at)) hits += 1;
    }
    return hits / 81;
  };
  const style = (css) => quiet.replaceSync(css);
  return { name, seen, box, stops, controls, texts, muddle, open, style, within };
})();
"""


def js(page, text, *words):
    return page.execute_script(HELP + text, *words)


def media(page, scheme, motion="no-preference"):
    features = [
        {"name": "prefers-color-scheme", "value": scheme},
        {"name": "prefers-reduced-motion", "value": motion},
    ]
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})


def letters_of(page, size):
    page.execute_cdp_cmd("Page.setFontSizes", {"fontSizes": {"standard": size, "fixed": size * 13 // 16}})
    took = js(page, "return getComputedStyle(document.documentElement).fontSize")
    if took != f"{size}px":
        raise RuntimeError(f"letters of {took} in place of {size}px")


def picture(page, box=None):
    wanted = {"format": "png"}
    if box:
        wanted["clip"] = {**box, "scale": 1}
    data = page.execute_cdp_cmd("Page.captureScreenshot", wanted)["data"]
    return numpy.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB"), dtype=float)


def luminance(colours):
    """Relative luminance, WCAG 2.2."""
    part = numpy.asarray(colours, dtype=float) / 255
    part = numpy.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return part @ numpy.array([0.2126, 0.7152, 0.0722])


def ratio(one, other):
    """Contrast ratio, WCAG 2.2."""
    a, b = luminance(one), luminance(other)
    return (numpy.maximum(a, b) + 0.05) / (numpy.minimum(a, b) + 0.05)


DEEDS = {}


def deed(function):
    DEEDS[function.__name__.replace("_", "-")] = function
    return function


@deed
def go_to(page, address):
    page.get(address)


@deed
def shot(page, path, wide, high, scheme, letters=LETTERS):
    """A picture of all of the page, for a person to look at."""
    size(page, wide, high)
    media(page, scheme)
    letters_of(page, letters)
    time.sleep(0.3)
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    box = js(page, "return [document.documentElement.scrollWidth, document.documentElement.scrollHeight]")
    size(page, wide, min(max(high, box[1]), 4000))
    Image.fromarray(picture(page).astype("uint8")).save(path)
    letters_of(page, LETTERS)
    size(page, *SIZES[0])
    media(page, "light")
    return {"wide": box[0]}


@deed
def told(page):
    """What the accessibility tree says in its order: headings, items of lists, texts."""
    nodes = page.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    known = {node["nodeId"]: node for node in nodes}
    found, to_come = [], [nodes[0]["nodeId"]]
    while to_come:
        node = known.get(to_come.pop(0))
        if node is None:
            continue
        role = node.get("role", {}).get("value")
        if not node.get("ignored") and role in ("heading", "listitem", "StaticText"):
            found.append([role, node.get("name", {}).get("value", "")])
        to_come = node.get("childIds", []) + to_come
    return {"told": found}


@deed
def enter(page, key):
    page.find_element("id", "key").send_keys(key, Keys.ENTER)


@deed
def wait(page, until):
    """Waits until the JavaScript expression is true."""
    end = time.monotonic() + LONGEST
    while time.monotonic() < end:
        if page.execute_script(f"return Boolean({until})"):
            return
        time.sleep(0.05)
    shown = page.execute_script("return document.body.innerText")
    raise TimeoutError(f"{until}; the page shows {shown}")


@deed
def room(page, hash, until):
    page.execute_script("location.hash = arguments[0]", hash)
    wait(page, f"document.body.dataset.room === {json.dumps(hash.split('/')[1])} && ({until})")


@deed
def write(page, text):
    """Into what is focused, in place of what is in it."""
    ActionChains(page).key_down(Keys.CONTROL).send_keys("a").key_up(Keys.CONTROL).send_keys(text).perform()


@deed
def press(page, keys):
    """Real key events, by the names that selenium has for them."""
    for name in keys:
        ActionChains(page).send_keys(getattr(Keys, name)).perform()


@deed
def tab_to(page, name):
    """Tabs on until something whose name has `name` in it is focused."""
    for _ in range(80):
        ActionChains(page).send_keys(Keys.TAB).perform()
        now = js(page, "return access.name(document.activeElement)")
        if name in now:
            return {"focus": now}
    raise LookupError(f"the keyboard never comes to {name}")


@deed
def read(page, what):
    return {"is": js(page, f"return {what}")}


# A target that lies half under the row of rooms can be rolled up: it is looked at anew where it is whole.
AXE_RUN = """
const [wanted, done] = arguments;
(async () => {
  const told = await axe.run(document, wanted);
  for (const rule of told.violations.filter(({ id }) => id === "target-size")) {
    const still = [];
    for (const node of rule.nodes) {
      const el = document.querySelector(node.target[0]);
      el.scrollIntoView({ block: "center", behavior: "instant" });
      const anew = await axe.run(el, { runOnly: { type: "rule", values: ["target-size"] } });
      if (anew.violations.length) still.push(node);
    }
    rule.nodes = still;
    scrollTo(0, 0);
  }
  done(told);
})().catch((why) => done({ error: String(why) }));
"""


# What the colours change of a page whose parts are the same.
COLOURS = {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}


def axe(page, only):
    if not page.execute_script("return Boolean(window.axe)"):
        page.execute_script(AXE.read_text())
    wanted = {"runOnly": only, "resultTypes": ["violations", "incomplete"]}
    told = page.execute_async_script(AXE_RUN, wanted)
    if "error" in told:
        raise RuntimeError(told["error"])

    def nodes(kind):
        return [
            {
                "id": rule["id"],
                "standard": "best-practice" not in rule["tags"],
                "where": " ".join(str(part) for part in node["target"]),
                "why": " ".join(node["failureSummary"].split()),
            }
            for rule in told[kind]
            for node in rule["nodes"]
        ]

    return {"violations": nodes("violations"), "incomplete": nodes("incomplete"), "rules": [rule["id"] for rule in told["passes"]]}


# What stands whole on the screen with nothing over it.
TEXTS = """
return access.texts().filter((t) => t.top >= 0 && t.bottom <= innerHeight && t.left >= 0 && t.right <= innerWidth)
  .filter((t) => t.el.contains(document.elementFromPoint((t.left + t.right) / 2, (t.top + t.bottom) / 2)))
  .map(({ el, ...t }) => {
    const style = getComputedStyle(el);
    const big = parseFloat(style.fontSize) >= (Number(style.fontWeight) >= 700 ? 18.66 : 24);
    return { ...t, name: access.name(el), colour: style.color, big };
  });"""


def text_contrast(page):
    """Each text's colour against the pixels that are behind its letters: as the screen shows it, then all of
    the page on a screen that is high enough."""
    found = {}
    wide, high = js(page, "scrollTo(0, 0); return [innerWidth, innerHeight]")
    whole = js(page, "return document.documentElement.scrollHeight")
    for height in {high, max(high, whole)}:
        size(page, wide, height)
        # An answer of the daemon's may come between the two pictures and move what stands below it.
        for _ in range(20):
            texts = js(page, TEXTS)
            with_letters = picture(page)
            js(page, 'access.style("* { -webkit-text-fill-color: transparent !important; }")')
            without = picture(page)
            js(page, 'access.style("")')
            if js(page, TEXTS) == texts:
                break
            time.sleep(0.1)
        else:
            raise TimeoutError("the page's texts never stand still for two pictures")
        for text in texts:
            rows = slice(int(text["top"]), int(text["bottom"]) + 1)
            columns = slice(int(text["left"]), int(text["right"]) + 1)
            letters = numpy.abs(with_letters[rows, columns] - without[rows, columns]).max(axis=2) > 24
            behind = without[rows, columns][letters]
            if not text["colour"].startswith("rgb("):
                raise ValueError(f"a colour of another kind: {text}")
            if not len(behind):
                # Letters that nothing shows: as good as no contrast.
                worst = 1.0
            else:
                ink = [float(part) for part in text["colour"][4:-1].split(",")]
                worst = float(ratio(ink, behind).min())
            one = {"where": text["name"], "text": text["text"], "ratio": round(worst, 2), "big": text["big"]}
            old = found.setdefault((text["name"], text["text"]), one)
            if one["ratio"] < old["ratio"]:
                found[text["name"], text["text"]] = one
    size(page, wide, high)
    return list(found.values())


# Shapes that carry a meaning, and what they stand on (SC 1.4.11).
SHAPES = """
const css = (selector, property) => {
  const el = document.querySelector(selector);
  return el && (el.closest("defs") || access.seen(el)) ? getComputedStyle(el)[property] : null;
};
const trough = document.querySelector("#trough");
const shown = trough && document.body.dataset.pour !== "no" && access.seen(trough);
const ground = getComputedStyle(document.documentElement).backgroundColor;
const behind = (el) => {
  for (let one = el; one; one = one.parentElement) {
    const colour = getComputedStyle(one).backgroundColor;
    if (colour !== "rgba(0, 0, 0, 0)") return colour;
  }
  return ground;
};
const found = [];
const add = (name, one, other) => { if (one && other) found.push([name, one, other]); };
for (const el of document.querySelectorAll("button, a.key, label.key, input, select, details")) {
  if (!access.seen(el) || el.type === "radio") continue;
  // A border that has the colour of its own key is drawn for show; the key itself stands out then.
  const style = getComputedStyle(el);
  const edge = style.borderStyle === "double" ? style.outlineColor : style.borderTopColor;
  add(`edge of ${access.name(el)}`, edge, behind(el.parentElement));
}
for (const el of document.querySelectorAll("#mark, #strip, #now")) if (access.seen(el)) {
  const style = getComputedStyle(el);
  add(`#${el.id}`, el.id === "mark" ? style.stroke : style.borderStyle === "double" ? style.outlineColor : style.borderTopColor, behind(el.parentElement));
}
if (shown) {
  add("trough's edge", css("#bed", "stroke"), ground);
  add("what is poured, on the trough", css(".ink-fill", "fill"), css("#bed", "fill"));
  add("the window's posts, on the trough", css("#gate", "stroke"), css("#bed", "fill"));
  add("the window's posts, on what is poured", css("#gate", "stroke"), ground);
  add("the lines in what is poured", css(".ink-ground", "stroke"), css(".ink-fill", "fill"));
  add("the mark of the weight", css("#head", "backgroundColor"), ground);
  add("what is too much", css(".ink-over", "stroke"), ground);
}
return found;
"""


def shapes(page):
    def colour(text):
        return [float(part) for part in text[text.index("(") + 1 : -1].split(",")[:3]]

    return [
        {"where": name, "ratio": round(float(ratio(colour(one), colour(other))), 2)}
        for name, one, other in js(page, SHAPES)
    ]


# Roles that a person acts on, and what shows a state by its name.
ROLES = {
    "button", "link", "textbox", "searchbox", "combobox", "listbox", "radio", "radiogroup", "checkbox", "spinbutton",
    "slider", "Date", "InputTime", "DisclosureTriangle", "image", "region", "navigation", "dialog", "table",
}  # fmt: skip


def tree(page):
    """What the accessibility tree says: how many there are to act on, which have no name, what pictures say."""
    out = {"controls": 0, "unnamed": [], "pictures": []}
    for node in page.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]:
        role = node.get("role", {}).get("value")
        if node.get("ignored") or role not in ROLES:
            continue
        name = node.get("name", {}).get("value", "").strip()
        out["controls"] += 1
        if not name:
            out["unnamed"].append(f"{role} {node.get('backendDOMNodeId')}")
        elif role == "image":
            out["pictures"].append(name)
    return out


def stuck(page):
    """What stays on the screen must leave room for the rest."""
    part = js(
        page,
        """return [...document.querySelectorAll("#rooms, #strip")].filter((el) => access.seen(el)
          && getComputedStyle(el).position === "sticky").reduce((sum, el) => sum + el.offsetHeight, 0) / innerHeight""",
    )
    return [{"why": f"what sticks takes {part:.2f} of the screen"}] if part > 0.5 else []


@deed
def look(page, pixels=False, all=True):
    """The state that the page is in: by the tool in both colours and both sizes; how it flows; the tree."""
    out = {"violations": [], "incomplete": [], "rules": [], "contrast": [], "shapes": [], "muddle": [], "small": []}

    def told(at, key, found):
        out[key] += [{"at": at, **one} for one in found]

    for wide, high in SIZES if all else SIZES[:1]:
        size(page, wide, high)
        for scheme in ("light", "dark") if all else ("light",):
            at = f"{scheme} {wide}x{high}"
            media(page, scheme)
            found = axe(page, {"type": "tag", "values": TAGS} if scheme == "light" else COLOURS)
            told(at, "violations", found["violations"])
            told(at, "incomplete", found["incomplete"])
            out["rules"] = sorted(set(out["rules"]) | set(found["rules"]))
            unsure = any(one["id"].startswith("color-contrast") for one in found["incomplete"])
            if unsure or (pixels and wide == 390):
                told(at, "contrast", text_contrast(page))
            told(at, "shapes", shapes(page))
        small = "return access.controls().map((el) => ({ where: access.name(el), ...access.box(el) })).filter((b) => b.width < 43.9 || b.height < 43.9)"
        told(f"{wide}x{high}", "small", js(page, small))
        told(f"{wide}x{high}", "muddle", stuck(page))
    for wide, high, letters in NARROW:
        size(page, wide, high)
        letters_of(page, letters)
        at = f"{wide}x{high}, letters of {letters}"
        if js(page, "return document.scrollingElement.scrollWidth > document.documentElement.clientWidth"):
            told(at, "muddle", [{"why": "the page is wider than the screen"}])
        # The page draws anew ten times a second.
        for _ in range(10):
            muddle = js(page, "return access.muddle()")
            if not muddle:
                break
            time.sleep(0.05)
        told(at, "muddle", [{"why": why} for why in muddle])
        told(at, "muddle", stuck(page))
    letters_of(page, LETTERS)
    size(page, *SIZES[0])
    media(page, "light")
    return out | tree(page)


def mark_of_focus(page):
    """How many pixels the mark of the focus has in its surroundings, of how many a line of one pixel around
    the element would have; and their contrast with and without the mark."""
    box = js(page, "return access.box(document.activeElement)")
    wide, high = js(page, "return [innerWidth, innerHeight]")
    left, top = max(0, box["left"] - 14), max(0, box["top"] - 14)
    right, bottom = min(wide, box["right"] + 14), min(high, box["bottom"] + 14)
    if right <= left or bottom <= top:
        return 0.0, 1.0
    x, y = js(page, "return [scrollX, scrollY]")
    clip = {"x": left + x, "y": top + y, "width": right - left, "height": bottom - top}
    marked = picture(page, clip)
    js(page, 'access.style(":focus-visible, .pick:has(:focus-visible) { outline: none !important; }")')
    plain = picture(page, clip)
    js(page, 'access.style("")')
    changed = numpy.abs(marked - plain).max(axis=2) > 24
    if not changed.any():
        return 0.0, 1.0
    around = 2 * (min(right, box["right"]) - max(left, box["left"]) + min(bottom, box["bottom"]) - max(top, box["top"]))
    return float(changed.sum() / around), float(numpy.median(ratio(marked[changed], plain[changed])))


@deed
def walk(page, wide, high):
    """Tabs through all of the page, from wherever the focus is."""
    size(page, wide, high)
    js(page, "window.stops = access.stops(); window.walked = new Map(window.stops.map((el, i) => [el, i]))")
    names = js(page, "return window.stops.map(access.name)")
    order, out = [], []
    for _ in range(len(names) * 4 + 20):
        ActionChains(page).send_keys(Keys.TAB).perform()
        at = js(page, "const at = window.walked.get(document.activeElement); return at ?? access.name(document.activeElement)")
        if at == "body" or (order and at == order[-1]):
            # The browser's own frame, or the parts of a date.
            continue
        if at in order:
            break
        order.append(at)
        marked, contrast = mark_of_focus(page)
        seen = js(page, "return access.open(document.activeElement)")
        name = at if isinstance(at, str) else names[at]
        out.append({"where": name, "mark": round(marked, 2), "contrast": round(contrast, 2), "open": round(seen, 2)})
    known = [at for at in order if not isinstance(at, str)]
    missed = [name for at, name in enumerate(names) if at not in known]
    # The page's own order, begun somewhere, and once around.
    first = known.index(min(known)) if known else 0
    around = known[first:] + known[:first]
    wrong = [f"{names[a]} before {names[b]}" for a, b in zip(around, around[1:], strict=False) if a > b]
    # On the screen: nothing that follows stands above it, but in another column.
    above = """return window.stops.map((el) => [access.box(el), Boolean(access.within(el, (style) => style.position === "sticky"))])"""
    boxes = js(page, above)
    for i, ((a, stuck_a), (b, stuck_b)) in enumerate(zip(boxes, boxes[1:], strict=False)):
        if not (stuck_a or stuck_b) and b["bottom"] <= a["top"] + 1 and b["left"] < a["right"]:
            wrong.append(f"{names[i + 1]} stands above {names[i]}")
    size(page, *SIZES[0])
    return {"stops": out, "missed": missed, "order": wrong}


@deed
def listen(page):
    """From now on, what the live regions say is kept, and how often the page's number changed."""
    js(
        page,
        """const kept = window.heard = { said: [], others: [], digits: 0, marks: 0 };
        const live = "[aria-live], [role=status], [role=alert], [role=log]";
        new MutationObserver((changes) => {
          for (const { target } of changes) {
            const el = target.nodeType === Node.TEXT_NODE ? target.parentElement : target;
            if (el?.closest("#digits")) kept.digits += 1;
            const region = el?.closest(live);
            if (!region) continue;
            if (!["polite", "assertive"].includes(region.id)) kept.others.push(`${region.id}: ${region.textContent}`);
            else if (region.textContent) kept.said.push(region.textContent);
          }
        }).observe(document.body, { subtree: true, childList: true, characterData: true });""",
    )


@deed
def heard(page):
    return page.execute_script("return window.heard")


@deed
def watch(page, motion):
    """From now on, the most animations that run at one time are counted, and how often the weight's mark moved."""
    media(page, "light", motion)
    js(
        page,
        """clearInterval(window.watching);
        const kept = window.motion = { running: 0, moves: 0 };
        let last = null;
        window.watching = setInterval(() => {
          kept.running = Math.max(kept.running, document.getAnimations().length);
          const left = document.querySelector("#head").style.left;
          kept.moves += Number(last !== null && last !== left);
          last = left;
        }, 15);""",
    )


@deed
def watched(page):
    kept = js(page, "clearInterval(window.watching); return window.motion")
    media(page, "light")
    return kept


@deed
def spoil(page):
    """Puts into the page what each check must find."""
    js(
        page,
        """const inside = document.querySelector("#room-inside");
        const put = (tag, text, style) => {
          const el = document.createElement(tag);
          el.textContent = text;
          el.className = "spoilt";
          Object.assign(el.style, style);
          inside.append(el);
          return el;
        };
        const pale = { color: "#999", background: "#fff", font: "16px sans-serif" };
        put("p", "pale words", pale).id = "pale";
        put("p", "pale on a picture", { ...pale, background: "linear-gradient(#fff, #eee)" }).id = "pictured";
        put("button", "", { width: "60px", height: "60px" }).id = "nameless";
        // Near enough to each other to be missed.
        const near = put("div", "", { lineHeight: 0 });
        for (const id of ["tiny", "tiny-too"]) {
          const one = put("button", "x", { width: "12px", height: "12px", padding: 0 });
          one.id = id;
          near.append(one);
        }
        put("button", "no mark", { outline: "none" });
        put("button", "out of order", {}).setAttribute("tabindex", "5");
        put("button", "under the rooms", { position: "fixed", bottom: "5px", left: "5px", width: "60px", height: "40px", zIndex: -1 });
        put("p", "words that lie", {}).append(put("span", "over others", { marginLeft: "-4em" }));
        put("div", "", { width: "2000px", height: "1px" });""",
    )


@deed
def mend(page):
    js(page, 'for (const el of document.querySelectorAll(".spoilt")) el.remove()')


def main():
    with browser() as page:
        page.set_script_timeout(LONGEST)
        size(page, *SIZES[0])
        media(page, "light")
        for line in sys.stdin:
            asked = json.loads(line)
            begun = time.monotonic()
            answer = DEEDS[asked.pop("do")](page, **asked) or {}
            answer["took"] = round(time.monotonic() - begun, 2)
            print(json.dumps(answer), flush=True)
        log = [entry["message"] for entry in page.get_log("browser")]
        print(json.dumps({"log": log}), flush=True)


main()
