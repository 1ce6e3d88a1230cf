// What follows a batch: its label and declaration, where a lot went, a lot corrected.

import { figure, inBatch, kept, onDay, put, remember, remembered, t } from "./core.js";
import { announce, at, big, boxes, button, damaged, decimal, dot, el, field, g, get, go, h, halfTyped, isTyped, keys, lines, link, listed, mass, n, need, onPage, p, part, question, refill, renew, saves, sends, sent, sizes, small, stack, status, table, wrong } from "./make.js";

const LAWS = [["eu", t`European Union`], ["us", t`United States`], ["ca", t`Canada`]];

// What helps where the label lacks something, as it is done on this page.
const HELP = {
  responsible: t`write it below, at “Who answers for it”`,
  "net-contents": t`write it above, at “Grams in one package”`,
  durability: t`write below how long it keeps, as your own tests tell`,
  precautions: t`where it needs any, write them below`,
  function: t`write below what it is`,
  inci: t`write the INCI name into the formula`,
};
const STATES = { there: "✓", missing: t`Missing`, "not-known": t`You know` };

/** The label of a batch: what it says and lacks, the list of what is in it, labels to print. */
export async function label(name) {
  if (!name) return [p(t`Choose a batch first.`), link("batches", t`Batches`)];
  const rules = field(t`Sold in`, { choices: LAWS, onchange: () => { remember(kept, "bismar-rules", rules.value); draw(); } });
  rules.input.value = remembered(kept, "bismar-rules") ?? "";
  const net = field(t`Grams in one package`, { ...decimal, onchange: () => draw() }, t`empty: the lightest jar, or as planned`);
  const which = field(t`Net weight on the labels`, { choices: [["", t`The lightest jar’s`], ["true", t`Each jar its own`]] });
  const text = field(t`Names and label texts from`, { choices: [["", t`The formula as it was weighed`], ["true", t`The formula as it is now`]], onchange: () => draw() });
  const box = stack();
  const asked = () => ({ batch: name, rules: rules.value, ...(net.value && { net: mass(net.value) }), ...(text.value && { as_now: "true" }) });
  const onPaper = () => ({ ...asked(), ...(which.value && !which.box.hidden && { each_jar: "true" }) });
  // Its fields are made anew only where what stands in the files is another.
  let typing = { of: null };
  const beside = (reply, again) => {
    const of = JSON.stringify([reply.formula, reply.responsible, reply.no_formula, inBatch()]);
    if (of !== typing.of) typing = { of, parts: besides(reply, again) };
    return typing.parts;
  };
  let turn = 0;
  const draw = async (said, first) => {
    const mine = ++turn;
    const reply = first ?? await get(question("/label", asked()));
    if (mine !== turn) return;
    if (reply.error) return void box.replaceChildren(wrong(reply.error));
    rules.input.value = reply.rules;
    which.box.hidden = reply.jars === 0 || Boolean(net.value);
    text.box.hidden = !reply.formula?.changed;
    renew(box, labelled(reply, onPaper, beside(reply, (words, newer) => { if (newer) text.input.value = "true"; draw(words); })));
    if (said) box.prepend(status(said));
  };
  text.box.hidden = which.box.hidden = true;
  // What has no label has no fields for one.
  const first = await get(question("/label", asked()));
  if (first.error) return [wrong(first.error), link("batches", t`Batches`)];
  await draw("", first);
  return [sizes(boxes([rules, net, which, text])), box, link(at("batches", name), t`Record of the batch`)];
}

