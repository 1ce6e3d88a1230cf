// The rooms beside the bench: a new batch, the lots, the batches that were made, remedies, filling, the
// scales. Each is read anew when it is entered, and says so when it cannot be.

import { $, STALE, aboutNow, age, deed, figure, fresh, inBatch, keep, kept, know, number, ofStep, onDay, phaseName, put, remember, remembered, stamp, t, takesNext, unsaid, verdictOf, write } from "./core.js";
import { announce, assumed, at, big, boxes, button, damaged, day, decimal, dot, el, entry, field, fold, g, get, go, h, joined, keys, lines, link, listed, mass, n, need, onPage, p, part, pickList, putBack, question, refill, renew, saying, sends, sent, sizes, small, stack, table, unread, unsent, wrong } from "./make.js";
import { examples, formulas as formulasRoom } from "./formulas.js";
import { label, lot, lotAt, lotFields, papers, trace, traceOf, typed } from "./after.js";
import { paintScales, scales } from "./scales.js";

const RETURN = 60000; // ms without a touch after which a batch has the screen again

const TITLES = {
  begin: t`New batch`, stopped: t`Stopped batches`, lots: t`Lots`, batches: t`Batches`, remedies: t`Remedies`, fill: t`Fill jars`, scales: t`Scales`,
  formulas: t`Formulas`, "=new": t`New formula`, "=table": t`From a spreadsheet`, tablet: t`Let a tablet in`,
  answers: t`Other answers`, label: t`Label`, trace: t`Where it went`, papers: t`Suppliers’ papers`,
};

export const room = { name: "", arg: "" };
let touched = stamp();
let shown = 0; // counts what was entered, so that a late answer does not paint another room

// ---- What a room sends ----

const toBench = (reply) => {
  if (reply.error) return;
  // The bench itself says what began; only what is to be heeded is said beside it.
  put("answer", (reply.notes ?? []).map((note) => t`Note: ${note}`).join("\n"));
  location.hash = "#/";
};

/** As well, where the bench may have nothing else to say: a word may be answered that nothing waits for it. */
const answered = (reply) => {
  toBench(reply);
  if (!reply.error && unsaid(reply.say)) put("answer", reply.say);
};

const VESSELS = { beaker: t`in a beaker of its own`, bowl: t`into the bowl`, difference: t`by difference`, jar: t`in a jar` };

// ---- A new batch ----

const called = new Map(); // formulas' names by their files

async function begin(file) {
  if (file) {
    const { error } = await get(question("/formula", { file }));
    return error ? [wrong(error), link("begin", t`New batch`)] : plan(file);
  }
  const reply = await need("/formulas");
  if (!reply.formulas.length) {
    return [big(t`There is no formula yet.`), p(t`Formulas are files in ${reply.folder}; formula_dir in the configuration names another folder.`),
      examples(enterRoom), link("formulas", t`Write one of your own`)];
  }
  const bad = reply.formulas.filter((formula) => formula.error);
  const alike = (name) => reply.formulas.filter((other) => other.name === name).length > 1;
  for (const formula of reply.formulas) if (formula.name) called.set(formula.file, formula.name);
  const one = (formula) => el("li", {}, link(at("begin", formula.file), formula.name,
      small(joined(alike(formula.name) && formula.file, formula.version && t`version ${formula.version}`, t`${formula.ingredients} ingredients in ${formula.phases.join(", ")}`))));
  return [
    inBatch() ? saying(t`A batch is under way. Another one can be begun when it is over.`) : null,
    !inBatch() && know.stopped?.length ? link("stopped", t`Go on with a stopped batch`) : null,
    pickList(reply.formulas.filter((formula) => !formula.error).map(one)),
    bad.map((formula) => wrong(t`${formula.file} cannot be used: ${formula.error}`)),
    reply.more ? p(t`${reply.more} more are in ${reply.folder}.`) : null,
  ];
}

/** The batches that were stopped, with what is still open; a press goes on with one. */
async function stopped() {
  const reply = await need("/stopped");
  const busy = inBatch();
  const all = reply.batches.filter(({ batch }) => !busy || batch !== know.batch);
  const one = ({ batch, formula, last, say, heed, cannot }) => {
    const goes = sends(t`Go on with ${batch}`, "/do", () => ({ do: "go-on", batch, about: aboutNow() }), toBench,
      { twice: heed.length ? t`Press again: go on with it all the same` : null });
    goes.key.classList.add("main");
    return entry(el("h2", {}, batch), p(t`${formula}, last worked at ${day(last)}`), big(say), lines(heed, "lines heed"),
      cannot ? wrong(t`It cannot go on: ${cannot}`) : busy ? null : [goes.key, goes.said], link(at("batches", batch), t`Record of ${batch}`));
  };
  return [
    !all.length ? p(t`No batch is stopped; each is finished.`)
      : busy ? saying(t`A batch is under way. A stopped one can go on when it is over.`)
        : p(t`What is recorded stays. bismar asks first what stands on the scale.`),
    el("ul", { class: "ways" }, all.map(one)),
    busy ? null : link("begin", t`New batch`),
  ];
}

