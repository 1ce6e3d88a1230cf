// The room of the scales: what each is and shows, finding one, changing and removing it, its check, the vessels.

import { $, figure, inBatch, know, put, scaleNow, t, write } from "./core.js";
import { announce, big, boxes, button, day, decimal, el, entry, field, fold, g, get, h, keys, lines, mass, need, p, part, pickList, putBack, refill, sends, sizes, small, stack, status, table, unsent, wrong } from "./make.js";

const NOT_NOW = t`A batch is under way; that is done when it is over.`;
const FINDER = "finder";
const root = el("div", { id: "scales-room", class: "rows" });

/** Draws the room anew, with what was said of a change at its head, or where the change was made. */
async function redraw(say, at) {
  announce("asked");
  const head = say ? el("p", { class: "said", role: "status", tabindex: "-1" }, say) : null;
  const all = await inside(at === FINDER);
  const typed = unsent(root);
  refill(root, head, all);
  paintScales();
  putBack(root, typed);
  // What was pressed is gone: the keyboard goes on from here.
  const there = head ?? $(at ?? "room-title");
  (there.querySelector("summary") ?? there).focus();
}
const changed = (reply) => { if (!reply.error) redraw(reply.say); };

export async function scales() {
  announce("asked");
  refill(root, await inside());
  return [root];
}

async function inside(looks) {
  cards = new Map();
  for (const one of [know.check, know.repeated]) if (one?.over) settled.add(one);
  told = know.vessel?.over ? know.vessel : null;
  const reply = await need("/scales");
  const none = !reply.scales.length;
  return [
    none ? big(t`No scale is set up yet. Plug it in and switch it on; it is found here.`)
      : el("ul", { class: "ways", id: "scale-cards" }, reply.scales.map((scale) => card(scale, reply.daily))),
    await finder(none || looks),
    none ? null : check(reply),
    none ? null : repeated(reply),
    none ? null : vessels(reply),
    reply.file ? p(t`All of this stands in ${reply.file}, with your own remarks.`) : null,
  ];
}

// ---- The scales ----

const facts = (scale) => lines([
  t`At ${scale.port}, ${scale.line}; its lines have the layout ${scale.layout}.`,
  scale.assumed ? t`Shows steps of ${g(scale.readability)} (ASSUMED until its lines show better).` : t`Shows steps of ${g(scale.readability)}.`,
  scale.capacity ? t`Carries ${g(scale.capacity)}.` : t`What it carries is not configured.`,
  t`Net weights are uncertain by ±${g(scale.uncertainty)} (${figure(scale.coverage)}).`,
  scale.repeatability ? t`Its scatter is ${g(scale.repeatability)} (one standard deviation).` : t`Its scatter is ASSUMED as one step, since none was measured: weigh one load ten times, below.`,
  scale.today === "inside" ? t`Passed its last check of today.` : scale.today ? t`Did NOT pass its last check of today.` : t`No check of today.`,
  scale.last && !scale.today ? scale.last.passed ? t`The last check was ${scale.last.when}, passed.` : t`The last check was ${scale.last.when}, NOT passed.` : null,
].filter(Boolean));

/** When the next check is due, by what the configuration asks for. */
const due = (scale, daily) => (scale.today === "inside" ? daily ? t`The next check is due tomorrow, before the first batch.` : t`The next check is good tomorrow, before the first batch.`
  : daily ? t`A check is due now: a batch begins after one that is passed.` : t`A check before the first batch of a day is a good habit; the configuration does not ask for it.`);

/** What the log of the checks has, the newest first. */
const history = (scale) => scale.history.length ? fold(t`Checks of ${scale.name}`,
  table(t`Checks of ${scale.name}`, [h(t`When`), h(t`What`)], scale.history.map((one) => ({ heed: one.verdict && one.verdict !== "inside", cells: [day(one.at),
    one.verdict ? [one.what, small(one.verdict === "inside" ? t`${g(one.off)} off, passed` : t`${g(one.off)} off, NOT passed`)] : [one.what, small(one.note)]] })))) : null;

const known = (scale, daily) => [facts(scale), p(due(scale, daily)), history(scale)];