function labelled(reply, onPaper, beside) {
  const file = (kind) => `${reply.batch}-${kind}`;
  const rows = reply.points.map(({ what, state, says, help }) => ({ heed: state === "missing", cells: [STATES[state] ?? state,
    [el("b", {}, what), el("br"), says, state !== "there" && HELP[help] ? small(HELP[help]) : null]] }));
  const lacks = reply.points.filter((one) => one.state === "missing").map((one) => one.what);
  const { allergens } = reply;
  const free = reply.lines.some((line) => line.any_order);
  return [
    reply.incomplete.length ? lines(reply.incomplete.map((why) => t`NOT COMPLETE: ${why}.`), "lines heed") : null,
    big(lacks.length ? t`The label of ${reply.product} lacks: ${lacks.join(", ")}.`
      : reply.incomplete.length ? t`The label of ${reply.product} is not to be relied on: its ingredients are not complete.`
      : t`Nothing that bismar knows of is missing on the label of ${reply.product}.`),
    reply.unproven ? lines([reply.unproven], "lines heed") : null,
    reply.looked_into ? link("papers", t`Suppliers’ papers`) : null,
    keys(
      onPage(() => question("labels", onPaper()), t`Labels to print`),
      saves(t`Keep the labels`, () => question("/labels", onPaper()), file("labels.html")),
      saves(t`Keep the declaration`, () => question("/declaration", onPaper()), file("declaration.txt"))),
    part(t`Ingredients, for the label`, el("p", { class: "names" }, reply.names)),
    part(t`What the label has and lacks`, table(t`What the label has and lacks`, [h(t`State`), h(t`What is asked for`)], rows), p(`${reply.law}. ${reply.standing}`)),
    ...beside,
    reply.cautions.length ? part(t`Cautions`, lines(reply.cautions), p(reply.cautions_standing)) : null,
    part(t`What is in it`, table(t`What is in it`, [h(t`INCI name`), n("g"), n("%")], reply.lines.map((line) => ({
      cells: [[line.inci, line.any_order ? small(t`any order`) : null], figure(line.grams), figure(line.percent)] }))),
      free ? p(t`“Any order”: ${reply.any_order}.`) : null),
    allergens ? part(t`Fragrance allergens`, p(t`Named above ${allergens.above} (Regulation 1223/2009, Annex III, with (EU) 2023/1545).`),
      allergens.found.length ? table(t`Fragrance allergens`, [h(t`Name`), n("%")], allergens.found.map((one) => ({
        cells: [[one.name, small(one.named ? t`named on the label` : t`below`)], figure(one.percent)] }))) : p(allergens.told)) : null,
    p(reply.note),
    listed(t`To heed`, reply.warnings),
    damaged(reply),
  ];
}

/** What no weighing tells, to be written down once. */
function besides(reply, again) {
  const who = field(t`Who answers for it`, { value: reply.responsible ?? "" }, t`name and address, as on each label`);
  const answers = sends(t`Write it down`, "/responsible", () => ({ responsible: who.value }), (answer) => { if (!answer.error) again(answer.say); });
  const { formula } = reply;
  const texts = formula && {
    function: field(t`What it is`, { value: formula.facts.function }, t`bath soak`),
    precautions: field(t`Precautions`, { rows: 3 }, t`warnings and directions, in your words`),
    keeps_months: field(t`Keeps, months`, { inputmode: "numeric", value: formula.facts.keeps_months }, t`from the day it was made, as your own tests tell`),
    after_opening_months: field(t`Once opened, months`, { inputmode: "numeric", value: formula.facts.after_opening_months }),
  };
  if (texts) texts.precautions.input.value = formula.facts.precautions;
  const written = texts && sends(t`Write them into the formula`, "/formula-label", () => ({
    file: formula.file, facts: Object.fromEntries(Object.entries(texts).map(([key, one]) => [key, one.value])),
  }), (answer) => { if (!answer.error) again(answer.say, true); });
  return [
    part(t`What no weighing tells`, texts
      ? [sizes(boxes(texts)), written.key, written.said]
      : p([reply.no_formula ? t`The formula of this batch is not found among yours: ${reply.no_formula}.` : t`The formula of this batch is not found among yours.`, t`What it says of the label is in the record.`].join(" "))),
    part(t`Who answers for it`, inBatch() ? p(`${reply.responsible ?? t`Not written down yet`}. ${t`It is changed when no batch is under way.`}`)
      : [sizes(who.box), answers.key, answers.said]),
  ];
}

// ---- What suppliers' papers say ----