// The fields of a size, as they are labelled here.
const SIZES = { fill: t`Grams in a jar`, batch: t`Grams of the whole batch`, allowance: t`Allowance for losses` };
const byLabel = ({ error, field, why }) => (Object.hasOwn(SIZES, field ?? "") ? t`${SIZES[field]}: ${why}` : error);

function plan(file) {
  const last = JSON.parse(remembered(kept, `bismar-size ${file}`) ?? "{}");
  const grams = field(t`Grams of the whole batch`, { ...decimal, value: last.batch ?? "" }, t`or with a unit: 1.5 kg`);
  const jars = field(t`Jars`, { inputmode: "numeric", value: last.jars ?? "" });
  const fill = field(t`Grams in a jar`, { ...decimal, value: last.fill ?? "" });
  let by = last.by ?? "jars";
  const kinds = [["jars", t`By jars`], ["weight", t`By weight`]].map(([value, text]) => el("label", { class: "key pick" },
    el("input", { type: "radio", name: "by", value, checked: value === by, onchange: () => pick(value) }), text));
  const pick = (value) => {
    by = value;
    grams.box.hidden = by === "jars";
    jars.box.hidden = fill.box.hidden = by === "weight";
  };
  pick(by);
  const more = field(t`Allowance for losses, %`, { ...decimal, value: last.more ?? "" }, t`what stays in bowls and spoons`);
  const out = el("div", { id: "plan", "aria-live": "polite" });
  const wanted = () => {
    const asked = { formula: file };
    if (by === "weight" && grams.value) asked.batch = mass(grams.value);
    if (by === "jars" && jars.value) asked.jars = jars.value;
    if (by === "jars" && fill.value) asked.fill = mass(fill.value);
    if (more.value) asked.allowance = dot(/%$/.test(more.value) ? more.value : `${more.value}%`);
    return asked;
  };
  let turn = 0;
  const show = async (event) => {
    event?.preventDefault();
    const mine = ++turn;
    const asked = wanted();
    if (!asked.batch && !(asked.jars && asked.fill)) {
      out.replaceChildren(saying(by === "jars" ? t`Say how many jars, and the grams in each.` : t`Say the grams of the whole batch.`));
      return;
    }
    if (asked.jars && !/^[0-9]{1,9}$/.test(asked.jars)) {
      out.replaceChildren(wrong(t`Jars are a whole number.`));
      return;
    }
    const reply = await get(question("/plan", asked));
    if (mine !== turn) return;
    if (reply.error) return void out.replaceChildren(wrong(byLabel(reply)));
    const spare = reply.short?.percent && el("button", { class: "key", type: "button", onclick: () => {
      more.input.value = figure(reply.short.percent);
      more.input.focus();
      show();
    } }, t`Allow ${figure(reply.short.percent)} % for losses`);
    sent(form);
    remember(kept, `bismar-size ${file}`, JSON.stringify({ by, batch: grams.value, jars: jars.value, fill: fill.value, more: more.value }));
    refill(out, planned(reply, { ...asked, jars: asked.jars ? Number(asked.jars) : undefined }, spare));
  };
  const form = el("form", { class: "sizes", onsubmit: show }, 
    el("fieldset", { class: "keys" }, el("legend", { class: "unseen" }, t`How the size is given`), kinds), grams.box, jars.box, fill.box, more.box,
    el("button", { class: "key", type: "submit" }, t`Show the plan`));
  // What was planned is no longer what the fields say.
  form.addEventListener("input", () => { turn += 1; out.replaceChildren(); });
  if (wanted().batch || wanted().fill) show();
  return [form, out];
}

