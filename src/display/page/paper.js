// A batch sheet, the labels of a batch, or a formula's card, in a tab of its own: fetched as who is let in, since an address alone opens nothing, and put in
// the place of this page, so that it is printed and read anew as any page is.

import { fetched, held, put, t } from "./core.js";

/** The batch's sheet, its labels as `labels?QUESTION`, or the card of a formula for so many grams: `formula/FILE/GRAMS`. */
function asked() {
  if (location.hash.startsWith("#labels?")) return `/${location.hash.slice(1)}`;
  let parts = location.hash.slice(1).split("/");
  try { parts = parts.map(decodeURIComponent); } catch { /* as it was typed */ }
  if (parts[0] !== "formula" || parts.length < 2) return `/sheet?${new URLSearchParams({ batch: parts.join("/") })}`;
  return `/formula-card?${new URLSearchParams({ file: parts[1], batch: parts[2] ?? "" })}`;
}

async function read() {
  const answer = await fetched(asked(), { limit: 10000 });
  const text = await answer.text();
  if (answer.ok) return text;
  if (answer.status === 401) throw new Error(t`This browser is not let in. Open the bench in it with the key, then this sheet again.`);
  let why = t`bismar did not answer that (${answer.status}).`;
  try { why = JSON.parse(text).error ?? why; } catch { /* said by the status alone */ }
  throw new Error(why);
}

try {
  const sheet = new DOMParser().parseFromString(await read(), "text/html");
  // It has none of these but a policy, and this page's policy stands already.
  for (const node of sheet.querySelectorAll("script, meta[http-equiv], base, link, form, iframe, object, embed")) node.remove();
  const texts = sheet.createTreeWalker(sheet.body, NodeFilter.SHOW_TEXT);
  // The formula's own text stays as it is in the log.
  for (let one = texts.nextNode(); one; one = texts.nextNode()) if (!one.parentElement.closest("pre")) one.data = held(one.data);
  document.documentElement.replaceWith(document.adoptNode(sheet.documentElement));
} catch (error) {
  put("paper-said", error.name === "Error" ? error.message : t`No answer from bismar. Look whether it runs, then load this again.`);
}