export async function papers() {
  const reply = await need("/papers");
  const of = field(t`Ingredient, by its INCI name or as the formulas name it`, { list: "of-papers", required: true });
  const lot = field(t`Of one lot alone`, {}, t`from its certificate; empty: of every lot`);
  const fields = {
    constituents: field(t`What is in it`, { rows: 6 }, t`one a line, with its percent: Linalool 38`),
    leave_on: field(t`At most where it stays on the skin, %`, decimal),
    rinse_off: field(t`At most where it is rinsed off, %`, decimal),
    source: field(t`Where that is written`),
  };
  // Of a name that is in the list already it shows what is known.
  const show = () => {
    const mine = (one) => one.name.toLowerCase() === of.value.toLowerCase();
    const one = reply.papers.find((one) => mine(one) && one.lot === lot.value) ?? reply.papers.find(mine);
    if (!one) return;
    for (const [key, { input }] of Object.entries(fields)) if (!isTyped(input)) input.value = key === "constituents" && one.lot !== lot.value ? "" : one[key];
  };
  for (const { input } of [of, lot]) input.addEventListener("change", show);
  const write = sends(t`Write it down`, "/papers", () => ({ name: of.value, lot: lot.value,
    ...Object.fromEntries(Object.entries(fields).map(([key, { value }]) => [key, key === "constituents" || key === "source" ? value : dot(value)])) }), async (answer) => {
    if (answer.error) return;
    reply.papers = (await need("/papers")).papers;
    draw();
  });
  const known = stack();
  const draw = () => refill(known, listed(t`Known`, reply.papers.map((one) => {
    const name = one.lot ? t`${one.name}, lot ${one.lot}` : one.name;
    return one.constituents ? t`${name}: ${one.constituents.replaceAll("\n", ", ")}` : name;
  })));
  draw();
  return [
    p(t`Write down what the supplier’s papers say: limits and the label’s allergens are reckoned from it, and nothing is guessed.`),
    el("datalist", { id: "of-papers" }, [...new Set(reply.known)].map((value) => el("option", { value }))),
    of.box, sizes(lot.box, boxes(fields)), write.key, write.said, known, link("formulas", t`All formulas`)];
}

// ---- Where it went ----

export const traceOf = (name) => at("trace", name);

/** Both ways: what took from a lot or batch, and what a batch is made of. */
export async function trace(name) {
  const wanted = field(t`Lot or batch`, { value: name, required: true }, t`as it stands on the package, or in the record`);
  const ask = el("form", { class: "sizes", onsubmit: (event) => {
    event.preventDefault();
    sent(ask);
    if (wanted.value) location.hash = `#/${traceOf(wanted.value)}`;
  } }, wanted.box, el("button", { class: "key", type: "submit" }, t`Show where it went`));
  if (!name) return [ask];
  const box = stack();
  const draw = async (ingredient) => {
    const reply = await get(question("/trace", { name, ingredient }));
    refill(box, reply.error ? wrong(reply.error) : reply.unused ? [lines(reply.unused), damaged(reply)] : traced(reply, ingredient, draw));
  };
  await draw("");
  return [ask, box];
}

function traced(reply, ingredient, draw) {
  const inside = (depth) => (depth ? { class: `in${Math.min(depth, 3)}` } : {});
  const to = (name) => go(traceOf(name), name);
  const batches = reply.batches === 1 ? t`1 batch` : t`${reply.batches} batches`;
  const jars = !reply.jars ? "" : reply.jars === 1 ? t`1 filled jar` : t`${reply.jars} filled jars`;
  const only = field(t`Only as the lot of`, { choices: [["", t`each ingredient`], ...reply.ingredients.map((one) => [one, one])], onchange: () => draw(only.value) });
  only.input.value = ingredient;
  return [
    lines(reply.alike, "lines heed"),
    reply.ingredients.length > 1 ? only.box : null,
    reply.reached.length ? part(jars ? t`${reply.name} went into ${batches} and ${jars}` : t`${reply.name} went into ${batches}`, table(t`What ${reply.name} went into`, [h(t`Batch and jars`), h(t`As`), n("g")], reply.reached.map((step) => ({ cells: [
      el("div", inside(step.depth), go(at("batches", step.batch), step.batch), small(step.jars === "-" ? t`no jars` : step.jars)),
      [`${step.step}. ${step.ingredient}`, small(t`from lot ${step.lot}`)],
      [figure(step.net), step.reached ? small(t`${figure(step.reached)} reached it`) : null]] })))) : null,
    reply.made_of ? part(t`What ${reply.name} is made of`, reply.made_of.length ? table(t`What ${reply.name} is made of`, [h(t`Lot`), h(t`As`), n("g")], reply.made_of.map((step) => ({ cells: [
      el("div", inside(step.depth), to(step.lot)), [step.ingredient, small(t`step ${step.step} of ${step.batch}`)], figure(step.net)] })))
      : p(t`It names no lot.`), lines(reply.told, "lines heed"), link(at("batches", reply.name), t`Record of the batch`)) : null,
    reply.made_of && !reply.reached.length ? p(t`No other batch took from ${reply.name}.`) : null,
    damaged(reply),
  ];
}