function planned(reply, asked, spare) {
  const size = reply.jars ? t`${g(reply.batch)} for ${reply.jars.count} jars of ${g(reply.jars.fill)}` : g(reply.batch);
  let phase = null;
  const rows = [];
  for (const step of reply.steps) {
    if (step.phase !== phase) rows.push({ over: phaseName(step.phase) });
    phase = step.phase;
    const takes = step.lots.takes.map((take) => take.lot).join(", ");
    // It is named when it is weighed; until then no record has it.
    const lots = !takes ? step.lots.state : step.lots.enough ? t`on hand: lot ${takes}` : t`lot ${takes}: ${step.lots.state}`;
    const where = t`${figure(step.percent)} %, ${VESSELS[step.vessel] ?? step.vessel}, scale ${step.scale ?? t`not known`}; ${lots}`;
    const heed = !step.proven || !step.lots.enough;
    rows.push({ heed, cells: [[`${step.step}. ${step.ingredient}`, small(step.proven ? where : t`${where}; the scale is too coarse to prove the tolerance`)],
      [figure(step.target), small(t`${figure(step.low) ?? "–"} to ${figure(step.high) ?? "–"}`)]] });
    if (step.mix) rows.push({ over: t`Then: ${step.mix}` });
  }
  const refused = reply.steps.flatMap((step) => step.lots.refused);
  const advice = reply.steps.flatMap((step) => step.lots.advice ? [t`${step.ingredient}: ${step.lots.advice}`] : []);
  const good = reply.proven && reply.enough && !reply.assumed;
  const body = () => ({ do: "begin", planned: reply.text, formula: reply.file, batch: asked.batch, jars: asked.jars, fill: asked.fill, allowance: asked.allowance });
  const { key, said } = sends(good ? t`Begin this batch` : t`Begin this batch all the same`, "/do", body, toBench);
  key.classList.add("main");
  const verdict = [
    reply.assumed ? assumed
      : reply.proven ? t`Every step can be proven on its scale.`
        : t`Not every step can be proven on its scale: see below what would help.`,
    reply.enough ? null : t`Some lots are short: see the table.`,
    reply.unchecked.length ? t`No passed check of today: scale ${reply.unchecked.join(", ")}. The batch begins after one.` : null,
  ].filter(Boolean);
  return [
    big(t`${joined(reply.name, reply.version && t`version ${reply.version}`)}: ${joined(size, reply.spare && t`${g(reply.spare)} of it for losses`)}`),
    lines(verdict, good ? "lines good" : "lines heed"),
    lines(reply.uncarried.map((name) => t`What scale ${name} carries is not known, so nobody can tell whether the batch with its vessels is too heavy for it. “Scales” takes its largest load.`), "lines heed"),
    reply.short ? lines([reply.short.say], "lines heed") : null,
    spare,
    reply.unchecked.length ? link("scales", t`Check a scale`) : null,
    table(t`Steps of the batch`, [h(t`Step`), n(t`Target and window, g`)], rows),
    listed(t`Notes`, reply.notes),
    listed(t`What would help`, reply.remarks),
    listed(t`What the uncertainty covers`, reply.covers),
    refused.length || advice.length ? part(t`Lots`, lines([...refused.map((why) => t`Not counted: ${why}.`), ...advice])) : null,
    reply.cautions.length ? part(t`Cautions`, lines(reply.cautions), p(reply.standing)) : null,
    damaged(reply),
    inBatch() ? saying(t`A batch is under way; this one can be begun when it is over.`) : key,
    said,
  ];
}

const formulas = (arg) => formulasRoom(arg, called);
document.addEventListener("anew", () => {
  behind.delete(stands);
  stands = null;
  enterRoom();
});

// ---- Lots ----

let followStep = null; // draws the lot of the step anew
let followed = null;
/** Draws where what it is drawn of is another: fields stay under the hand that types. */
const ofNew = (of, draws, drawn) => () => {
  const now = JSON.stringify(of());
  if (now !== drawn) draws();
  drawn = now;
};
/** A part whose fields are of the step that is weighed and of no other. */
function ofStepAlone(...inside) {
  const node = part(...inside);
  node.dataset.about = JSON.stringify(aboutNow());
  return node;
}
const atStep = () => JSON.stringify([aboutNow(), Boolean(ofStep()), know.state, know.status?.undo, takesNext()]);

async function lots(arg) {
  const [batch, number] = stepAt(arg);
  if (number) return lateLot(batch, number);
  if (arg) return lot(arg);
  const reply = await get("/store");
  if (reply.error) return [wrong(reply.error), inBatch() ? stepLot([]) : null];
  const shelf = stack(onShelf(reply));
  const added = async () => {
    const now = await get("/store");
    if (!now.error) refill(shelf, onShelf(now));
  };
  const box = el("div");
  const draw = ofNew(() => [inBatch(), aboutNow(), know.step?.ingredient, ofStep()?.lot], () => renew(box, inBatch() ? stepLot(reply.lots) : null));
  followStep = () => {
    followed = atStep();
    draw();
  };
  followStep();
  return [box, shelf, newLot(reply, added), link("trace", t`Where a lot went`)];
}

function onShelf(reply) {
  const rows = [];
  for (const ingredient of [...new Set(reply.lots.map((lot) => lot.ingredient))]) {
    rows.push({ over: ingredient });
    for (const lot of reply.lots.filter((lot) => lot.ingredient === ingredient)) {
      rows.push({ heed: lot.refused, cells: [[go(lotAt(lot), lot.lot), small(lot.refused ?? lot.supplier)], onDay(lot.best_before) ?? "–", figure(lot.left) ?? t`not known`] });
    }
  }
  return [
    lines(reply.alike ?? [], "lines heed"),
    part(t`On hand`, rows.length
      ? table(t`Lots on hand`, [h(t`Lot`), n(t`Best before`), n(t`Left g`)], rows)
      : p(t`No lot is in ${reply.file} yet. Add the first below.`)),
    damaged(reply),
  ];
}

