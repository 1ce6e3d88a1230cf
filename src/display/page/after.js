// What follows a batch: its label and declaration, where a lot went, a lot corrected.

import { inBatch, kept, put, remember, remembered } from "./core.js";
import { at, big, boxes, button, dot, el, field, g, get, go, h, keys, lines, link, listed, mass, n, p, part, question, refill, saves, sends, sizes, stack, table, wrong } from "./make.js";

const LAWS = [["eu", "European Union"], ["us", "United States"], ["ca", "Canada"]];

// What helps where the label lacks something, as it is done on this page.
const HELP = {
  responsible: "write it below, at “Who answers for it”",
  "net-contents": "write it above, at “Grams in one package”",
  durability: "write below how long it keeps, as your own tests tell",
  precautions: "where it needs any, write them below",
  function: "write below what it is",
  inci: "write the INCI name into the formula",
};
const STATES = { there: "✓", missing: "Missing", "not-known": "You know" };

/** The label of a batch: what it says and lacks, the list of what is in it, labels to print. */
export async function label(name) {
  if (!name) return [p("Choose a batch first."), link("batches", "Batches")];
  const rules = field("Sold in", { choices: LAWS, onchange: () => { remember(kept, "bismar-rules", rules.value); draw(); } });
  rules.input.value = remembered(kept, "bismar-rules") ?? "eu";
  const net = field("Grams in one package", { inputmode: "decimal", onchange: () => draw() }, "empty: the lightest jar, or as planned");
  const which = field("Net weight on the labels", { choices: [["", "The lightest jar’s"], ["true", "Each jar its own"]], onchange: () => draw() });
  const text = field("Names and label texts from", { choices: [["", "The formula as it was weighed"], ["true", "The formula as it is now"]], onchange: () => draw() });
  const box = stack();
  const asked = () => ({ batch: name, rules: rules.value, ...(net.value && { net: mass(net.value) }), ...(text.value && { as_now: "true" }) });
  const onPaper = () => ({ ...asked(), ...(which.value && !which.box.hidden && { each_jar: "true" }) });
  let turn = 0;
  const draw = async (said) => {
    const mine = ++turn;
    const reply = await get(question("/label", asked()));
    if (mine !== turn) return;
    if (reply.error) return void box.replaceChildren(wrong(reply.error));
    which.box.hidden = reply.jars === 0 || Boolean(net.value);
    text.box.hidden = !reply.formula?.changed;
    refill(box, labelled(reply, onPaper, (words, newer) => { if (newer) text.input.value = "true"; draw(words); }));
    if (said) box.prepend(el("p", { class: "said", role: "status" }, said));
  };
  text.box.hidden = which.box.hidden = true;
  await draw();
  return [sizes(boxes([rules, net, which, text])), box, link(at("batches", name), "Record of the batch")];
}

function labelled(reply, onPaper, again) {
  const file = (kind) => `${reply.batch}-${kind}`;
  const rows = reply.points.map(({ what, state, says, help }) => ({ heed: state === "missing", cells: [STATES[state] ?? state,
    [el("b", {}, what), el("br"), [says, state !== "there" && HELP[help]].filter(Boolean).join("; ")]] }));
  const lacks = reply.points.filter((one) => one.state === "missing").map((one) => one.what);
  const { allergens } = reply;
  const free = reply.lines.some((line) => line.any_order);
  return [
    reply.incomplete.length ? lines(reply.incomplete.map((why) => `NOT COMPLETE: ${why}.`), "lines heed") : null,
    big(lacks.length ? `The label of ${reply.product} lacks: ${lacks.join(", ")}.` : `Nothing that bismar knows of is missing on the label of ${reply.product}.`),
    el("div", { class: "keys" },
      el("a", { class: "key", href: `paper#${question("labels", onPaper())}`, target: "_blank", rel: "noopener" }, "Labels to print"),
      saves("Keep the labels", () => question("/labels", onPaper()), file("labels.html")),
      saves("Keep the declaration", () => question("/declaration", onPaper()), file("declaration.txt"))),
    part("Ingredients, for the label", el("p", { class: "names" }, reply.names)),
    part("What the label has and lacks", table("What the label has and lacks", [h("State"), h("What is asked for")], rows), p(`${reply.law}. ${reply.standing}`)),
    ...besides(reply, again),
    reply.cautions.length ? part("Cautions", lines(reply.cautions), p(reply.cautions_standing)) : null,
    part("What is in it", table("What is in it", [h("INCI name"), n("g"), n("%")], reply.lines.map((line) => ({
      cells: [[line.inci, line.any_order ? el("small", {}, "any order") : null], line.grams, line.percent] }))),
      free ? p(`“Any order”: ${reply.any_order}.`) : null),
    allergens ? part("Fragrance allergens", p(`Named above ${allergens.above} (Regulation 1223/2009, Annex III, with (EU) 2023/1545).`),
      allergens.found.length ? table("Fragrance allergens", [h("Name"), n("g"), n("%")], allergens.found.map((one) => ({
        cells: [[one.name, el("small", {}, one.named ? "named on the label" : "below")], one.grams, one.percent] }))) : p("None by what is known.")) : null,
    p(reply.note),
    reply.warnings.length ? part("To heed", lines([...reply.warnings, reply.looked_into].filter(Boolean))) : null,
    listed("Damaged logs", reply.damaged),
  ];
}

