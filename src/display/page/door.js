// The door of every page, and the events that come through it: those of a bench, and of a workshop.

import { $, age, ask, fetched, know, letIn, put, stamp, t, wasLetIn } from "./core.js";

const DEAF = 5000; // ms without a beat after which the stream is opened anew

export let stream = null;
let key = null; // from the address, until the daemon has answered
let unopened = null; // why that opened nothing; who is in already is in all the same
let page = null; // what is behind the door

async function enter(word) {
  let answer;
  try {
    answer = await ask("/enter", { key: word });
  } catch {
    return { unreached: true, say: t`The page cannot reach bismar.` };
  }
  if (answer.ok && answer.reply?.session) {
    letIn(answer.reply.session);
    // Until the first answer bismar counts as just heard of, not as lost.
    Object.assign(know, { in: true, door: false, opened: stamp() });
    return null;
  }
  return { say: answer.reply?.error ?? t`bismar did not take the key (${answer.code}).` };
}

function takeKey() {
  const raw = location.hash.slice(1);
  // "#/..." names a room; a key has no stroke in it.
  if (!raw || raw.startsWith("/")) return;
  try { key = decodeURIComponent(raw); } catch { key = raw; }
  // The key must not stay in the address, where a picture of the screen or the history shows it.
  history.replaceState(null, "", location.pathname);
}

async function begin() {
  if (key !== null) {
    const word = key;
    const error = await enter(word);
    if (error?.unreached) return void setTimeout(begin, 1000);
    if (key === word) key = null;
    unopened = error?.say ?? null;
  }
  await page.load();
}

/** Nobody is let in any more; `error` says why. */
export function openDoor(error) {
  stream?.abort();
  stream = null;
  Object.assign(know, { in: false, door: true });
  put("door-said", error ?? "");
  page.paint();
  $("key").focus();
}

/** The daemon answers this browser, or does not let it in. */
export function isIn(yes) {
  if (!yes) return openDoor(unopened);
  know.in = true;
  unopened = null;
}

/** Follows the events (WHATWG HTML, 9.2.6) until they end. The browser's own way sends no header. */
export async function listen() {
  stream?.abort();
  const mine = stream = new AbortController();
  know.opened = stamp();
  try {
    const answer = await fetched("/events", { signal: mine.signal });
    if (stream !== mine) return;
    if (answer.status === 401) return isIn(false);
    if (!answer.ok) throw new Error(answer.statusText);
    know.opened = stamp();
    page.load();
    const read = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    let rest = "";
    for (;;) {
      const { done, value } = await read.read();
      if (done || stream !== mine) break;
      const blocks = (rest + value).split("\n\n");
      rest = blocks.pop();
      for (const block of blocks) heard(block);
    }
  } catch { /* asked for again below */ }
  if (stream !== mine) return;
  stream = null;
  setTimeout(page.load, 1000);
}

function heard(block) {
  const lines = block.split("\n");
  const data = lines.filter((line) => line.startsWith("data: ")).map((line) => line.slice(6));
  if (!data.length) return;
  know.beat = stamp();
  if (lines.includes("event: beat")) return page.beat?.(data[0]);
  let event;
  try { event = JSON.parse(data.join("\n")); } catch { return; }
  page.take(event);
}

/** Begins what is `behind` the door: it loads, takes events, paints, and hears who came in. */
export function attend(behind) {
  page = behind;
  $("door").addEventListener("submit", async (event) => {
    event.preventDefault();
    const error = await enter($("key").value.trim());
    put("door-said", !error ? "" : error.unreached ? t`${error.say} Try again.` : error.say);
    if (error) return $("key").select();
    $("key").value = "";
    await page.load();
    page.entered();
  });
  // Another tab of this page has the key: this one needs none.
  addEventListener("storage", async (event) => {
    if (!know.door || !wasLetIn(event)) return;
    know.door = false;
    await page.load();
    page.entered();
  });
  addEventListener("hashchange", () => {
    takeKey();
    if (key !== null) begin();
    else page.entered();
  });
  // The watch: turns numbers into a dash when they grow old, moves the clock, mends a deaf stream.
  setInterval(() => {
    if (know.in && !know.door && stream && age(know.beat) > DEAF && age(know.opened) > DEAF) listen();
    page.paint();
  }, 100);
  // A browser calls https and this machine's own address secure, and nothing else.
  for (const said of document.querySelectorAll(".readable")) said.hidden = window.isSecureContext;
  takeKey();
  begin().then(() => { if (know.in) page.entered(); });
}