const lotOf = (batch, step) => at("lots", JSON.stringify([batch, step]));
/** The batch and the step that the address of a weight's lot names. */
function stepAt(arg) {
  let of = [];
  try { of = JSON.parse(arg); } catch { /* a lot, as it was typed */ }
  return Number.isInteger(of?.[1]) ? of : [];
}

/** The lot of a weight that is recorded: it was forgotten, or is another one. */
async function lateLot(batch, number) {
  const step = (await need(question("/record", { batch }))).steps.find((one) => one.step === number);
  const back = link(at("batches", batch), t`Record of the batch`);
  put("room-title", t`Lot of step ${number}, ${batch}`);
  if (!step) return [back];
  const reply = await get("/store");
  return [reply.error ? wrong(reply.error) : null, stepLot(reply.lots ?? [], { ...step, batch }), back];
}

/** The lot of the step that is being weighed, or of one that is recorded. */
function stepLot(all, late) {
  const about = late ? undefined : aboutNow();
  const { ingredient } = late ?? know.step ?? {};
  const is = late ? late.lot : ofStep()?.lot;
  if (!ingredient) return null;
  const mine = all.filter((lot) => lot.ingredient === ingredient);
  const other = field(mine.length ? t`Another lot` : t`Lot, as it stands on the package`, {});
  const reason = field(t`Why it is taken all the same`, {});
  reason.box.hidden = true;
  const named = saying(is ? t`Named: ${is}` : t`None is named yet.`);
  const took = (lot) => (reply) => {
    reason.box.hidden = !reply.error;
    if (reply.error) other.input.value = lot();
    else write(named, t`Named: ${lot()}`);
    announce("asked");
  };
  const body = (lot) => () => lot() && { do: "lot", about, lot: lot(), step: late?.step, batch: late?.batch, ...(reason.value && !reason.box.hidden ? { despite: reason.value } : {}) };
  const picks = mine.map((one) => {
    const { key, said } = sends(one.lot, "/do", body(() => one.lot), took(() => one.lot));
    key.append(small(one.refused ?? (one.left == null ? t`how much is left is not known` : t`${g(one.left)} left`)));
    return el("li", {}, key, said);
  });
  const typed = sends(t`Take this lot`, "/do", body(() => other.value), took(() => other.value));
  return (late ? part : ofStepAlone)(late ? t`Lot of ${ingredient}, ${figure(late.net)} g` : t`Lot of ${ingredient}, for this step`, named, picks.length ? pickList(picks) : null,
    sizes(other.box, reason.box, typed.key), typed.said);
}

function newLot(reply, added) {
  const known = [...new Set([...reply.known, ...reply.lots.map((lot) => lot.ingredient)])].sort();
  const named = (name) => reply.known.some((one) => one.toLowerCase() === name.toLowerCase());
  const fields = {
    lot: field(t`Lot, as it stands on the package`, { required: true }),
    ingredient: field(t`Ingredient, as the formulas name it`, { required: true, list: "known" }),
    ...lotFields(),
  };
  const { key, said } = sends(t`Add this lot`, "/lots", () => typed(fields), (answer, said) => {
    if (answer.error) return;
    const { value } = fields.ingredient;
    if (reply.known.length && !named(value)) said.textContent += ` ${t`No formula here names “${value}”: look at its spelling.`}`;
    for (const name of ["lot", "amount", "best_before", "price_per_kg"]) fields[name].input.value = "";
    added();
  });
  return fold(t`Add a lot`,
    el("datalist", { id: "known" }, known.map((value) => el("option", { value }))),
    sizes(boxes(fields)), key, said);
}

// ---- Batches ----

/** A batch in the list; the numbers of a damaged log are none. */
const inShort = ({ formula, opened, grams, jars, state, code }) => (code === "damaged" ? state
  : joined(formula, day(opened), g(grams), jars && (jars === 1 ? t`1 jar` : t`${jars} jars`), state));

async function batches(name) {
  if (name) return record(name);
  const list = el("ul", { class: "picks" });
  const older = button(() => more(), t`Older batches`);
  let skip = 0;
  const more = async () => {
    const reply = await get(question("/batches", { skip }));
    if (reply.error) return void list.append(el("li", {}, wrong(reply.error)));
    skip += reply.batches.length;
    list.append(...reply.batches.map((batch) => el("li", {}, batch.error
      ? el("p", { class: "said wrong" }, batch.error)
      : link(at("batches", batch.batch), batch.batch, small(inShort(batch))))));
    older.hidden = !reply.more;
    if (!skip) list.append(el("li", {}, t`No batch was made yet. Its record will be here.`));
  };
  await more();
  return [list, older];
}

