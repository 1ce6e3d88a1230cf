// The bench: the amount, the task and the batch, live. Every number on it is the daemon's own text; a
// number is parsed only for the fill. A weight older than `STALE` is not shown at all.

import {
  $, BASE, BOUNCE, FIND_SCALE, STALE, aboutNow, age, ask, deed, figure, fine, fresh, held, inBatch, keep, kept, know, number, ofStep, phaseName, put, remember, remembered, scaleNow, session, stamp, t, unsaid, unsigned, verdictOf, write,
} from "./core.js";
import { attend, isIn, listen, openDoor, stream } from "./door.js";
import { enterRoom, paintRoom, room } from "./rooms.js";

// States of the tare in which the step that is told comes next.
const EMPTIED = "emptied-beaker";
const LONG = 4000; // ms of a hold after which it is said why
const LATELY = 2000; // ms in which the weight is looked at for that
const POURING = ["add", "ease-off", "hold", "take-out"];
const BETWEEN = ["mixing", EMPTIED, "decision"];

let drawing = false;

// ---- The daemon ----

let loading = false;
let again = false;
async function load() {
  if (loading) {
    again = true;
    return;
  }
  loading = true;
  const heard = know.heard;
  try {
    const answer = await ask("/status");
    if (answer.code === 401) return isIn(false);
    // The rehearsal is over.
    if (BASE && answer.code === 404) return location.replace("/");
    if (answer.ok && answer.reply?.ok) {
      isIn(true);
      // Steps told since the question are newer than its answer.
      if (heard === know.heard) takeStatus(answer.reply);
      else again = true;
      if (!stream) listen();
    } else if (!stream) setTimeout(load, 1000);
  } catch {
    if (!stream || !know.nextKnown) setTimeout(load, 1000);
  } finally {
    loading = false;
    if (again) {
      again = false;
      setTimeout(load, 150);
    }
    draw();
  }
}

function loadNext() {
  know.nextKnown = false;
  load();
}

function takeStatus(reply) {
  know.nextKnown = true;
  const status = reply.status ?? {};
  if (status.formula && !know.status?.formula) know.closed = null;
  Object.assign(know, { status, recorded: reply.recorded ?? null, filling: reply.filling, trouble: reply.trouble ?? "", batch: reply.batch ?? null, tare: status.tare ?? null, state: status.state ?? null, ahead: status.ahead ?? [], lines: reply.lines ?? [] });
  const same = know.step && know.step.step === status.step && know.step.ingredient === status.ingredient;
  know.step = status.step == null ? null : {
    step: status.step, of: status.of, phase: status.phase, ingredient: status.ingredient, target: status.target,
    low: status.low ?? (same ? know.step.low : null), high: status.high ?? (same ? know.step.high : null),
    scale: same ? know.step.scale : null,
  };
  for (const scale of status.scales ?? []) {
    const old = know.scales.get(scale.name);
    // A weight comes from a reading alone: that of the status may be any age.
    know.scales.set(scale.name, { ...old, line: scale.line, step: scale.weight ?? old?.step });
  }
  for (const name of know.scales.keys()) {
    if (status.scales && !status.scales.some((scale) => scale.name === name)) know.scales.delete(name);
  }
}

