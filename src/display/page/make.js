// What the rooms are made of: elements, fields, tables, keys that send, and the asking itself. Texts go in as texts alone.

import { $, BOUNCE, age, ask, dayOf, fetched, figure, fresh, held, know, stamp, t, timeOf, write } from "./core.js";
import { point } from "./words.js";

const SLOW = 10000; // ms for an answer that reads many files

// ---- Making elements ----

/** An element; properties that begin with "on" are listeners, the others attributes. */
export function el(tag, properties = {}, ...inside) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value != null) node.setAttribute(name, value);
  }
  node.append(...inside.flat().filter((one) => one != null && one !== false).map(held));
  return node;
}
/** The address of a room that is about `name`. */
export const at = (room, name) => `${room}/${encodeURIComponent(name)}`;
export const link = (to, ...inside) => el("a", { class: "key", href: `#/${to}` }, ...inside);
/** A link within a table. */
export const go = (to, ...inside) => el("a", { class: "go", href: `#/${to}` }, ...inside);
export const button = (onclick, ...inside) => el("button", { class: "key", type: "button", onclick }, ...inside);
export const lines = (items, kind) => items.length ? el("ul", { class: kind ?? "lines" }, items.map((text) => el("li", {}, text))) : null;
export const p = (...inside) => el("p", {}, ...inside);
export const big = (...inside) => el("p", { class: "size" }, ...inside);
export const fold = (name, ...inside) => el("details", {}, el("summary", {}, name), ...inside);
export const entry = (...inside) => el("li", { class: "way" }, ...inside);
export const status = (text = "") => el("p", { class: "said", role: "status" }, text);
export const decimal = { inputmode: "decimal" };
/** What is printed, in a tab of its own: `what()` at the moment of the press. */
export const onPage = (what, ...inside) => el("a", { class: "key", href: "paper", target: "_blank", rel: "noopener", onclick: (event) => {
  event.currentTarget.href = `paper#${what()}`;
} }, ...inside);
export const announce = (what) => document.dispatchEvent(new Event(what));
export const saying = (text) => el("p", { class: "said" }, text);
const box = (kind) => (...inside) => el("div", { class: kind }, ...inside);
export const stack = box("rows");
export const keys = box("keys");
export const sizes = box("sizes");
/** The boxes of fields that are named or listed. */
export const boxes = (fields) => Object.values(fields).map((one) => one.box);
export const pickList = (items) => el("ul", { class: "picks" }, items);
/** What stands in `node` now; what is no element is left out. */
export const refill = (node, ...inside) => node.replaceChildren(...inside.flat(2).filter(Boolean).map(held));
export const part = (name, ...inside) => el("section", {}, el("h2", {}, name), ...inside);
export const damaged = (reply) => listed(t`Damaged logs`, reply.damaged);
export const assumed = t`No scale is set up; the figures are for an assumed one of 0.01 g.`;
/** What there is of them, one after the other. */
export const joined = (...parts) => parts.filter(Boolean).join(", ");
/** A part of lines, none where there are none. */
export const listed = (name, items) => items.length ? part(name, lines(items)) : null;
export const g = (grams) => (grams == null ? "–" : `${figure(grams)} g`);
/** A time of the log, which is UTC, as the clock on the wall here shows it. */
export const day = (at) => {
  const then = new Date(at ?? NaN);
  return Number.isNaN(then.getTime()) ? at ?? "–" : `${dayOf(then)} ${timeOf(then)}`;
};

let ids = 0;
export function field(label, properties = {}, hint) {
  const id = `f${++ids}`;
  const input = el(properties.choices ? "select" : properties.rows ? "textarea" : "input", {
    id, autocomplete: "off", autocapitalize: "none", spellcheck: "false", ...properties, choices: null,
    "aria-describedby": hint ? `${id}-hint` : null,
  }, (properties.choices ?? []).map(([value, text]) => el("option", { value }, text)));
  // Else a year could have six digits.
  if (properties.type === "date") input.max = "9999-12-31";
  const box = el("p", { class: "field" }, el("label", { for: id }, label), input,
    hint ? el("small", { id: `${id}-hint` }, hint) : null);
  return { box, input, get value() { return input.value.trim(); } };
}

