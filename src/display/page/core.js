// What every part of the page shares: what is known, how the daemon is asked, and its language.

import { days, elided, point, words } from "./words.js";

export const STALE = 1800; // ms without a beat or a reading after which nothing counts as live
export const BOUNCE = 700; // ms in which a second touch is the same touch of a glove

export const $ = (id) => document.getElementById(id);
/** What is the same already is not touched: it would be drawn anew, and a reader for the blind would say it again. */
export const keep = (on, name, value) => {
  if (on[name] !== value) on[name] = value;
};
/** No number parts from its unit at a line's end. */
export const held = (text) => (typeof text === "string" ? text.replace(/([0-9]) (?=(?:[kmµ]?g|%|oz|lb|s|min|h)(?![\p{L}\p{N}]))/gu, "$1\u00a0") : text);
export const write = (node, text) => keep(node, "textContent", held(text));
export const put = (id, text) => write($(id), text);
/** A text of ours in the page's language; what fills it is {0}, {1} in the files of messages. */
export const t = (parts, ...fills) => {
  const key = parts.reduce((all, part, n) => `${all}{${n - 1}}${part}`);
  return (words[key] ?? key).replace(/(\b(?:d|qu)e )?\{(\d)\}/gi, (_, de = "", n) => (elided.test(fills[n]) ? de.replace("e ", "'") : de) + fills[n]);
};
/** A number with its decimal sign, as it is read; what is counted with has a point. */
export const figure = (number) => number?.replace(".", point);
/** A day as the place writes it; what is sent and kept is ISO 8601. */
export const onDay = (day) => day?.replace(/^(\d+)-(\d\d)-(\d\d)/, days);
const two = (n) => String(n).padStart(2, "0");
/** The day of a Date, as the wall has it. */
export const dayOf = (at) => onDay(`${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`);
/** Its time. */
export const timeOf = (at) => `${two(at.getHours())}:${two(at.getMinutes())}`;
export const remembered = (store, key) => {
  try { return store().getItem(key); } catch { return null; }
};
export const remember = (store, key, value) => {
  try { value === null ? store().removeItem(key) : store().setItem(key, value); } catch { /* a private window */ }
};
export const kept = () => localStorage;
export const session = () => sessionStorage;

// What is known. `cue` is the cue that stands; a fault hides it and does not end it.
export const know = {
  in: false, door: false, status: null, batch: null, step: null, cue: null, fault: null, recorded: null,
  closed: null, tare: null, state: null, ahead: [], scales: new Map(), pour: null, beat: null, opened: null,
  mixing: null, heard: 0, filling: false,
};

// Both clocks must agree that little time has passed: one stops in suspend, the other can be set.
export const stamp = () => ({ wall: Date.now(), run: performance.now() });
export const age = (then) => {
  if (!then) return Infinity;
  const wall = Date.now() - then.wall;
  return wall < -STALE ? Infinity : Math.max(wall, performance.now() - then.run);
};
export const fresh = (then) => age(then) < STALE;

export const FIND_SCALE = t`Plug the scale in and switch it on; “Scales” finds it.`;

// What helps where a word was not taken, by its code, as it is done on this page.
const HELP = {
  begin: t`“New batch” begins one.`,
  stop: () => (know.filling ? t`“Stop filling” ends it.` : t`“Stop the batch” ends it.`),
  remedies: t`“Remedies” shows the others.`,
  despite: t`The reason goes under “Why it is taken all the same”.`,
  note: t`“Batches” has its record; add a remark there.`,
  "scale-check": t`“Scales” leads you through it.`,
  "jar-fill": t`It goes under “Grams on the label”.`,
  "find-scale": FIND_SCALE,
};

// What lets this browser in. It lies in the storage of this very address with its port, and goes into a header:
// a cookie would go to every other server on this machine as well.
const SESSION = "bismar-session";
let mine = null; // where a private window has no storage
export const letIn = (token) => {
  mine = token;
  remember(kept, SESSION, token);
};
const token = () => remembered(kept, SESSION) ?? mine;
/** Whether `event` of the storage says that another tab was let in. */
export const wasLetIn = (event) => event.key === SESSION && Boolean(event.newValue);

/** Where this page asks: a rehearsal has a bench of its own. */
export const BASE = location.pathname.startsWith("/try/") ? "/try" : "";

/** Fetches as who is let in; `limit` in ms, none for what goes on. */
export function fetched(path, { headers, limit, ...options } = {}) {
  const session = token();
  return fetch(BASE + path, {
    cache: "no-store", credentials: "omit", ...(limit && { signal: AbortSignal.timeout(limit) }), ...options,
    headers: { ...headers, ...(session && { "Bismar-Session": session }) },
  });
}