async function record(name) {
  const reply = await need(question("/record", { batch: name }));
  const running = know.batch === name && inBatch();
  const why = ({ unproven }) => small(joined(unproven?.why, unproven?.off && t`uncertain by ±${figure(unproven.off)} g`));
  const rows = reply.steps.map((step) => ({ heed: step.verdict !== "inside", cells: [
    [`${step.step}. ${step.ingredient}`, small(step.lot ? t`lot ${step.lot}` : t`no lot named`),
      step.net && !step.skipped ? go(lotOf(name, step.step), step.lot ? t`Another lot` : t`Name its lot`) : null], figure(step.target) ?? "–",
    [figure(step.net) ?? t`withdrawn`, small(step.skipped ?? joined(step.deviation && t`${figure(step.deviation)} off`, verdictOf(step))), why(step)]] }));
  const jars = reply.jars.map((jar) => ({ cells: [String(jar.jar), figure(jar.net) ?? t`withdrawn`, [verdictOf(jar), why(jar)]] }));
  const again = running && [...reply.steps, ...reply.jars].some(({ unproven }) => unproven?.again);
  const remarks = el("ul", { class: "lines" }, reply.notes.map((text) => el("li", {}, text)));
  const plain = encodeURIComponent(name);
  return [
    big(reply.code === "damaged" ? reply.state : t`${reply.formula}: ${`${g(reply.grams)}, ${reply.state}`}`),
    reply.code === "damaged" ? null : p(joined(t`Begun ${day(reply.opened)}, ${reply.opened?.slice(11, 16)} UTC in the log`, reply.closed && t`closed ${day(reply.closed)}`, reply.planned && t`planned for ${reply.planned.count} jars of ${g(reply.planned.fill)}`)),
    reply.fault ? wrong(reply.fault) : null,
    keys(
      onPage(() => plain, t`Sheet to print and sign`),
      reply.closed && reply.weighed ? link(`label/${plain}`, t`Label`) : null,
      link(traceOf(name), t`Its lots, and where it went`),
      inBatch() || !reply.rest || isLost(reply) ? null : link(`fill/${plain}`, reply.fillable ? t`Fill jars` : t`Fill a smaller jar`),
      reply.weighed ? link(`remedies/${plain}`, t`Remedies`) : null),
    tooLittle(reply),
    again ? p(t`A weight without a verdict is weighed again after “Undo”, at “Answers”: it takes back what was recorded last.`) : null,
    table(t`Weights of ${name}`, [h(t`Step`), n(t`Target g`), n(t`Net g`)], rows),
    jars.length ? part(t`Jars`, table(t`Jars of ${name}`, [n(t`Jar`), n(t`Net g`), h(t`Verdict`)], jars)) : null,
    reply.notes.length || running ? part(t`Remarks`, remarks) : null,
    running ? remarking((text) => remarks.append(el("li", {}, text))) : null,
    running ? emptied(reply) : null,
    charts(reply),
  ];
}

/** A remark for the record of the running batch. */
function remarking(written) {
  const remark = field(t`A remark for the record`, {});
  const noted = sends(t`Write it down`, "/do", () => remark.value && { do: "note", note: remark.value }, (answer) => {
    if (answer.error) return;
    written?.(remark.value);
    remark.input.value = "";
  });
  return part(t`Add a remark`, remark.box, noted.key, noted.said);
}

/** Whose emptied beaker is weighed, by its ingredient. */
function emptied(reply) {
  const weighed = (reply.steps ?? []).filter((step) => step.net && Number.parseFloat(step.net) > 0).map((step) => {
    const { key, said } = sends(`${step.step}. ${step.ingredient}`, "/do", () => ({ do: "residue", step: step.step }), answered);
    return el("li", {}, key, said);
  });
  return weighed.length ? part(t`Weigh what stayed in a beaker`, p(t`Choose whose beaker it is; then put it back emptied.`), pickList(weighed)) : null;
}

// ---- Other answers ----