/** `kind` "wide stacks": on a phone each row is a list, with the heads before its cells. */
export function table(caption, heads, rows, kind = "wide") {
  const cell = (tag, inside, i) => el(tag, { class: heads[i].n ? "n" : null, scope: tag === "th" ? "col" : null, "data-head": tag === "td" ? heads[i].name : null }, inside ?? "");
  const line = (row) => row.over
    ? el("tr", { class: "phase" }, el("td", { colspan: heads.length }, row.over))
    : el("tr", { class: row.heed ? "heed" : null }, row.cells.map((inside, i) => cell("td", inside, i)));
  return el("div", { class: kind, tabindex: "0", role: "region", "aria-label": caption },
    el("table", {}, el("caption", { class: "unseen" }, caption),
      el("thead", {}, el("tr", {}, heads.map((head, i) => cell("th", head.name, i)))),
      el("tbody", {}, rows.map(line))));
}
export const h = (name) => ({ name });
export const n = (name) => ({ name, n: true });
export const small = (text) => text ? el("small", {}, text) : null;

const asTyped = new Map(); // what was sent, with what was typed
const read = (typed, is) => asTyped.set(is, typed) && is;
/** A number with the decimal point that bismar reads. Where the page has points, a comma before three digits may be anything
    and stays, to be refused; where it has commas, a point before three digits may be, and becomes one. */
export const dot = (text) => read(text, text.replace(/^([+-]?[0-9]*)([.,])([0-9]+)(?=\s*[a-z%]*$)/i, (all, whole, sign, rest) =>
  `${whole}${sign !== point && rest.length === 3 && !/^0?$/.test(whole) ? "," : "."}${rest}`));