const takers = {
  reading(event) {
    const at = stamp();
    know.scales.set(event.scale, { line: "open", weight: event.weight, step: event.weight, steady: event.steady, at });
    if (know.step?.scale && event.scale !== know.step.scale) return;
    if (!know.step?.scale && event.missing === null && know.pour && know.pour.scale !== event.scale) return;
    know.pour = { scale: event.scale, missing: event.missing, net: event.net, steady: event.steady, at };
    know.lately = [...(know.lately ?? []).filter((one) => age(one.at) < LATELY), { at, weight: number(event.weight) }];
  },
  step(event) {
    know.heard += 1;
    Object.assign(know, { step: event, pour: null, closed: null });
    load();
  },
  cue(event) {
    know.heard += 1;
    sound(event.cue);
    if (event.cue === "fault") {
      know.fault = { ...event, from: know.lastFault ?? null };
      // What goes on after this cue is the status's to tell.
      load();
      return;
    }
    if (event.cue === "mix") startMix(event);
    else stopMix();
    if (!know.cue || know.cue.choices?.join() !== event.choices?.join()) know.changed = stamp();
    if (event.cue !== "hold") know.held = null;
    else know.held ??= stamp();
    Object.assign(know, { cue: event, fault: null });
    put("answer", "");
    // The step that comes next is the status's to tell; in a pour it does not change.
    if (!POURING.includes(event.cue)) loadNext();
  },
  fault(event) {
    know.heard += 1;
    know.lastFault = event.over ? null : event;
    if (event.scale === null) load();
    const down = event.code === "silent" || event.code === "lost";
    if (down && event.scale !== null) {
      know.scales.set(event.scale, { line: event.over ? "open" : event.code });
      if (know.pour?.scale === event.scale) know.pour = null;
    }
    const from = know.fault?.from;
    const bothDown = down && (from?.code === "silent" || from?.code === "lost");
    if (event.over && from && from.scale === event.scale && (from.code === event.code || bothDown)) know.fault = null;
  },
  recorded(event) {
    know.heard += 1;
    know.recorded = event;
    load();
  },
  tare(event) {
    know.heard += 1;
    Object.assign(know, { tare: event.state, state: event.code });
    loadNext();
  },
  check(event) { know.check = event; },
  vessel(event) { know.vessel = event; },
  repeatability(event) { know.repeated = event; },
  find(event) { know.find = event; },
  closed(event) {
    know.heard += 1;
    // The status tells of no batch that is over.
    Object.assign(know, { over: { batch: know.batch, jars: know.filling || !event.complete } });
    Object.assign(know, { closed: event, step: null, pour: null, ahead: [], fault: null });
    put("answer", "");
    stopMix();
    load();
  },
};

/** A weight that stands asks for no new picture; the watch draws what its age changes. */
function isKnown(event) {
  const { weight, steady } = know.scales.get(event.scale) ?? {};
  return event.event === "reading" && event.weight === weight && event.steady === steady && event.missing === (know.pour?.missing ?? null);
}

function take(event) {
  const same = isKnown(event);
  if (Object.hasOwn(takers, event.event)) takers[event.event](event);
  if (!same) draw();
}

// The clock of a mix goes on over a reload of the page and over a cue that is only said again.
function startMix(event) {
  const name = `${know.batch ?? ""}|${event.step}|${event.say}`;
  const [old, since] = (remembered(session, "bismar-mix") ?? "").split("\n");
  know.mixing = old === name && Number(since) <= Date.now() ? Number(since) : Date.now();
  remember(session, "bismar-mix", `${name}\n${know.mixing}`);
}
function stopMix() {
  know.mixing = null;
  remember(session, "bismar-mix", null);
}

// ---- What is true now ----

/** Why no weight may be shown, in words, and whether one may only be on its way; null when it may. */
function mute() {
  const why = (words, soon = false) => ({ words, soon });
  if (!fresh(know.beat)) return why(t`no word from bismar`);
  const name = know.step?.scale ?? know.pour?.scale ?? (know.scales.size === 1 ? [...know.scales.keys()][0] : null);
  const scale = name === null ? null : know.scales.get(name);
  if (scale?.line === "lost") return why(t`scale ${name} is lost`);
  if (scale?.line === "silent") return why(t`scale ${name} is silent`);
  if (fresh(know.pour?.at)) return null;
  if (!know.pour && fresh(know.opened)) return why(t`waiting for the scale`, true);
  return why(name === null ? t`no weight from a scale` : t`no weight from scale ${name}`);
}

function lostWords() {
  if (!know.beat && fresh(know.opened)) return null;
  return inBatch()
    ? t`The page has lost bismar. Stop pouring until the page is back; what is recorded is safe.`
    : t`The page has lost bismar. Look whether bismar runs and the network is there; the page tries again.`;
}

/** What is to be done: the sentence, its mark, whether it is urgent. */
function task() {
  const gone = fresh(know.beat) ? null : lostWords();
  if (gone) return { say: gone, mark: "fault", urgent: true };
  if (know.fault) return { say: know.fault.say, mark: "fault", urgent: know.fault.urgent };
  if (!fresh(know.beat)) return { say: t`Looking for bismar.`, mark: "hold", urgent: false };
  if (!inBatch()) return idleTask();
  const kind = know.cue?.cue ?? null;
  const why = mute();
  if (why && !why.soon && !["mix", "choose", "done"].includes(kind)) {
    return { say: t`Stop: ${why.words}. Look at its switch, its battery and its cable.`, mark: "fault", urgent: true };
  }
  const say = know.cue?.say ?? know.status?.say ?? "";
  return { say, mark: kind ?? "hold", urgent: Boolean(know.cue?.urgent), kind, lead: know.cue?.lead ?? 0 };
}