// ---- A lot corrected ----

export const lotAt = (lot) => at("lots", JSON.stringify([lot.lot, lot.ingredient]));
const ALL_LOTS = t`All lots`;

let corrected = ""; // what is said once the lot is read anew

/** One lot of the list: what is known of it, where it went; corrected and taken out by a line below it. */
export async function lot(arg) {
  let wanted = [];
  try { wanted = JSON.parse(arg); } catch { /* as it was typed */ }
  const [name, ingredient] = Array.isArray(wanted) ? wanted : [];
  put("room-title", t`Lot ${name ?? arg}`);
  const reply = await need("/store");
  const one = reply.lots.find((lot) => lot.lot === name && lot.ingredient === ingredient);
  const said = corrected ? status(corrected) : null;
  corrected = "";
  if (!one) return [said ?? wrong(t`That lot is not in the list any more.`), link("lots", ALL_LOTS)];
  return [
    said,
    big(t`${one.ingredient}: ${one.left == null ? t`how much is left is not known` : t`${g(one.left)} left`}`),
    one.refused ? lines([one.refused], "lines heed") : null,
    lines(one.corrected.map(({ on, reason }) => t`Corrected ${onDay(on)}: ${reason}`)),
    keys(link(traceOf(one.lot), t`Where it went`), link("lots", ALL_LOTS)),
    one.listed ? correcting(one) : p(t`It is a batch of yours; its record tells all of it.`),
  ];
}

export const lotFields = (told = {}) => ({
  amount: field(t`Amount`, { ...decimal, value: figure(told.amount) }, t`grams, or with a unit: 5 kg`),
  best_before: field(t`Best before`, { type: "date", value: told.best_before }),
  supplier: field(t`Supplier`, { value: told.supplier }),
  opened: field(t`Opened on`, { type: "date", value: told.opened }),
  price_per_kg: field(t`Price of a kilogram`, { ...decimal, value: figure(told.price_per_kg) }, t`12.50, without a currency`),
});
/** What stands in fields of a lot, as bismar reads it. */
export const typed = (fields) => Object.fromEntries(Object.entries(fields).map(([name, { value }]) => [name,
  name === "amount" && value ? mass(value) : name === "price_per_kg" ? dot(value) : value]));

/** Shows what a correction would change; a second key writes it. */
function correcting(one) {
  const fields = lotFields(one.told);
  const reason = field(t`Why`, { required: true }, t`the list keeps the reason, and its old lines`);
  const out = el("div", { class: "rows", "aria-live": "polite" });
  const body = (remove, write) => {
    return { is: { lot: one.lot, ingredient: one.ingredient, ...typed(fields) }, remove, reason: reason.value, write };
  };
  let turn = 0;
  const shows = (remove) => async () => {
    const mine = ++turn;
    const half = halfTyped(form);
    if (half) return void out.replaceChildren(wrong(half));
    // What was shown is what is written, whatever is typed meanwhile.
    const asked = body(remove, true);
    const reply = await get("/lot-change", { ...asked, write: false });
    if (mine !== turn) return;
    if (reply.error) return void out.replaceChildren(wrong(reply.error));
    const { key, said } = sends(remove ? t`Take it out` : t`Write the correction`, "/lot-change", () => asked, (answer) => {
      if (answer.error) return;
      corrected = answer.say;
      announce("anew");
    });
    key.classList.add("main");
    out.replaceChildren(part(t`What changes`, lines(reply.words), key, said));
  };
  const form = sizes(boxes(fields), reason.box);
  form.addEventListener("input", () => { turn += 1; out.replaceChildren(); });
  return part(t`Correct it, or take it out`, form,
    keys(button(shows(false), t`Show the correction`), button(shows(true), t`Show it taken out`)), out);
}