/** A weight as the daemon takes it: grams where no unit is given. */
export const mass = (text) => read(text, /[0-9]$/.test(text) ? `${dot(text)}g` : dot(text));
/** What is said of what was typed quotes it as it was typed. */
export const quoted = (text) => text?.replace(/(["„“«]\s?)([^"“”»]+?)(?=\s?["“”»])/g, (all, mark, is) => mark + (asTyped.get(is) ?? is));

// ---- What is typed and not sent ----

const FIELDS = ".field :is(input:not([type=file]), textarea, select), .pick [type=radio]";
const typed = new WeakMap(); // what a person put into a field
document.addEventListener("input", ({ target }) => typed.set(target, target.value), true);
/** Whether that is a person's, and neither sent nor put there since by the page. */
export const isTyped = (field) => typed.get(field) === field.value && (field.type !== "radio" || field.checked);
/** A field by its label and by what the part is about that it stands in. */
const called = (one) => {
  const about = one.closest("section, details, .way");
  return [about?.dataset.about, about?.querySelector("h2, h3, summary")?.textContent, (one.labels?.[0] ?? one).textContent].join("\n");
};
/** What is typed in `node` is sent. */
export const sent = (node) => node.querySelectorAll(FIELDS).forEach((one) => typed.delete(one));
export const unsent = (node) => [...node.querySelectorAll(FIELDS)].filter(isTyped).map((one) => [called(one), one.value]);
/** Puts what was typed into the fields that are called so now. */
export function putBack(node, all = []) {
  const back = new Map(all);
  for (const one of back.size ? node.querySelectorAll(FIELDS) : []) {
    const { value } = one;
    const mine = back.get(called(one));
    if (mine === undefined || (one.type === "radio" && mine !== value)) continue;
    one.closest("details")?.setAttribute("open", "");
    if (one.type === "radio") one.click();
    else one.value = mine;
    // Of a choice that is no more nothing is left.
    if (one.value !== mine) one.value = value;
    else if (value === mine) typed.set(one, mine);
    else for (const kind of ["input", "change"]) one.dispatchEvent(new Event(kind, { bubbles: true }));
  }
}
/** Draws `node` anew; what is typed in it stays, and so does the keyboard's place. */
export function renew(node, ...inside) {
  const all = unsent(node);
  const at = node.contains(document.activeElement) ? called(document.activeElement) : null;
  refill(node, ...inside);
  putBack(node, all);
  if (at) [...node.querySelectorAll("input, textarea, select, button, a")].find((one) => called(one) === at)?.focus();
}

// ---- Asking ----

/** When the room could not be read; it is when the daemon is back. */
export const unread = { at: null };
const LOST = t`No answer from bismar. Look whether it runs, then try again.`;

/** The reply, or the reason why there is none as { error }. */
export async function get(path, body) {
  try {
    const { code, ok, reply } = await ask(path, body, SLOW);
    if (code === 401) announce("locked");
    return ok && reply?.ok ? reply : { ...reply, why: quoted(reply?.why), error: quoted(reply?.error) ?? t`bismar did not answer that (${code}).` };
  } catch (error) {
    // What is late and no more is not asked for again and again.
    if (!body && (!fresh(know.beat) || error.name === "TypeError")) unread.at = stamp();
    return { error: body ? t`No answer from bismar: it is not known whether that was taken.` : LOST };
  }
}
/** The reply that a room is made of; without it the room says why. */
export async function need(path) {
  const reply = await get(path);
  if (reply.error) throw reply;
  return reply;
}
export const question = (path, asked) => `${path}?${new URLSearchParams(asked)}`;

/** What is wrong with a day in `node` that is half typed: it would be sent as no day at all. */
export function halfTyped(node) {
  const half = [...node.querySelectorAll("input")].find(({ validity }) => validity.badInput || validity.rangeOverflow);
  half?.focus();
  return half && t`${half.labels[0].textContent}: that is no day yet. Type all of it, as the field shows it.`;
}

/** A button that sends `body()` once at a time; `then` gets a good reply. A second touch within a moment
    is the same touch. With `twice` the first touch only asks for the second. What is typed beside it is then sent, but not
    where it only `asks`. */
export function sends(words, path, body, then, { twice, asks } = {}) {
  const said = el("p", { class: "said", role: "alert" });
  let busy = false;
  let armed = null;
  let done = null;
  const label = el("span", {}, words);
  const key = button(async () => {
    if (busy || age(done) < BOUNCE) return;
    if (twice && !armed) {
      armed = stamp();
      write(label, twice);
      key.classList.add("armed");
      setTimeout(() => {
        armed = null;
        write(label, words);
        key.classList.remove("armed");
      }, 5000);
      return;
    }
    if (armed && age(armed) < BOUNCE) return;
    const half = halfTyped(key.closest("section, details, .way") ?? $("room-inside"));
    if (half) {
      write(said, half);
      return said.classList.add("wrong");
    }
    const wanted = body();
    if (!wanted) return;
    busy = true;
    key.setAttribute("aria-disabled", "true");
    said.textContent = "";
    const reply = await get(path, wanted);
    busy = false;
    done = stamp();
    key.removeAttribute("aria-disabled");
    write(said, reply.error ?? reply.say ?? "");
    if (!reply.error && !asks) sent(key.closest("section, details, .way") ?? $("room-inside"));
    said.classList.toggle("wrong", Boolean(reply.error));
    then?.(reply, said);
  }, label);
  return { key, said };
}
export const wrong = (text) => el("p", { class: "said wrong", role: "alert" }, text);

/** A key that keeps what is at `path()` as a file of the name. */
export function saves(words, path, name) {
  const said = el("span", { class: "said wrong", role: "alert" });
  const key = button(async () => {
    said.textContent = "";
    try {
      const answer = await fetched(path(), { limit: SLOW });
      if (!answer.ok) {
        write(said, ` ${(await answer.json()).error}`);
        return;
      }
      const href = URL.createObjectURL(await answer.blob());
      el("a", { href, download: name }).click();
      setTimeout(() => URL.revokeObjectURL(href), SLOW);
    } catch {
      said.textContent = ` ${LOST}`;
    }
  }, words);
  return el("span", {}, key, said);
}