function idleTask() {
  const last = know.cue?.cue === "done" ? know.cue.say : know.status?.say;
  if (know.closed) {
    const over = know.closed.complete ? t`The batch is complete.` : t`The batch was ended before its last step.`;
    return { say: last ?? over, mark: know.closed.complete ? "done" : "hold", urgent: false };
  }
  if (BASE) return { say: t`This is a rehearsal. “End the rehearsal” leads back to your bench.`, mark: "hold", urgent: false };
  // A scale that was set up meanwhile is known by its readings.
  if (know.status?.scales?.length === 0 && know.scales.size === 0) {
    return { say: t`No scale is set up yet. ${FIND_SCALE}`, mark: "place", urgent: false };
  }
  return { say: t`No batch is under way. “New batch” begins one.`, mark: "hold", urgent: false };
}

// A cue's sentence keeps the number of its moment. Beside live digits an old number would be a
// second, wrong one: it is replaced by the live one, and left out where that no longer fits.
function upToDate(now, missing) {
  if (missing === null || !["add", "ease-off", "take-out"].includes(now.kind)) return now.say;
  if (!now.lead) return now.say;
  const left = number(missing);
  const fits = now.kind === "take-out" ? left < 0 : left > 0;
  return fits ? `${figure(unsigned(fine(missing)))} g ${now.say.slice(now.lead)}` : t`Wait: let the scale come to rest.`;
}

/** "short", "inside" or "over": where the live weight stands to the window. */
function standing(missing) {
  const { target, low, high } = know.step ?? {};
  const milli = (text) => Math.round(number(text) * 1e6);
  const net = milli(target) - milli(missing);
  if (net >= milli(low) && net <= milli(high)) return "inside";
  return number(missing) < 0 ? "over" : "short";
}

/** What the step that stands there was recorded with. */
function recordedHere() {
  return know.state === "lift" && know.cue?.cue === "lift" && know.recorded?.step === know.step?.step ? know.recorded : null;
}

/** What is to be known beside the task: the move that a fault hides, or why a hold takes long. */
function beside() {
  const { cue, pour } = know;
  if (!inBatch() || !fresh(know.beat) || !cue) return "";
  const why = mute();
  if (know.fault) {
    if (why && !why.soon && POURING.includes(cue.cue)) return t`Stop pouring until the weight is back.`;
    if (why || know.fault.say.includes(cue.say)) return "";
    return t`Then: ${upToDate({ say: cue.say, kind: cue.cue, lead: cue.lead ?? 0 }, pour?.missing ?? null)}`;
  }
  if (cue.cue !== "hold" || age(know.held) < LONG || why || !pour) return "";
  const all = (know.lately ?? []).filter((one) => age(one.at) < LATELY).map((one) => one.weight);
  const apart = fine((Math.max(...all) - Math.min(...all)).toFixed(6));
  if (pour.steady) return t`At rest; it counts when it has stayed so for a moment.`;
  if (number(apart) > 0) return t`Why it takes long: the scale still moves by ${figure(apart)} g. Hands off the bench, and no draught.`;
  return t`Why it takes long: the scale still moves. Hands off the bench, and no draught.`;
}

function amount() {
  const kind = know.cue?.cue ?? null;
  if (!fresh(know.beat)) return { big: "none", digits: "–", word: t`No live weight: ${t`no word from bismar`}` };
  if (kind === "mix" && know.mixing !== null) return { big: "mix", digits: clock(Date.now() - know.mixing), word: t`mixing for` };
  const why = mute();
  if (why) return { big: "none", digits: "–", word: t`No live weight: ${why.words}` };
  const here = recordedHere();
  if (here) {
    // A weight that nobody could judge has neither the mark of a good one nor that of one that is off.
    const seal = { inside: "✓", none: "□" }[here.verdict ?? "none"] ?? "!";
    return { big: "recorded", digits: figure(fine(here.net)), word: `${t`recorded`}, ${verdictOf(here)}`, seal: know.cue.urgent ? "?" : seal };
  }
  const missing = know.pour?.missing ?? null;
  if (missing !== null) {
    const pour = standing(missing);
    if (pour === "inside") {
      // A word, not a number: from afar a number would read as still to add.
      const off = number(fine(missing));
      const by = figure(unsigned(fine(missing)));
      const word = off === 0 ? t`on the target` : off < 0 ? t`${by} g above the target` : t`${by} g below the target`;
      return { big: "live", digits: t`[inside]`, word, pour, missing };
    }
    return { big: "live", digits: figure(unsigned(fine(missing))), word: pour === "over" ? t`too much` : t`still to add`, pour, missing };
  }
  // What was recorded last is none of the emptied beaker's.
  if (know.state === EMPTIED) return { big: "none", digits: "–", word: t`What stayed in a beaker` };
  if (kind === "lift" && know.recorded) {
    return { big: "recorded", digits: figure(fine(know.recorded.net)), word: t`recorded` };
  }
  if (know.step?.target && (kind === "place" || kind === null)) {
    return { big: "target", digits: figure(fine(know.step.target)), word: t`comes next` };
  }
  if (know.state === "decision") return { big: "none", digits: "–", word: t`Waiting for your decision` };
  return { big: "none", digits: "–", word: know.tare ? t`No weight of this step: ${know.tare}` : t`No weight of this step` };
}

