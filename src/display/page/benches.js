// All benches at a glance. Nothing is pressed here: it tells where somebody is wanted.

import { $, dayOf, figure, fresh, know, number, put, t, timeOf, unsigned, write } from "./core.js";
import { attend, isIn, listen, stream } from "./door.js";

let all = null; // what was told last
let clock = null; // the moment by the gatherer's clock, whatever the time is here
let wanted = null; // who waited, or was silent, when it was last said aloud

function load() {
  if (!stream) listen();
}

function take(event) {
  isIn(true);
  all = event;
  paint();
}

function time(text) {
  const at = new Date(text);
  return dayOf(at) === dayOf(new Date(clock)) ? timeOf(at) : `${dayOf(at)}, ${timeOf(at)}`;
}
function ago(text) {
  const seconds = Math.max(0, Math.round((new Date(clock) - new Date(text)) / 1000));
  if (seconds < 100) return t`${seconds} s`;
  if (seconds < 6000) return t`${Math.round(seconds / 60)} min`;
  return seconds < 172800 ? t`${Math.round(seconds / 3600)} h` : t`${Math.round(seconds / 86400)} days`;
}

function state({ stands, since, hangs }) {
  const at = since && time(since);
  switch (stands) {
    case "waits": return t`Waits for a person since ${at} (${ago(since)})`;
    case "silent":
      if (hangs) return t`Its daemon has not answered since ${at} (${ago(since)})`;
      return since ? t`Silent, last heard at ${at} (${ago(since)} ago)` : t`Silent, not heard of yet`;
    case "works": return t`At work`;
    case "off": return since ? t`Ended at ${at}` : t`Ended`;
    default: return t`No batch`;
  }
}

/** The sentence of the bench; the amount that it begins with is that of now. */
function sentence({ told, missing }) {
  if (!told) return "";
  if (!told.lead || missing == null) return told.say;
  const fits = told.kind === "take-out" ? number(missing) < 0 : number(missing) > 0;
  return fits ? `${figure(unsigned(missing))} g ${told.say.slice(told.lead)}` : told.say.slice(told.lead);
}

function amount({ holds, asks, next }) {
  if (!asks || next) return "";
  return holds == null ? t`${figure(asks)} g asked for` : t`${figure(holds)} g of ${figure(asks)} g`;
}

function notes({ stands, trouble, refused, behind }) {
  const of = refused && [refused.log, refused.row ? t`row ${refused.row}` : ""].filter(Boolean).join(", ");
  return [
    // Of a bench that is not heard it is not known whether it still is so.
    stands === "silent" || stands === "off" ? null : trouble,
    refused && (of ? t`Refused at ${time(refused.at)}, ${of}: ${refused.why}` : t`Refused at ${time(refused.at)}: ${refused.why}`),
    behind === 1 ? t`Rows of one log are still to come` : behind > 1 ? t`Rows of ${behind} logs are still to come` : null,
  ].filter(Boolean).join("\n");
}

function last({ finished }) {
  if (!finished) return "";
  const { formula, batch, at, complete } = finished;
  const when = at ? time(at) : "";
  return complete ? t`Finished last: ${formula}, ${batch}, ${when}` : t`Ended last, not complete: ${formula}, ${batch}, ${when}`;
}

const PARTS = ["state", "what", "step", "amount", "say", "note", "last"];
const cards = new Map();
function card(name) {
  const made = cards.get(name);
  if (made) return made;
  const item = document.createElement("li");
  item.className = "bench";
  const title = document.createElement("h2");
  write(title, name);
  item.append(title);
  for (const part of PARTS) {
    const line = document.createElement("p");
    line.className = part;
    item.append(line);
  }
  cards.set(name, item);
  return item;
}

function paintCard(bench) {
  const item = card(bench.name);
  // Of a bench that is not heard nothing is told as if it were of now.
  const live = bench.stands === "waits" || bench.stands === "works";
  const step = bench.step == null || !bench.ingredient ? "" : t`${bench.step} of ${bench.of}, ${bench.ingredient}`;
  const lines = {
    state: state(bench),
    what: !bench.formula ? "" : bench.batch ? t`${bench.formula}, batch ${bench.batch}` : bench.formula,
    step: step && bench.next ? t`Next: ${step}` : step,
    amount: live ? amount(bench) : "",
    say: live ? sentence(bench) : "",
    note: notes(bench),
    last: last(bench),
  };
  item.dataset.stands = bench.stands;
  for (const part of PARTS) write(item.querySelector(`.${part}`), lines[part]);
  item.querySelector(".say").classList.toggle("urgent", Boolean(bench.told?.urgent));
  return item;
}

function sum(benches) {
  const count = (stands) => benches.filter((bench) => bench.stands === stands).length;
  return [
    [count("waits"), t`waiting for a person`], [count("silent"), t`silent`], [count("works"), t`at work`],
    [count("idle"), t`without a batch`], [count("off"), t`ended`],
  ].filter(([many]) => many).map(([many, words]) => `${many} ${words}`).join(", ");
}

/** Read aloud: who newly waits, or fell silent. */
function speak(benches) {
  const now = new Map(benches.filter(({ stands }) => stands === "waits" || stands === "silent").map((bench) => [bench.name, bench.stands]));
  const news = benches.filter(({ name, stands }) => now.has(name) && wanted && wanted.get(name) !== stands);
  if (news.length) put("polite", news.map((bench) => [bench.name, state(bench), sentence(bench)].filter(Boolean).join(": ")).join("\n"));
  wanted = now;
}

function paint() {
  document.body.dataset.view = know.door ? "door" : all ? "inside" : "wait";
  if (know.door) return;
  const lost = know.in && !fresh(know.beat) && !fresh(know.opened);
  const heed = [];
  if (lost) heed.push(t`The page has lost the gatherer. Look whether “bismar gather” runs and the network is there; the page tries again.`);
  if (!all) {
    put("sum", t`Looking for bismar.`);
    return put("heed", heed.join("\n"));
  }
  if (all.unreached) heed.push(t`The gatherer has not reached the broker since ${time(all.unreached)} (${ago(all.unreached)}).`);
  const old = lost || Boolean(all.unreached);
  if (old) heed.push(t`What stands below is what was known last.`);
  if (all.fault) heed.push(t`Rows cannot be written: ${all.fault}`);
  put("heed", heed.join("\n"));
  $("cards").classList.toggle("old", old);
  put("sum", sum(all.benches));
  const items = all.benches.map(paintCard);
  const list = $("cards");
  items.forEach((item, n) => {
    if (list.children[n] !== item) list.insertBefore(item, list.children[n] ?? null);
  });
  while (list.children.length > items.length) list.lastChild.remove();
  speak(all.benches);
  const waits = all.benches.filter((bench) => bench.stands === "waits").length;
  const title = waits ? t`${waits} waiting – bismar` : t`All benches – bismar`;
  if (document.title !== title) document.title = title;
}

attend({ load, take, beat: (at) => { clock = at; }, paint, entered: paint });