function card(scale, daily) {
  const box = stack(known(scale, daily));
  cards.set(scale.name, box);
  return entry(el("h2", {}, scale.name),
    el("p", { class: "live", "data-scale": scale.name }, t`no weight now`),
    el("p", { class: "said wrong", "data-trouble": scale.name, hidden: true }), box, change(scale));
}

const fields = (scale) => ({
  name: field(t`Name`, { value: scale.name ?? "", maxlength: 40 }, t`a short word, for cues and the log`),
  capacity: field(t`Largest load, grams`, { ...decimal, value: figure(scale.capacity) ?? "" }, t`as it stands on its plate`),
  readability: field(t`Smallest step, grams`, { ...decimal, value: figure(scale.readability) ?? "" }, t`the last digit that it counts in`),
});
const values = (asked) => ({
  name: asked.name.value,
  capacity: asked.capacity.value ? mass(asked.capacity.value) : "",
  readability: asked.readability.value ? mass(asked.readability.value) : "",
});

function change(scale) {
  const asked = fields({ ...scale, readability: scale.assumed ? "" : scale.readability });
  const others = () => Object.entries(values(asked)).filter(([name]) => asked[name].input.value !== asked[name].input.defaultValue);
  const body = () => (others().length ? { scale: scale.name, ...Object.fromEntries(others()) } : null);
  const set = sends(t`Change it`, "/scale-change", body, changed);
  const remove = sends(t`Remove it`, "/scale-remove", () => ({ scale: scale.name }), changed, { twice: t`Press again: remove it` });
  return fold(t`Change ${scale.name}`,
    inBatch() ? p(NOT_NOW) : stack(
      sizes(boxes(asked)),
      p(t`What is left empty stays as it is. Checks in the log stay under the name of their day.`),
      keys(set.key, remove.key), set.said, remove.said));
}

// ---- Finding ----

let heard = new Map(); // what is drawn of each port, by its name
let place = null;
let stopKey = null;
let freeName = "bench";
let hint = null; // what to do while it listens
let names = new Map(); // what a port says of itself on USB

async function finder(open) {
  // What was heard in a search before is of no use now.
  if (know.find?.over) know.find = null;
  const reply = await get("/ports");
  if (reply.error) return wrong(reply.error);
  freeName = reply.name;
  names = new Map(reply.ports.map((port) => [port.port, port.usb]));
  hint = status();
  const listen = (words, ports, ...more) => {
    const one = sends(words, "/find", () => (ports().length ? { ports: ports() } : null), (answer, said) => {
      write(hint, answer.error ? "" : answer.say);
      if (!answer.error) said.textContent = "";
    });
    one.key.append(...more);
    return one;
  };
  const free = reply.ports.filter((port) => !port.scale);
  const pick = (port) => {
    const { key, said } = listen(port.usb ?? t`Serial line`, () => [port.port], small(port.port));
    return el("li", {}, key, said);
  };
  const picks = (ports) => (ports.length ? pickList(ports.map(pick)) : null);
  const onUsb = free.filter((port) => port.usb);
  const plain = free.filter((port) => !port.usb);
  const all = onUsb.length > 1 ? listen(t`Listen to all on USB`, () => onUsb.slice(0, 8).map((port) => port.port)) : null;
  const other = field(t`Port`, {}, t`its whole path, as /dev/ttyUSB0`);
  const there = listen(t`Listen there`, () => (other.value ? [other.value] : []));
  const stop = sends(t`Stop listening`, "/find-end", () => ({}));
  stopKey = stop.key;
  stopKey.hidden = true;
  heard = new Map();
  place = el("ul", { class: "ways", id: "heard" });
  const taken = reply.ports.filter((port) => port.scale).map((port) => t`${port.port} is scale ${port.scale}.`);
  return el("details", { id: FINDER, open }, el("summary", {}, t`Find the scale`),
    inBatch() ? p(NOT_NOW) : stack(
      p(onUsb.length ? t`Which port is it? Then press the pan: its number moves here.` : t`No free serial line is on USB now. Plug the scale in and switch it on, then look again.`),
      picks(onUsb),
      lines(taken),
      keys(all?.key, button(() => redraw("", FINDER), t`Look again`), stop.key), all?.said, stop.said,
      hint, place,
      fold(t`Another port`,
        plain.length ? p(t`Not on USB: only if you know that the scale is there, since it may be asked for a weight.`) : null,
        picks(plain), sizes(other.box, there.key), there.said)));
}