function clock(ms) {
  const all = Math.max(0, Math.floor(ms / 1000));
  const two = (n) => String(n).padStart(2, "0");
  const hours = Math.floor(all / 3600);
  return `${hours ? `${hours}:` : ""}${hours ? two(Math.floor(all / 60) % 60) : Math.floor(all / 60)}:${two(all % 60)}`;
}

// ---- Drawing ----

function draw() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    paint();
  });
}

function paint() {
  const look = document.body.dataset;
  keep(look, "view", know.door ? "door" : !know.status ? "wait" : inBatch() ? "batch" : "idle");
  keep(look, "room", know.door || !know.status ? "" : room.name);
  const shown = amount();
  keep(look, "big", shown.big);
  keep(look, "pour", shown.pour ?? "no");
  put("big-word", shown.word);
  put("digits", shown.digits);
  put("seal", shown.seal ?? "");
  const wide = String(Math.max(3, shown.digits.length + (shown.seal ? 1.3 : 0)));
  const { style } = $("big-line");
  if (style.getPropertyValue("--wide") !== wide) style.setProperty("--wide", wide);
  paintTrouble();
  paintWhere();
  paintTask(shown.missing ?? null);
  put("beside", beside());
  paintTrough(shown);
  paintChoices();
  paintStop();
  paintSide();
  paintStopped();
  paintRoom();
  stayAwake();
}

/** What stays wrong, but what is said just now. */
function paintTrouble() {
  const all = fresh(know.beat) ? (know.trouble ?? "").split("\n") : [];
  const words = all.filter((one) => one && !(know.fault && know.fault.say.includes(one))).join("\n");
  put("trouble", words);
  keep($("trouble"), "hidden", !words);
}

function paintWhere() {
  const { step, of, phase, ingredient } = know.step ?? {};
  const name = know.batch ?? know.status?.formula ?? "bismar";
  const over = !inBatch() && know.closed ? know.over?.batch : null;
  put("batch", over ? t`batch ${over}` : inBatch() && know.status?.formula && know.batch ? t`${know.status.formula}, batch ${name}` : inBatch() ? name : "bismar");
  const between = BETWEEN.includes(know.state);
  const where = step == null || (between && !know.nextKnown) ? "" : between ? t`step ${step} of ${of} comes next` : t`step ${step} of ${of}`;
  put("place", inBatch() ? [phase && phaseName(phase), where].filter(Boolean).join(", ") : "");
  const lift = know.cue?.cue === "lift" && know.recorded && document.body.dataset.big === "recorded";
  const title = know.cue?.cue === "mix" ? t`Mix` : know.state === EMPTIED ? t`Emptied beaker` : lift ? know.recorded.ingredient : (ingredient ?? "");
  // Without an ingredient the page's heading is for those who go by headings.
  const named = inBatch() && title;
  put("ingredient", named ? title : t`Bench`);
  $("ingredient").classList.toggle("unseen", !named);
  const page = room.name ? `${$("room-title").textContent} – bismar` : inBatch() && title ? `${title} – bismar` : t`bismar bench page`;
  const whole = BASE ? t`Rehearsal: ${page}` : page;
  if (document.title !== whole) document.title = whole;
}