/** What no weighing tells, to be written down once. */
function besides(reply, again) {
  const who = field("Who answers for it", { value: reply.responsible ?? "" }, "name and address, as on each label");
  const answers = sends("Write it down", "/responsible", () => ({ responsible: who.value }), (answer) => { if (!answer.error) again(answer.say); });
  const { formula } = reply;
  const texts = formula && {
    function: field("What it is", { value: formula.facts.function }, "bath soak"),
    precautions: field("Precautions", { rows: 3 }, "warnings and directions, in your words"),
    keeps_months: field("Keeps, months", { inputmode: "numeric", value: formula.facts.keeps_months }, "from the day it was made, as your own tests tell"),
    after_opening_months: field("Once opened, months", { inputmode: "numeric", value: formula.facts.after_opening_months }),
  };
  if (texts) texts.precautions.input.value = formula.facts.precautions;
  const written = texts && sends("Write them into the formula", "/formula-label", () => ({
    file: formula.file, facts: Object.fromEntries(Object.entries(texts).map(([key, one]) => [key, one.value])),
  }), (answer) => { if (!answer.error) again(answer.say, true); });
  return [
    part("What no weighing tells", texts
      ? [sizes(boxes(texts)), written.key, written.said]
      : p(`The formula of this batch is not found among yours${reply.no_formula ? `: ${reply.no_formula}` : ""}. What it says of the label is in the record.`)),
    part("Who answers for it", inBatch() ? p(`${reply.responsible ?? "Not written down yet"}. It is changed when no batch is under way.`)
      : [sizes(who.box), answers.key, answers.said]),
  ];
}

// ---- Where it went ----------------------------------------------------------------------------

export const traceOf = (name) => at("trace", name);

/** Both ways: what took from a lot or batch, and what a batch is made of. */
export async function trace(name) {
  const wanted = field("Lot or batch", { value: name, required: true }, "as it stands on the package, or in the record");
  const ask = el("form", { class: "sizes", onsubmit: (event) => {
    event.preventDefault();
    if (wanted.value) location.hash = `#/${traceOf(wanted.value)}`;
  } }, wanted.box, el("button", { class: "key", type: "submit" }, "Show where it went"));
  if (!name) return [ask];
  const box = stack();
  const draw = async (ingredient) => {
    const reply = await get(question("/trace", { name, ingredient }));
    refill(box, reply.error ? wrong(reply.error) : traced(reply, ingredient, draw));
  };
  await draw("");
  return [ask, box];
}