/** One port that is listened to. Its fields are made once, so that nothing typed is lost. */
function ear(port) {
  const now = { form: null, box: null, live: el("p", { class: "live" }), say: status(), line: el("p", {}) };
  now.box = entry(el("h3", {}, names.get(port) ?? port), names.get(port) ? p(port) : "", now.live, now.say, now.line);
  return now;
}

function use(port, readability) {
  const asked = fields({ name: freeName, readability: readability ?? "" });
  const { key, said } = sends(t`Use this scale`, "/scale-add", () => ({ port, ...values(asked) }), changed);
  key.classList.add("main");
  return stack(sizes(boxes(asked)), key, said);
}

function paintFind() {
  const { find } = know;
  if (!find || !place) return;
  stopKey.hidden = find.over;
  if (find.over) hint.textContent = "";
  if (find.over && !find.ports.some((one) => one.stage === "not-found")) {
    if (heard.size) place.replaceChildren();
    heard = new Map();
    return;
  }
  for (const [name, one] of heard) {
    if (find.ports.some((port) => port.port === name)) continue;
    one.box.remove();
    heard.delete(name);
  }
  for (const one of find.ports) {
    let now = heard.get(one.port);
    if (!now) {
      now = ear(one.port);
      heard.set(one.port, now);
      place.append(now.box);
    }
    const found = one.stage === "found" && !find.over;
    write(now.live, found ? figure(one.shows) ?? t`no weight now` : "");
    now.live.hidden = !found;
    write(now.say, one.stage === "listening" && find.over ? "" : one.say);
    now.say.classList.toggle("wrong", one.stage === "not-found");
    write(now.line, found ? one.line ?? "" : "");
    if (found && !now.form) {
      now.form = use(one.port, one.readability);
      now.box.append(now.form);
    } else if (!found && now.form) {
      now.form.remove();
      now.form = null;
    }
  }
}

// ---- The check ----

// What is said of it comes with the events.
const quiet = (answer, said) => { if (!answer.error) said.textContent = ""; };
/** What is weighed by being led: its fields, the key that begins it, and the one that ends it. */
function led(fields, begin, words, then = quiet) {
  const end = sends(words, "/check-end", () => ({}), then);
  return inBatch() ? p(NOT_NOW) : stack(sizes(boxes(fields)), keys(begin.key, end.key), begin.said, end.said);
}

const settled = new WeakSet(); // the checks whose end the cards tell already
let cards = new Map(); // the facts of each scale, by its name

function check(reply) {
  const which = field(t`Scale`, { choices: reply.scales.map((scale) => [scale.name, scale.name]) });
  const weight = field(t`Test weight`, { choices: [["100", "100 g"]] });
  const offer = () => {
    const { weights } = reply.scales.find((scale) => scale.name === which.value);
    weight.input.replaceChildren(...weights.map((mass) => el("option", { value: mass }, `${mass} g`)));
    weight.input.value = weights.includes("100") ? "100" : weights.at(-1);
  };
  which.input.addEventListener("change", offer);
  offer();
  const kind = field(t`Its class (OIML R 111)`, { choices: reply.classes.map((name) => [name, name]) });
  kind.input.value = "M1";
  const begin = sends(t`Begin the check`, "/check", () => ({ scale: which.value, weight: `${weight.value}g`, class: kind.value }), quiet);
  return part(t`Check a scale with a test weight`,
    el("p", { id: "check-say", role: "status" }),
    led([which, weight, kind], begin, t`End the check`, null),
    inBatch() ? null : severalLoads(which, kind),
    p(t`A passed check tells that this scale weighs right today. It does not make it legal for trade.`));
}

const uses = () => field(t`What comes of it`, { choices: [["true", t`bismar counts with it`], ["", t`It is only shown and logged`]] });