let spoken = "";
function paintTask(missing) {
  const now = task();
  const say = upToDate(now, missing);
  put("say", say);
  $("say").classList.toggle("long", say.length > 70);
  $("now").classList.toggle("urgent", now.urgent);
  const mark = `#m-${$(`m-${now.mark}`) ? now.mark : "hold"}`;
  if ($("mark-use").getAttribute("href") !== mark) $("mark-use").setAttribute("href", mark);
  if (know.door || spoken === now.say) return;
  // Read aloud once a cue, not once a reading.
  if (now.mark === "fault" && !know.fault) sound("fault");
  spoken = now.say;
  put("assertive", now.urgent ? now.say : "");
  put("polite", now.urgent ? "" : now.say);
}

// The way along the trough is a root of what is left, so that the last grams get the most room and
// the window is wide enough to see however narrow it is.
function trough(target, low, high) {
  const near = Math.max(Math.min(target - low, high - target), target * 1e-6) / target;
  const power = Math.min(0.5, Math.max(0.15, Math.log(0.08) / Math.log(Math.min(near, 0.5))));
  const above = Math.max(0, (high - target) / target) ** power;
  const aim = Math.min(770, 850 / (1 + above));
  return (net) => {
    const left = (target - net) / target;
    const x = left >= 0 ? aim * (1 - Math.min(1, left) ** power) : aim * (1 + (-left) ** power);
    return Math.min(1000, Math.max(0, x));
  };
}

const shape = (id, name, value) => {
  if ($(id).getAttribute(name) !== value) $(id).setAttribute(name, value);
};

function paintTrough(shown) {
  const [target, low, high] = ["target", "low", "high"].map((name) => number(know.step?.[name]));
  const other = shown.big === "recorded" && know.recorded.step !== know.step?.step;
  const drawn = target > 0 && low <= target && high >= target && high > 0 && !other && know.state !== EMPTIED;
  keep($("trough"), "hidden", !drawn);
  if (!drawn) return;
  const at = trough(target, low, high);
  const [from, to, aim] = [at(low), at(high), at(target)];
  const bed = `0,6 ${from},44 ${to},44 ${to},76 ${from},76 0,114`;
  shape("bed", "points", bed);
  shape("filled", "points", `${bed.replace(` ${to},44 ${to},76`, " 1000,44 1000,76")}`);
  shape("gate", "d", `M${from + 8} 2H${from}V118H${from + 8}M${to - 8} 2H${to}V118H${to - 8}`);
  shape("aim", "d", `M${aim} 8V112`);
  shape("beyond-box", "x", String(to));
  shape("beyond-box", "width", String(1000 - to));
  const [half, tenth] = [at(target * 0.5), at(target * 0.9)];
  shape("ticks", "d", `M${half} 104V120M${tenth} 104V120`);
  for (const [id, x] of [["t-half", half], ["t-tenth", tenth]]) $(id).style.left = `${x / 10}%`;
  // Words grow with the person's letters, the trough does not: those of the window keep off t`too much`.
  $("t-gate").style.left = `min(${to / 10}%, 100% - 3.4em)`;
  const [least, most] = [figure(fine(know.step.low, Math.ceil)), figure(fine(know.step.high, Math.floor))];
  put("t-gate", `${t`window`}\n${least} – ${most} g`);
  shape("trough", "aria-label", t`The window: ${least} to ${most} g`);
  const gate = $("t-gate").getBoundingClientRect();
  const em = Number.parseFloat(getComputedStyle($("t-gate")).fontSize);
  const before = gate.left - $("trough").getBoundingClientRect().left;
  const room = before - (tenth / 1000) * $("trough").clientWidth;
  keep($("t-half"), "hidden", before - (half / 1000) * $("trough").clientWidth < 3 * em);
  const apart = ((tenth - half) / 1000) * $("trough").clientWidth;
  keep($("t-tenth"), "hidden", room < 5 * em || apart < 6 * em);
  if (shown.pour) {
    const x = at(target - number(shown.missing));
    shape("so-far-box", "width", String(x));
    $("head").style.left = shown.pour === "over" ? `min(${x / 10}%, 100% - 2.75rem)` : `max(${x / 10}%, 0.375rem)`;
  }
}

const answers = { next: t`Next`, again: t`Again`, keep: t`Keep`, undo: t`Undo`, cancel: t`Cancel` };