/** Every answer that there is, also where the bench does not ask for it; “next” only where something waits for it. */
async function answers() {
  if (!inBatch()) return [p(t`No batch is under way; there is nothing to answer.`)];
  const reply = await get(question("/record", { batch: know.batch ?? "" }));
  const box = el("ul", { class: "picks" });
  const left = stack();
  const leaving = ofNew(() => [aboutNow(), know.step?.ingredient], () => {
    const about = aboutNow();
    const name = know.step?.ingredient;
    const reason = field(t`Why it is left out, for the record`, {});
    const skip = sends(t`Leave ${name} out`, "/do", () => {
      if (!reason.value) skip.said.textContent = t`Say why first; the record keeps it.`;
      return reason.value && { do: "skip", reason: reason.value, about };
    }, answered, { twice: t`Press again: leave ${name} out` });
    renew(left, name ? ofStepAlone(t`Leave ${name} out`, sizes(reason.box, skip.key, skip.said))
      : part(t`Leave this step out`, p(t`Every step is weighed; none is left to leave out.`)));
  });
  followStep = () => {
    followed = atStep();
    const about = aboutNow();
    const one = (word, title, { twice, ...more } = {}) => {
      const { key, said } = sends(title, "/do", () => ({ do: word, ...more, about }), answered, { twice });
      key.append(el("small", { "data-deed": word }, deed(word)));
      return el("li", {}, key, said);
    };
    renew(box, [
      know.status?.undo ? one("undo", t`Undo`, { twice: t`Press again: undo` }) : null,
      know.step ? one("again", t`Again`, { twice: t`Press again: this step anew` }) : null,
      know.step ? one("keep", t`Keep`, { twice: t`Press again: keep it` }) : null,
      takesNext() ? one("next", t`Next`) : null,
      know.state === "emptied-beaker" ? one("cancel", t`Cancel`) : null,
    ]);
    leaving();
  };
  followStep();
  return [box, left, link("lots", t`Name its lot`), remarking(), emptied(reply)];
}

function charts(reply) {
  const names = [...new Set(reply.steps.map((step) => step.ingredient))];
  const picture = el("img", { class: "chart", alt: "", hidden: true });
  const none = el("p", { hidden: true }, t`A chart needs two batches.`);
  const choose = field(t`Chart of`, { choices: [["", t`the whole batches`], ...names.map((name) => [name, name])], onchange: () => draw() });
  const alike = stack();
  const box = part(t`Over all batches`, choose.box, picture, none, alike);
  let turn = 0;
  let drawn = 0; // the width of what is shown
  const draw = async () => {
    const mine = ++turn;
    const name = choose.value;
    // As wide as it is shown, so that no letter shrinks.
    const width = Math.floor(box.clientWidth);
    drawn = width;
    const answer = await get(question("/chart", { ...(name ? { name } : { name: reply.bare, formula: "true" }), width }));
    if (mine !== turn) return;
    const { svg } = answer;
    picture.hidden = !svg;
    none.hidden = Boolean(svg);
    picture.alt = t`Control chart. ${answer.words}`;
    refill(alike, lines(answer.alike ?? [], "lines heed"));
    if (picture.src) URL.revokeObjectURL(picture.src);
    if (svg) picture.src = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
  };
  // The first time when it stands in the page.
  new ResizeObserver(() => { if (box.clientWidth && Math.floor(box.clientWidth) !== drawn) draw(); }).observe(box);
  return box;
}

// ---- Remedies ----

const WAYS = {
  keep: [t`Keep`, t`Every ingredient is inside its limits as it is.`],
  "in-proportion": [t`In proportion`, t`The others are raised until all stand in the formula's proportion.`],
  "least-added": [t`Least added`, t`The smallest addition that brings all inside their limits.`],
};

async function remedies(name) {
  const batch = name || know.batch;
  if (!batch) return [p(t`Choose a batch first.`), link("batches", t`Batches`)];
  const reply = await need(question("/remedies", { batch }));
  const head = big(t`${reply.formula}, batch ${batch}: ${g(reply.grams)} planned`);
  if (!reply.wrongs.length) return [head, p(t`Every recorded weight is inside its tolerance and its limits. Nothing is to be mended.`)];
  const running = know.batch === batch && inBatch();
  const open = reply.closed && !reply.filled && !inBatch();
  const one = ({ way, name: bare, found }) => {
    const [title, text] = WAYS[way] ?? [bare, ""];
    if (!found) return entry(el("h2", {}, title), p(t`This way leads to no batch inside all limits.`));
    const adds = reply.parts.map((one, i) => [one, found.add[i]]).filter(([, add]) => Number.parseFloat(add) > 0);
    const body = () => ({ do: "remedy", way, ...(running ? {} : { batch }) });
    const { key, said } = sends(t`Take this way`, "/do", body, answered, { twice: t`Press again: take this way` });
    return entry(el("h2", {}, title), p(text),
      adds.length ? table(t`${title}: what is added`, [h(t`Add`), n("g")], adds.map(([part, add]) => ({ cells: [part.ingredient, figure(add)] }))) : p(t`Nothing is added.`),
      p(found.jars == null ? t`The batch is then ${g(found.batch)}.` : t`The batch is then ${g(found.batch)}, ${found.jars} whole jars.`),
      found.short.length ? lines(found.short.map((why) => t`Not possible now: ${why}`), "lines heed") : null,
      found.unknown.length ? p(t`Not known: ${found.unknown.join(", ")}.`)
        : found.short.length ? null : p(t`Bowl, scale and lots hold it.`),
      (running || open) ? key : null, said);
  };
  return [
    head,
    lines(reply.wrongs, "lines heed"),
    reply.strangers.length ? p(t`Not in the formula and left out here: ${reply.strangers.join(", ")}`) : null,
    reply.parts.some((one) => one.to_come) ? p(t`What is not weighed yet is to come as planned, and the grams below are added to it.`) : null,
    el("ul", { class: "ways" }, reply.ways.map(one)),
    reply.filled ? p(t`Jars are filled from this batch already; what is in them cannot be mended.`) : null,
    reply.closed && inBatch() && !running ? p(t`Another batch is under way; this one can be mended when it is over.`) : null,
  ];
}