function traced(reply, ingredient, draw) {
  const inside = (depth) => (depth ? { class: `in${Math.min(depth, 3)}` } : {});
  const to = (name) => go(traceOf(name), name);
  const batches = `${reply.batches} ${reply.batches === 1 ? "batch" : "batches"}`;
  const jars = reply.jars ? ` and ${reply.jars} filled ${reply.jars === 1 ? "jar" : "jars"}` : "";
  const only = field("Only as the lot of", { choices: [["", "each ingredient"], ...reply.ingredients.map((one) => [one, one])], onchange: () => draw(only.value) });
  only.input.value = ingredient;
  return [
    reply.ingredients.length > 1 ? only.box : null,
    reply.reached.length ? part(`${reply.name} went into ${batches}${jars}`, table(`What ${reply.name} went into`, [h("Batch and jars"), h("As"), n("g")], reply.reached.map((step) => ({ cells: [
      el("div", inside(step.depth), go(at("batches", step.batch), step.batch), el("small", {}, step.jars === "-" ? "no jars" : step.jars)),
      [`${step.step}. ${step.ingredient}`, el("small", {}, `from lot ${step.lot}`)],
      [step.net, step.reached ? el("small", {}, `${step.reached} reached it`) : null]] })))) : null,
    reply.made_of ? part(`What ${reply.name} is made of`, reply.made_of.length ? table(`What ${reply.name} is made of`, [h("Lot"), h("As"), n("g")], reply.made_of.map((step) => ({ cells: [
      el("div", inside(step.depth), to(step.lot)), [step.ingredient, el("small", {}, `step ${step.step} of ${step.batch}`)], step.net] })))
      : p("It names no lot."), lines(reply.told, "lines heed"), link(at("batches", reply.name), "Record of the batch")) : null,
    reply.made_of && !reply.reached.length ? p(`No other batch took from ${reply.name}.`) : null,
    listed("Damaged logs", reply.damaged),
  ];
}

// ---- A lot corrected --------------------------------------------------------------------------

export const lotAt = (lot) => at("lots", JSON.stringify([lot.lot, lot.ingredient]));
const ALL_LOTS = "All lots";

/** One lot of the list: what is known of it, where it went; corrected and taken out by a line below it. */
export async function lot(arg) {
  let wanted = [];
  try { wanted = JSON.parse(arg); } catch { /* as it was typed */ }
  const [name, ingredient] = Array.isArray(wanted) ? wanted : [];
  put("room-title", `Lot ${name ?? arg}`);
  const reply = await get("/store");
  if (reply.error) return [wrong(reply.error)];
  const one = reply.lots.find((lot) => lot.lot === name && lot.ingredient === ingredient);
  if (!one) return [wrong("That lot is not in the list any more."), link("lots", ALL_LOTS)];
  return [
    big(`${one.ingredient}: ${one.left == null ? "how much is left is not known" : `${g(one.left)} left`}`),
    one.refused ? lines([one.refused], "lines heed") : null,
    lines(one.corrected.map(({ on, reason }) => `Corrected ${on}: ${reason}`)),
    keys(link(traceOf(one.lot), "Where it went"), link("lots", ALL_LOTS)),
    one.listed ? correcting(one) : p("It is a batch of yours; its record tells all of it."),
  ];
}

/** Shows what a correction would change; a second key writes it. */
function correcting(one) {
  const { told } = one;
  const fields = {
    amount: field("Amount", { inputmode: "decimal", value: told.amount ?? "" }, "grams, or with a unit: 5 kg"),
    best_before: field("Best before", { type: "date", value: told.best_before ?? "" }),
    supplier: field("Supplier", { value: told.supplier ?? "" }),
    opened: field("Opened on", { type: "date", value: told.opened ?? "" }),
    price_per_kg: field("Price of a kilogram", { inputmode: "decimal", value: told.price_per_kg ?? "" }, "12.50, without a currency"),
  };
  const reason = field("Why", { required: true }, "the list keeps the reason, and its old lines");
  const out = el("div", { class: "rows", "aria-live": "polite" });
  const body = (remove, write) => {
    const is = { lot: one.lot, ingredient: one.ingredient };
    for (const [key, { value }] of Object.entries(fields)) is[key] = key === "amount" && value ? mass(value) : key === "price_per_kg" ? dot(value) : value;
    return { is, remove, reason: reason.value, write };
  };
  let turn = 0;
  const shows = (remove) => async () => {
    const mine = ++turn;
    // What was shown is what is written, whatever is typed meanwhile.
    const asked = body(remove, true);
    const reply = await get("/lot-change", { ...asked, write: false });
    if (mine !== turn) return;
    if (reply.error) return void out.replaceChildren(wrong(reply.error));
    const { key, said } = sends(remove ? "Take it out" : "Write the correction", "/lot-change", () => asked, (answer) => {
      if (answer.error) return;
      out.replaceChildren(el("p", { class: "said", role: "status" }, answer.say), link("lots", ALL_LOTS));
    });
    key.classList.add("main");
    out.replaceChildren(part("What changes", lines(reply.words), key, said));
  };
  const form = sizes(boxes(fields), reason.box);
  form.addEventListener("input", () => { turn += 1; out.replaceChildren(); });
  return part("Correct it, or take it out", form,
    keys(button(shows(false), "Show the correction"), button(shows(true), "Show it taken out")), out);
}