function paintChoices() {
  // A fault hides what is asked and does not take its answers away.
  const asked = [...(know.fault?.choices ?? []), ...(know.cue?.choices ?? [])];
  const offered = inBatch() && fresh(know.beat) ? [...new Set(asked)] : [];
  const wanted = offered.filter((choice) => Object.hasOwn(answers, choice));
  const box = $("choices");
  const say = () => [...box.children].forEach((key) => {
    write(key.querySelector("small"), deed(key.dataset.word));
  });
  if (box.dataset.offered === wanted.join()) return say();
  const held = box.contains(document.activeElement);
  box.dataset.offered = wanted.join();
  box.replaceChildren(...wanted.map((choice) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "key";
    button.dataset.word = choice;
    button.append(answers[choice], " ", document.createElement("small"));
    button.addEventListener("click", () => press(choice));
    return button;
  }));
  say();
  know.changed = stamp();
  if (held && box.firstChild) box.firstChild.focus();
}

function paintSide() {
  const rows = (id, items, row) => {
    const mark = JSON.stringify(items);
    if ($(id).dataset.shows === mark) return;
    $(id).dataset.shows = mark;
    $(id).replaceChildren(...items.map(row));
  };
  // Between two weighings the step itself is the next.
  const early = know.step?.ingredient && $("ingredient").textContent !== held(know.step.ingredient);
  const unknown = BETWEEN.includes(know.state) && !know.nextKnown;
  const ahead = unknown ? [] : (early ? [know.step, ...know.ahead] : know.ahead).slice(0, 2);
  rows("ahead", ahead.map(({ ingredient, target }) => [ingredient, target]), ([name, grams]) => {
    const item = document.createElement("li");
    const weight = document.createElement("b");
    item.append(held(name ?? ""));
    write(weight, grams == null ? "" : `${figure(grams)} g`);
    item.append(weight);
    return item;
  });
  keep($("ahead-part"), "hidden", ahead.length === 0);
  // Of a vessel that is not seen nobody knows whether it still stands there.
  const unseen = mute();
  const tare = fresh(know.beat) && (!unseen || unseen.soon) ? know.tare : t`not known now`;
  put("tare", inBatch() && tare && know.state !== "mixing" ? t`Pan and tare: ${tare}` : "");
  const { lot, lot_required: needed } = ofStep() ?? {};
  const asks = inBatch() && know.step && needed && !lot;
  put("lot", !inBatch() || !know.step || (!lot && !needed) ? "" : lot ? t`Lot: ${lot}` : t`Lot: not named yet; the weight waits for it`);
  const open = inBatch() && fresh(know.beat) && know.step && !lot && !["writing", "lift", EMPTIED].includes(know.state);
  const offer = open ? theLot() : null;
  // Where no lot is needed, it does not crowd what is asked.
  keep($("take-lot"), "hidden", !offer || (!asks && $("choices").childElementCount > 0));
  put("take-lot-name", offer ? t`Take lot ${offer.lot}` : "");
  put("take-lot-more", !offer ? "" : offer.left == null ? t`of ${offer.ingredient}` : t`of ${offer.ingredient}, ${figure(offer.left)} g left`);
  keep($("to-lot"), "hidden", !asks);
  keep($("to-remedies"), "hidden", !inBatch() || (know.state !== "decision" && know.cue?.asks !== "remedy"));
  const { recorded } = know;
  const leftOut = recorded?.verdict === "kept" && number(recorded.net) === 0;
  const what = leftOut ? t`left out` : recorded && `${figure(fine(recorded.net))} g, ${verdictOf(recorded)}`;
  // A jar is called by its number: what it is filled with stands above.
  put("recorded", !recorded ? "" : know.filling ? t`Jar ${recorded.step}: ${what}` : t`Recorded: ${recorded.ingredient} ${what}`);
  rows("scales", [...know.scales].map(([name, scale]) => t`Scale ${name}: ${scaleNow(scale)}`), (words) => {
    const item = document.createElement("li");
    write(item, words);
    return item;
  });
}

// Whether a batch was stopped lately, read once after each batch. What nobody took up for days stands in “New batch”.
const LATE = 3 * 86400000; // ms
let looked = null;
function paintStopped() {
  const mark = inBatch() || !know.status ? null : (know.closed ?? know.in);
  if (mark !== looked) {
    looked = mark;
    know.stopped = [];
    const late = () => setTimeout(() => { if (looked === mark) looked = null; }, 5000);
    if (mark) ask("/stopped", null, 10000).then(({ ok, reply }) => {
      if (looked !== mark) return;
      if (!ok) return late();
      know.stopped = reply.batches;
      draw();
    }, late);
  }
  const [last] = (know.stopped ?? []).filter((one) => Date.now() - Date.parse(one.last) < LATE);
  // What comes after a batch: its jars, and after those its record.
  const { batch, jars } = know.over ?? {};
  keep($("to-after"), "hidden", inBatch() || !know.closed || !batch);
  if (batch) keep($("to-after"), "href", new URL(`#/${jars ? "batches" : "fill"}/${encodeURIComponent(batch)}`, location).href);
  put("to-after-word", jars ? t`Record of the batch` : t`Fill jars`);
  put("to-after-more", batch ?? "");
  keep($("to-stopped"), "hidden", inBatch() || !last);
  put("to-stopped-more", last ? t`${last.batch}: ${last.say.split(";")[0]}` : "");
}