export async function ask(path, body, limit = 4000) {
  const options = { limit };
  if (body) {
    Object.assign(options, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  }
  const answer = await fetched(path, options);
  const text = await answer.text();
  let reply = null;
  try { reply = text ? JSON.parse(text) : null; } catch { /* said by the status alone */ }
  if (reply?.error && Object.hasOwn(HELP, reply.help ?? "")) {
    const end = /[.!?]$/.test(reply.error) ? "" : ".";
    const help = HELP[reply.help];
    reply.error = `${reply.error}${end} ${help.call ? help() : help}`;
  }
  return { code: answer.status, ok: answer.ok, reply };
}

export const number = (text) => (text == null ? NaN : Number.parseFloat(text));
export const unsigned = (text) => text.replace(/^-/, "");

export function inBatch() {
  return Boolean(know.status?.formula || know.step) && !know.closed && know.state !== "over";
}

const places = (text) => (text?.split(".")[1] ?? "").length;
// An ounce in grams has many decimals, of which a bench scale shows three at most.
const shows = (step) => (places(step) > 5 ? 3 : places(step));
/** A number of a scale, no finer than that scale's step. A window is rounded inward, so that what it shows is inside. */
export function fine(text, round) {
  const name = know.step?.scale ?? know.pour?.scale ?? (know.scales.size === 1 ? [...know.scales.keys()][0] : null);
  const step = know.scales.get(name)?.step;
  if (text == null || step == null || places(text) <= shows(step)) return text;
  const unit = 10 ** shows(step);
  // What is a whole number of them but for the float stays.
  const n = (number(text) * unit).toFixed(6);
  return ((round ?? Math.round)(n) / unit).toFixed(shows(step));
}

const NEXT = {
  mixing: t`it is mixed`, clear: t`nothing else is on the scale`, lift: t`nothing is on the scale`,
  unsure: t`nothing of this step is in it yet`, stranger: t`it is the same one; go on with what is in it now`,
  "emptied-beaker": t`weigh what is missing`, decision: t`close the batch as it is`,
};
/** Whether anything waits for “next”. */
export const takesNext = () => Object.hasOwn(NEXT, know.state ?? "") || [know.cue, know.fault].some((one) => one?.choices?.includes("next"));
/** What an answer will do now, in words. */
export function deed(choice) {
  const lift = know.state === "lift";
  // What a cue tells of is what is kept only where it offers that; before a pour there is nothing to keep.
  const missing = know.pour?.missing ?? (know.cue?.choices?.includes("keep") ? know.cue.missing : null);
  const off = missing == null ? NaN : number(fine(missing));
  const net = know.pour?.net;
  switch (choice) {
    case "next": return NEXT[know.state] ?? t`go on`;
    case "again":
      if (lift) return t`take the record back, weigh this step anew`;
      return net != null && number(net) > 0 ? t`weigh this step anew; ${figure(fine(net))} g do not count` : t`begin this step anew`;
    case "keep":
      if (know.state === "unsure") return t`it is of this step, and counts`;
      if (lift || Number.isNaN(off)) return t`leave the weight as it is`;
      if (off === 0) return t`record it as it is`;
      return off > 0 ? t`leave it ${figure(unsigned(fine(missing)))} g short` : t`leave it ${figure(unsigned(fine(missing)))} g over`;
    case "undo": return know.status?.undo ? t`take back ${know.status.undo}` : t`take back what was recorded last`;
    default: return know.state === "emptied-beaker" ? t`leave the beaker as it is` : t`leave it as it is`;
  }
}

/** What is answered, where the bench does not say it already. */
export const unsaid = (say) => (say && say !== know.cue?.say ? say : "");

/** A scale in words: its weight only while that is live. */
export function scaleNow(scale) {
  if (!fresh(know.beat)) return t`not known now`;
  if (scale?.line === "lost") return t`lost; look at its cable`;
  if (scale?.line === "silent") return t`silent; look at its switch`;
  if (!fresh(scale?.at)) return t`no weight now`;
  return scale.steady ? t`${figure(scale.weight)} g, steady` : t`${figure(scale.weight)} g, moving`;
}

/** What the page shows: a word that is said about it counts for no other step. */
export const aboutNow = () => ({ batch: know.batch, step: know.step?.step ?? null });

/** The status, where it is that of the step that is shown: a new step is told a moment before. */
export const ofStep = () => ((know.status?.step ?? null) === (know.step?.step ?? null) ? know.status : null);

const VERDICTS = { inside: t`inside`, kept: t`kept`, over: t`over`, under: t`under` };
/** The verdict of a weight in words; what was taken back has none. */
export const verdictOf = ({ net, verdict }) => (net == null ? "" : VERDICTS[verdict] ?? verdict ?? t`no verdict`);

/** A phase by its name, with the word "phase" once. */
export const phaseName = (name) => (/phase/i.test(name) ? name : t`Phase ${name}`);