// ---- Filling ----

/** The name of the batch that was begun last of those that jars can be filled from, none where there is none; or { error }. */
async function weighedLast() {
  const { error, batches } = await get("/batches");
  const over = batches?.find((batch) => batch.fillable);
  return { error, name: over?.batch };
}

/** Whether a rest is what stays in bowls and spoons: less than a tenth of a jar (common practice, no source). */
const isLost = ({ rest, fillable, jar }) => Boolean(rest && !fillable && number(rest) * 10 < number(jar));
/** What is done with a rest that fills no jar like the others. */
function tooLittle(reply) {
  const { rest, fillable, jar } = reply;
  if (!rest || fillable) return null;
  if (isLost(reply)) return p(t`${g(rest)} are in no jar and count as a loss.`);
  return p(t`${g(rest)} are in no jar: too little for one of ${g(jar)}. A smaller jar takes them, with its own grams on the label; what stays in none counts as a loss.`);
}

async function fill(asked) {
  const { error, name } = asked ? { name: asked } : await weighedLast();
  if (error) return [wrong(error)];
  if (!name) return [p(t`No batch has enough for a jar. “New batch” makes one; a smaller jar is filled from the batch’s record, at “Batches”.`)];
  const reply = await need(question("/record", { batch: name }));
  if (!reply.rest || isLost(reply)) return [tooLittle(reply) ?? p(t`Nothing is left of ${name} that jars could be filled from.`), link(at("batches", name), t`Record of the batch`)];
  const left = reply.planned ? Math.max(0, reply.planned.count - reply.jars.length) : 0;
  const net = field(t`Grams on the label`, { ...decimal, value: reply.fillable ? figure(reply.jar) ?? "" : "" });
  const over = field(t`How much more a jar may hold, grams`, decimal, t`empty: 2 %, at least 0.2 g`);
  const jars = field(t`Jars at most`, { inputmode: "numeric", value: (reply.fillable && left) || "" }, t`empty: as many as the batch holds`);
  const rule = field(t`Net contents are judged by`, { choices: [
    ["eu", t`Directive 76/211/EEC`], ["de", "FPackV § 9"], ["r87", "OIML R 87"], ["hb133", "NIST Handbook 133"]] });
  const allowable = field(t`Allowable variation of one package, grams`, decimal, t`from the handbook's table, for your label`);
  allowable.box.hidden = true;
  rule.input.addEventListener("change", () => { allowable.box.hidden = rule.value !== "hb133"; });
  const body = () => ({
    do: "fill", batch: name, fill: net.value ? mass(net.value) : undefined,
    over: over.value ? mass(over.value) : undefined, jars: jars.value ? Number(jars.value) || 0 : undefined,
    rule: rule.value, allowable: rule.value === "hb133" && allowable.value ? mass(allowable.value) : undefined,
  });
  const { key, said } = sends(t`Fill jars now`, "/do", body, toBench);
  key.classList.add("main");
  // What is typed is about this batch.
  return part(joined(t`Out of ${name}, ${reply.formula}: ${g(reply.grams)} were weighed`, reply.jars.length && t`${reply.jars.length} filled already`),
    tooLittle(reply),
    asked ? null : p(t`Of those that fill a jar it was begun last; “Batches” has the others.`),
    p(t`Put an empty jar on the scale, fill it to the cue, lift it; then the next one. Each jar is recorded.`),
    sizes(boxes([net, over, jars, rule, allowable])), key, said,
    p(t`For goods sold by weight the law may ask for a verified scale and a quantity control of its own; ask the office for weights and measures.`));
}

// ---- A tablet ----

const CODE = t`Code for the tablet's camera. It says the address that stands below.`;