// The lots on hand, read once a step: the one good lot is taken by one press.
let shelf = { of: null, lots: [] };
function theLot() {
  const here = ofStep();
  if (!here?.ingredient) return null;
  const mark = JSON.stringify([aboutNow(), here.ingredient]);
  if (shelf.of !== mark) {
    const mine = shelf = { of: mark, lots: [] };
    const late = () => setTimeout(() => { if (shelf === mine) shelf = { of: null, lots: [] }; }, 5000);
    ask("/store", null, 10000).then(({ ok, reply }) => {
      if (!ok) return late();
      mine.lots = reply.lots ?? [];
      draw();
    }, late);
  }
  const enough = (left) => left == null || number(left) >= number(here.target);
  const good = shelf.lots.filter((one) => one.ingredient === here.ingredient && !one.refused && enough(one.left));
  return good.length === 1 ? good[0] : null;
}
$("take-lot").addEventListener("click", () => {
  const offer = theLot();
  if (offer) press("lot", { lot: offer.lot });
});

// On a wide screen the answers stand beside the weight, whose digits keep their size.
const wide = matchMedia("(min-width: 1000px)");
const placeKeys = () => (wide.matches ? $("tools") : $("answer")).before($("keys"));
wide.addEventListener("change", placeKeys);
placeKeys();

// ---- Keys ----

let busy = false;
async function press(word, more) {
  if (busy) return;
  if (age(know.changed) < BOUNCE && word !== "stop") {
    put("answer", t`The question changed just as you pressed. Read it and press again.`);
    return;
  }
  busy = true;
  for (const button of $("choices").children) button.setAttribute("aria-disabled", "true");
  try {
    const about = word === "stop" ? {} : { about: aboutNow() };
    const { code, reply } = await ask("/do", { do: word, ...more, ...about });
    if (code === 401) return openDoor();
    // What was refused may have been about what the bench was; a lot that was taken no event tells.
    load();
    put("answer", reply?.ok ? unsaid(reply.say) : (reply?.error ?? t`bismar did not take it (${code}).`));
  } catch {
    const key = word === "lot" ? t`Take lot ${more.lot}` : word === "stop" ? $("stop-word").textContent : answers[word];
    put("answer", t`No answer from bismar: it is not known whether "${key}" was taken.`);
  } finally {
    busy = false;
    for (const button of $("choices").children) button.removeAttribute("aria-disabled");
  }
}

const AGAIN = t`Press again within five seconds to stop.`;
let armed = null;
function disarm() {
  if (armed) clearTimeout(armed.timer);
  armed = null;
  $("stop").classList.remove("armed");
  paintStop();
  // Asked again, it is read aloud again.
  if ($("assertive").textContent === AGAIN) put("assertive", "");
}
function paintStop() {
  put("stop-word", armed ? t`Press again: stop now` : know.filling ? t`Stop filling` : t`Stop the batch`);
  put("stop-more", know.filling ? t`jars that are recorded stay; one under way is not recorded` : "");
}
$("stop").addEventListener("click", () => {
  if (!armed) {
    armed = { at: stamp(), timer: setTimeout(disarm, 5000) };
    $("stop").classList.add("armed");
    paintStop();
    put("assertive", AGAIN);
  } else if (age(armed.at) >= BOUNCE) {
    disarm();
    press("stop");
  }
});

// ---- Trying it ----