/** Loads up and down: what the scale's weights are worth. */
function severalLoads(which, kind) {
  const loads = field(t`Loads, grams`, {}, t`three or more with spaces between, as 50 200 200+100`);
  const then = uses();
  const masses = () => loads.value.trim().split(/[\s,;]+/).map((one) => `${one.replaceAll("+", "g+")}g`).join();
  const begin = sends(t`Begin with these loads`, "/check", () => ({ scale: which.value, weight: masses(), class: kind.value, write: Boolean(then.value) }), (answer, said) => {
    quiet(answer, said);
    // What is to be done is told above.
    if (!answer.error) which.input.scrollIntoView({ block: "center" });
  });
  return fold(t`With several loads`, stack(
    p(t`Each is weighed going up and going down, one of them also at four places off the middle. It tells gain, linearity and what the place of the load does; each weight’s uncertainty rests on that.`),
    sizes(boxes([loads, then])), begin.key, begin.said));
}

/** One load ten times: how far the scale scatters, and the smallest weights that are good on it. */
function repeated(reply) {
  const which = field(t`Scale to weigh on`, { choices: reply.scales.map((scale) => [scale.name, scale.name]) });
  const then = uses();
  const begin = sends(t`Begin the ten weighings`, "/repeatability", () => ({ scale: which.value, write: Boolean(then.value) }), quiet);
  return part(t`Weigh one load ten times`,
    p(t`Take any load that stays the same, as a full jar. It tells how far the scale scatters; each weight’s uncertainty rests on that.`),
    el("p", { id: "repeated-say", role: "status" }),
    led([which, then], begin, t`End the weighings`));
}

// ---- Vessels ----

let told = null; // the weighing of a vessel whose end the list tells already

function vessels(reply) {
  const one = (vessel) => {
    const remove = sends(t`Remove it`, "/vessel-remove", () => ({ vessel: vessel.name }), changed, { twice: t`Press again: remove it` });
    return entry(el("h3", {}, vessel.name),
      p(vessel.capacity ? t`${g(vessel.weight)} empty, holds ${g(vessel.capacity)}` : t`${g(vessel.weight)} empty`),
      inBatch() ? null : remove.key, remove.said);
  };
  const name = field(t`Its name`, { maxlength: 40 }, t`small beaker`);
  const holds = field(t`What it holds, grams`, decimal, t`may stay empty`);
  const which = field(t`Scale for it`, { choices: reply.scales.map((scale) => [scale.name, scale.name]) });
  const body = () => ({ scale: which.value, name: name.value, capacity: holds.value ? mass(holds.value) : "" });
  const weigh = sends(t`Weigh it empty`, "/vessel-weigh", body, quiet);
  return part(t`Vessels`,
    p(t`The empty weight of a vessel tells a tared one from a forgotten one.`),
    reply.vessels.length ? el("ul", { class: "ways" }, reply.vessels.map(one)) : null,
    el("p", { id: "vessel-say", role: "status", tabindex: "-1" }),
    led([name, holds, ...(reply.scales.length > 1 ? [which] : [])], weigh, t`End the weighing`));
}

// ---- What moves ----

function say(id, standing) {
  if (!standing || !$(id)) return;
  put(id, standing.say);
  $(id).className = !standing.over ? "live" : standing.passed ? "live good" : "live heed";
}

export function paintScales() {
  for (const node of root.querySelectorAll("[data-scale]")) {
    write(node, scaleNow(know.scales.get(node.dataset.scale)));
  }
  for (const node of root.querySelectorAll("[data-trouble]")) {
    const down = know.scales.get(node.dataset.trouble)?.line === "lost";
    const trouble = down ? know.lines?.find((line) => line.scale === node.dataset.trouble)?.trouble : null;
    node.hidden = !trouble;
    if (trouble) write(node, trouble);
  }
  paintFind();
  const { check, vessel, repeated } = know;
  say("check-say", check);
  say("repeated-say", repeated);
  say("vessel-say", vessel);
  const over = [check, repeated].filter((one) => one?.over && !settled.has(one));
  if (over.length) {
    over.forEach((one) => settled.add(one));
    get("/scales").then((reply) => {
      for (const scale of reply.scales ?? []) if (cards.has(scale.name)) refill(cards.get(scale.name), known(scale, reply.daily));
    });
  }
  if (vessel?.over && told !== vessel) {
    told = vessel;
    if (vessel.passed) redraw("", "vessel-say");
  }
}