function tablet() {
  const place = el("div", { class: "code-place" });
  let turn = 0;
  const clear = (...inside) => {
    for (const old of place.querySelectorAll("img")) URL.revokeObjectURL(old.src);
    place.replaceChildren(...inside);
  };
  const show = sends(t`Show a code`, "/let-in", () => ({}), (reply) => {
    const mine = ++turn;
    if (reply.error) return void clear();
    const src = URL.createObjectURL(new Blob([reply.code], { type: "image/svg+xml" }));
    clear(el("img", { class: "code", src, alt: CODE }), el("p", { class: "link" }, reply.link));
    setTimeout(() => { if (mine === turn) clear(p(t`That code is too old now. Show a new one.`)); }, reply.seconds * 1000);
  });
  return [
    p(t`A code lets one tablet or phone in, once, within five minutes. Who takes a picture of it first is the one.`),
    keys(show.key), show.said, place,
  ];
}

// ---- Going in and out ----

const rooms = { answers, begin, stopped, formulas, lots, batches, remedies, fill, label, trace, scales, tablet, papers };

const behind = new Map(); // what was typed in a room and not sent, by its address
let stands = null; // the address of the room whose fields stand there

/** Whether the rooms are shown where a small screen has one key for them. */
function shows(rooms) {
  $("more").ariaExpanded = String(rooms);
  rooms ? document.body.dataset.more = "" : delete document.body.dataset.more;
  if (rooms) $("rooms").scrollIntoView({ block: "nearest" });
}
$("more").addEventListener("click", () => shows(document.body.dataset.more === undefined));

/** Shows the room that the address names; `false` where it names the bench. */
export async function enterRoom() {
  const [, name = "", raw = ""] = /^#\/([a-z]*)(?:\/(.*))?$/.exec(location.hash) ?? [];
  let arg = raw;
  try { arg = decodeURIComponent(raw); } catch { /* as it was typed */ }
  const known = Object.hasOwn(rooms, name);
  const left = room.name;
  Object.assign(room, { name: known ? name : "", arg: known ? arg : "" });
  touched = stamp();
  shows(false);
  const mine = ++shown;
  followStep = null;
  if (stands !== null) behind.set(stands, unsent($("room-inside")));
  stands = null;
  unread.at = null;
  announce("room");
  if (!known) {
    // What was pressed in the room is gone: the keyboard goes on from the bench's heading.
    if (left) $("ingredient").focus();
    return false;
  }
  const title = (arg.startsWith("=") && TITLES[arg]) || (arg && name !== "fill" ? t`${TITLES[name]}: ${called.get(arg) ?? arg.replace(/\.toml$/, "")}` : TITLES[name]);
  put("room-title", title);
  $("room-inside").replaceChildren(p(t`Reading …`));
  scrollTo(0, 0);
  $("room-title").focus();
  let inside;
  try { inside = await rooms[name](arg); } catch (reply) {
    if (!reply.error) throw reply;
    inside = [wrong(reply.error)];
  }
  if (mine !== shown) return true;
  refill($("room-inside"), inside);
  // A formula's form keeps its own.
  if (name !== "formulas" || arg === "=table") stands = `${location.hash} ${name === "answers" ? know.batch : ""}`;
  putBack($("room-inside"), behind.get(stands));
  paintRoom();
  return true;
}

export function leaveRoom() {
  if (room.name) location.hash = "#/";
}

/** What moves in a room: the way back with the bench's task, and the scales. */
export function paintRoom() {
  const running = inBatch();
  for (const node of document.querySelectorAll("[data-only]")) keep(node, "hidden", (node.dataset.only === "batch") !== running);
  for (const node of document.querySelectorAll("#rooms a")) {
    keep(node, "ariaCurrent", node.hash === `#/${room.name}` ? "page" : null);
  }
  if (!room.name) return;
  keep($("strip"), "hidden", !running && !know.fault);
  put("strip-say", $("say").textContent);
  $("strip").classList.toggle("urgent", $("now").classList.contains("urgent"));
  // The weight goes on meanwhile, and with it what an answer would do.
  for (const node of document.querySelectorAll("[data-deed]")) {
    write(node, deed(node.dataset.deed));
  }
  if (room.name === "scales" && $("scales-room")) paintScales();
  // The bench has gone on: what stands here was about the step before.
  if (["lots", "answers"].includes(room.name) && followStep && followed !== atStep()) followStep();
  if (unread.at && fresh(know.beat) && age(unread.at) > STALE) enterRoom();
  // The hands are in the bowl: the bench comes back by itself.
  if (running && age(touched) > RETURN) leaveRoom();
}

for (const kind of ["pointerdown", "keydown", "input", "wheel", "scroll"]) {
  document.addEventListener(kind, () => { touched = stamp(); }, { passive: true, capture: true });
}
// A browser shows a text field's caret, and may leave the rest of the field under what sticks.
document.addEventListener("focusin", (at) => { if (at.target.matches("textarea")) at.target.scrollIntoView({ block: "nearest" }); });