const TRIED = "bismar-tried"; // in a rehearsal; who comes from there without ending it is told
if (BASE) {
  document.body.dataset.rehearsal = "";
  $("rehearsal").hidden = false;
} else if (remembered(session, TRIED)) {
  put("answer", t`The rehearsal has ended. This is your bench again.`);
}
remember(session, TRIED, BASE || null);
/** Asks for it, and goes there. */
const goesTo = (id, path, there) => $(id).addEventListener("click", async () => {
  if (busy) return;
  busy = true;
  try {
    const { code, ok, reply } = await ask(path, {}, 10000);
    if (code === 401) return openDoor();
    if (ok || (BASE && code === 404)) {
      remember(session, TRIED, null);
      return location.assign(there);
    }
    put("answer", reply?.error ?? t`bismar did not take it (${code}).`);
  } catch {
    put("answer", t`No answer from bismar.`);
  } finally {
    busy = false;
  }
});
goesTo("try", "/try-begin", "/try/");
goesTo("try-end", "/end", "/");

// ---- Sound: short tones, one figure a cue, told apart by rhythm and direction ----

const figures = { // [hertz, from, length] in seconds
  place: [[392, 0, 0.12], [523, 0.15, 0.16]],
  add: [[523, 0, 0.14]],
  "ease-off": [[659, 0, 0.07], [587, 0.11, 0.07], [523, 0.22, 0.07]],
  hold: [[294, 0, 0.45]],
  "take-out": [[587, 0, 0.16], [392, 0.19, 0.2], [587, 0.5, 0.16], [392, 0.69, 0.2]],
  lift: [[523, 0, 0.1], [659, 0.12, 0.1], [784, 0.24, 0.16]],
  mix: [[440, 0, 0.12], [494, 0.16, 0.12], [440, 0.32, 0.12], [494, 0.48, 0.12]],
  choose: [[659, 0, 0.1], [659, 0.2, 0.1]],
  fault: [[330, 0, 0.14], [330, 0.22, 0.14], [233, 0.44, 0.35]],
  done: [[523, 0, 0.14], [659, 0.16, 0.14], [784, 0.32, 0.14], [1047, 0.48, 0.3]],
};
let tones = null;
let loud = remembered(kept, "bismar-sound") === "on";

function sound(kind) {
  if (!loud || tones?.state !== "running" || !Object.hasOwn(figures, kind)) return;
  for (const [hertz, from, length] of figures[kind]) {
    const begin = tones.currentTime + 0.02 + from;
    const tone = new OscillatorNode(tones, { type: "triangle", frequency: hertz });
    const gain = new GainNode(tones, { gain: 0 });
    gain.gain.setValueAtTime(0, begin);
    gain.gain.linearRampToValueAtTime(0.4, begin + 0.015);
    gain.gain.setValueAtTime(0.4, begin + length - 0.03);
    gain.gain.linearRampToValueAtTime(0, begin + length);
    tone.connect(gain).connect(tones.destination);
    tone.start(begin);
    tone.stop(begin + length + 0.02);
  }
}

// A browser lets a page sound only after a touch: until then the key says so.
function wake() {
  if (!loud || !("AudioContext" in window)) return;
  tones ??= Object.assign(new AudioContext(), { onstatechange: paintSound });
  if (tones.state !== "running") tones.resume().catch(() => {});
}
function paintSound() {
  const quiet = loud && tones?.state !== "running";
  put("sound", !loud ? t`Sound is off` : quiet ? t`Sound waits for a touch` : t`Sound is on`);
}
$("sound").addEventListener("click", (event) => {
  event.stopPropagation();
  const waiting = loud && tones?.state !== "running";
  loud = waiting || !loud;
  remember(kept, "bismar-sound", loud ? "on" : "off");
  wake();
  tones?.resume().then(() => sound("add"), () => {});
  paintSound();
});
document.addEventListener("click", wake);
document.addEventListener("keydown", wake);

// ---- The screen stays on during a batch ----

let lock = null;
let locking = false;
async function stayAwake() {
  const wanted = inBatch() && know.in && document.visibilityState === "visible";
  if (!("wakeLock" in navigator) || locking || wanted === Boolean(lock && !lock.released)) return;
  locking = true;
  try {
    if (wanted) lock = await navigator.wakeLock.request("screen");
    else await lock.release();
  } catch { /* not given, as with a low battery: tried again when the page is seen again */
    return;
  } finally {
    if (!wanted) lock = null;
    // Not asked for at every reading.
    setTimeout(() => { locking = false; }, 2000);
  }
}

// ---- Beginning ----

document.addEventListener("room", () => {
  // A lot may have been added there.
  shelf = { of: null, lots: [] };
  paint();
});
document.addEventListener("asked", load);
document.addEventListener("locked", () => openDoor());
document.addEventListener("visibilitychange", () => {
  locking = false;
  draw();
});
paintSound();
attend({ load, take, paint, entered: enterRoom });
