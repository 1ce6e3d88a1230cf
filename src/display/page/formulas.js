// The room of the formulas: the list, the form of one, cells out of a spreadsheet, two versions side by side. Every
// figure comes from bismar; what is typed is kept in this tab until it is saved.

import { $, figure, inBatch, kept, put, remember, remembered, session, t, write } from "./core.js";
import { announce, assumed, at, big, button, decimal, dot, el, entry, field, g, get, h, joined, keys, lines, link, listed, mass, n, need, onPage, p, part, pickList, question, quoted, refill, saves, saying, sends, sent, sizes, small, stack, table, wrong } from "./make.js";

const PAUSE = 450; // ms after the last letter before bismar is asked
const NEW = "=new";
const TABLE = "=table";
const root = el("div", { id: "formulas-room", class: "rows" });
const address = (file) => at("formulas", file);

export async function formulas(arg, called) {
  const inside = arg === TABLE ? spreadsheet() : arg ? await form(arg, called) : await list();
  refill(root, inside);
  return [root];
}

const said = (text, bad) => el("p", { class: bad ? "said wrong" : "said", role: "status", tabindex: "-1" }, text);

// ---- The list ----

/** The key that puts the examples into an empty folder; then the room is drawn anew. */
export function examples(then) {
  const { key, said } = sends(t`Start from the examples`, "/formula-examples", () => ({}), (reply) => { if (!reply.error) then(); });
  key.classList.add("main");
  return [p(t`bismar brings invented formulas, to try with and to change.`), key, said];
}

async function list() {
  const reply = await need("/formulas");
  const again = async () => { refill(root, await list()); $("room-title").focus(); };
  const alike = (name) => reply.formulas.filter((other) => other.name === name).length > 1;
  const one = (formula) => el("li", {}, link(address(formula.file), formula.name,
    small(joined(alike(formula.name) && formula.file, formula.version && t`version ${formula.version}`, t`${formula.ingredients} ingredients`, draftOf(formula.file) && t`with changes not saved yet`))));
  const good = reply.formulas.filter((formula) => !formula.error);
  return [
    ...(reply.formulas.length ? [] : [big(t`There is no formula yet.`), ...examples(again)]),
    keys(link(address(NEW), t`New formula`, draftOf(NEW) ? small(t`not saved yet`) : ""), link(address(TABLE), t`From a spreadsheet`), link("papers", t`Suppliers’ papers`)),
    good.length ? pickList(good.map(one)) : null,
    reply.formulas.filter((formula) => formula.error).map((formula) => wrong(t`${formula.file} cannot be used: ${formula.error}`)),
    p(reply.more ? t`They are files in ${reply.folder}, and ${reply.more} more are there.` : t`They are files in ${reply.folder}.`),
  ];
}

// ---- What is written ----

const draftName = (file) => `bismar-formula ${file}`;
const draftOf = (file) => { try { return JSON.parse(remembered(session, draftName(file))); } catch { return null; } };
const keep = (file, draft) => remember(session, draftName(file), draft && JSON.stringify(draft));

/** A key that goes on in the form of a new formula; what stands there goes at the second press alone. */
function anew(words, draft) {
  const key = button(() => {
    if (draftOf(NEW) && !key.classList.contains("armed")) {
      key.classList.add("armed");
      key.textContent = t`Press again: it takes the place of your “New formula” that is not saved`;
      return;
    }
    keep(NEW, draft());
    location.hash = `#/${address(NEW)}`;
  }, words);
  return key;
}

const amounts = () => ({ percent: "", g: "" });
const newIngredient = () => ({ name: "", inci: "", amount: "", balance: false, under: amounts(), over: amounts(), min: "", max: "", vessel: "", caution: "", lot_required: false, premix: "" });
const newPhase = () => ({ name: "", mix: "", ingredients: [newIngredient()] });
const newFields = () => ({ name: "", version: "1", notes: "", use: "", in_parts: false, phases: [newPhase()] });

const USES = [["", t`Not told`], ["leave-on", t`Stays on the skin`], ["rinse-off", t`Is rinsed off`], ["premix", t`Goes into other formulas`]];
const VESSELS = [["", t`In a beaker of its own`], ["bowl", t`Into the bowl`], ["difference", t`By difference`]];

async function form(file, called) {
  let draft = draftOf(file);
  let note = draft ? t`Not saved yet. What you wrote is here as you left it.` : "";
  let was = null; // what stands in the file
  if (file !== NEW) {
    const reply = await get(question("/formula", { file }));
    if (reply.error) {
      const { formulas: all } = await get("/formulas");
      const is = all?.some((one) => one.file === file);
      return [wrong(reply.error), is ? p(t`Mend the file in a text editor; then it opens here.`) : null, link("formulas", t`All formulas`)];
    }
    was = reply;
    called.set(file, reply.fields.name);
    put("room-title", t`Formula: ${reply.fields.name}`);
    if (draft && draft.base === reply.base && JSON.stringify(draft.fields) === JSON.stringify(reply.fields)) draft = null;
    if (!draft) note = "";
  }
  draft ??= was ? { fields: was.fields, base: was.base } : { fields: newFields(), base: "" };
  return editor(file, draft, note);
}

/** The form of one formula. */
function editor(file, draft, note) {
  const { fields } = draft;
  const slots = new Map(); // where a fault is said, by its field
  const rows = new Map(); // what a scale makes of an ingredient, by its place
  const head = said(note);
  const size = field(t`Batch to try the scale with, grams`, { ...decimal, value: remembered(kept, `bismar-try ${file}`) ?? "100" }, t`figures below are for this much`);
  const sum = el("p", { class: "live", role: "status" });
  const whole = stack();
  const more = stack();
  const inside = stack();
  let timer = null;
  let turn = 0;
  let save = null;

  const changed = () => {
    keep(file, draft);
    head.textContent = "";
    if (save) save.said.textContent = "";
    clearTimeout(timer);
    timer = setTimeout(check, PAUSE);
  };
  /** A field of the form: what is typed goes into `of[key]`, and what is wrong with it stands below. */
  const slot = (at, label, of, key, properties = {}, hint) => {
    const one = field(label, { value: null, ...properties }, hint);
    const amount = properties.inputmode;
    one.input.value = amount ? figure(of[key]) : of[key];
    const wrongs = el("small", { class: "fault", id: `${one.input.id}-fault` });
    one.box.append(wrongs);
    one.input.addEventListener("input", () => {
      of[key] = amount ? dot(one.input.value) : one.input.value;
      changed();
    });
    slots.set(at, [...(slots.get(at) ?? []), { input: one.input, wrongs, hint }]);
    return one.box;
  };
  const tick = (label, of, key, then) => el("label", { class: "key pick" }, el("input", { type: "checkbox", checked: of[key], onchange: (event) => {
    of[key] = event.target.checked;
    then?.();
    changed();
  } }), label);
  const tolerances = (at, one, number) => {
    const both = JSON.stringify(one.under) === JSON.stringify(one.over);
    const apart = { on: !both };
    const box = stack();
    const side = (words, key) => [
      slot(`${at}.${key}.percent`, t`${words}, percent`, one[key], "percent", decimal, t`of its own amount; empty: 1`),
      slot(`${at}.${key}.g`, t`${words}, grams`, one[key], "g", decimal, t`the wider of the two holds`)];
    const draw = () => {
      for (const key of ["under", "over"]) for (const unit of ["percent", "g"]) slots.delete(`${at}.${key}.${unit}`);
      one.over = apart.on ? { ...one.over } : one.under;
      box.replaceChildren(sizes(apart.on ? [...side(t`${number}: less`, "under"), ...side(t`${number}: more`, "over")] : side(t`Tolerance of ${number}`, "under")));
    };
    draw();
    return [box, tick(t`More is tolerated otherwise than less`, apart, "on", draw)];
  };

  const ingredient = (phase, i, one, j, number) => {
    const at = `phases.${i}.ingredients.${j}`;
    const window = stack();
    rows.set(`${i}.${j}`, window);
    const unit = fields.in_parts ? t`Parts` : t`Percent`;
    const amount = slot(`${at}.amount`, t`${unit} of ${number}`, one, "amount", decimal);
    amount.hidden = one.balance;
    const rest = fields.in_parts && !one.balance ? null : tick(t`Takes the rest to 100`, one, "balance", () => { amount.hidden = one.balance; });
    const own = el("small", { class: "fault" });
    slots.set(at, [{ wrongs: own }]);
    const set = [one.inci, one.caution, one.min, one.max, one.premix, one.vessel].some(Boolean) || one.lot_required;
    return entry(
      sizes(slot(`${at}.name`, t`Ingredient ${number}`, one, "name", { maxlength: 120 }), amount, rest), own, window,
      el("details", {}, el("summary", {}, t`More of ${number}`, small(set ? t`INCI, tolerance, limits, caution: some is told` : t`INCI, tolerance, limits, vessel, lot, caution`)),
        stack(
          slot(`${at}.inci`, t`INCI name of ${number}`, one, "inci", { maxlength: 120 }),
          slot(`${at}.vessel`, t`How ${number} is weighed`, one, "vessel", { choices: VESSELS }),
          tolerances(at, one, number),
          sizes(slot(`${at}.min`, t`At least, percent of the batch, ${number}`, one, "min", decimal),
            slot(`${at}.max`, t`At most, percent of the batch, ${number}`, one, "max", decimal, t`your own limit, from the supplier's documents`)),
          sizes(slot(`${at}.premix`, t`Batch of which formula, ${number}`, one, "premix", {}, t`for a premix; its lot is then its batch`),
            tick(t`Asks for the lot of ${number}`, one, "lot_required")),
          slot(`${at}.caution`, t`Caution for ${number}`, one, "caution", { rows: 3 }))),
      el("div", { class: "keys small" },
        button(() => move(phase.ingredients, j, -1, number - 1), t`Up: ${number}`), button(() => move(phase.ingredients, j, 1, number + 1), t`Down: ${number}`),
        button(() => { phase.ingredients.splice(j, 1); structure("", t`Ingredient ${number} is gone.`); }, t`Remove ${number}`)));
  };
  const move = (all, at, by, number) => {
    if (!all[at + by]) return;
    all.splice(at + by, 0, ...all.splice(at, 1));
    structure(t`Ingredient ${number}`);
  };
  const section = (phase, i, first) => {
    const own = el("small", { class: "fault" });
    slots.set(`phases.${i}`, [{ wrongs: own }]);
    const blend = sends(t`Make it a premix`, "/formula-premix", () => ({ fields, phase: i }), (reply, where) => {
      if (reply.error) return void faults(reply.faults ?? [], where);
      Object.assign(fields, reply.fields);
      changed();
      structure("", reply.say);
    }, { twice: t`Press again: make a new formula of this phase` });
    const number = i + 1;
    return el("section", { class: "phase" }, el("h2", {}, t`Phase ${number}`),
      sizes(slot(`phases.${i}.name`, t`Name of phase ${number}`, phase, "name", { maxlength: 120, placeholder: t`Phase ${number}` }),
        slot(`phases.${i}.mix`, t`What is done after phase ${number}`, phase, "mix", {}, t`such as: stir until even; may stay empty`)), own,
      el("ol", { class: "ways one" }, phase.ingredients.map((one, j) => ingredient(phase, i, one, j, first + j))),
      keys(
        button(() => { phase.ingredients.push(newIngredient()); structure(t`Ingredient ${first + phase.ingredients.length - 1}`); }, t`Add an ingredient to phase ${number}`),
        phase.ingredients.length > 1 && !fields.in_parts ? blend.key : null,
        i ? button(() => { fields.phases.splice(i - 1, 0, ...fields.phases.splice(i, 1)); structure(t`Name of phase ${i}`); }, t`Up: phase ${number}`) : null,
        button(() => { fields.phases.splice(i, 1); structure("", t`Phase ${number} is gone.`); }, t`Remove phase ${number}`)), blend.said);
  };
  /** Draws the phases anew, and goes on at the field of that label, or at what is said. */
  const structure = (label, words = "") => {
    for (const at of [...slots.keys()]) if (at.startsWith("phases")) slots.delete(at);
    rows.clear();
    let first = 1;
    inside.replaceChildren(...fields.phases.map((phase, i) => {
      const drawn = section(phase, i, first);
      first += phase.ingredients.length;
      return drawn;
    }), button(() => { fields.phases.push(newPhase()); structure(t`Name of phase ${fields.phases.length}`); }, t`Add a phase`));
    changed();
    if (words) { write(head, words); head.focus(); }
    const to = label && [...inside.querySelectorAll("label")].find((one) => one.textContent === label);
    if (to) $(to.htmlFor)?.focus();
  };

  const faults = (all, where) => {
    for (const spots of slots.values()) for (const { input, wrongs, hint } of spots) {
      wrongs.textContent = "";
      if (!input) continue;
      input.removeAttribute("aria-invalid");
      hint ? input.setAttribute("aria-describedby", `${input.id}-hint`) : input.removeAttribute("aria-describedby");
    }
    const lost = [];
    for (const { at, say: told } of all) {
      const say = quoted(told);
      const spot = slots.get(at)?.[0];
      if (!spot) { lost.push(say); continue; }
      write(spot.wrongs, `${spot.wrongs.textContent} ${say}`.trim());
      spot.wrongs.closest("details")?.setAttribute("open", "");
      if (!spot.input) continue;
      spot.input.setAttribute("aria-invalid", "true");
      spot.input.setAttribute("aria-describedby", [spot.hint && `${spot.input.id}-hint`, spot.wrongs.id].filter(Boolean).join(" "));
    }
    refill(where ?? whole, (where ? [where.textContent, ...lost.map((say) => ` ${say}`)] : lost.map((say) => el("p", { class: "said wrong" }, say))));
  };
  // An empty field of a new line is not wrong yet, as long as nothing is saved.
  let strict = file !== NEW;
  const tellable = (fault) => strict || !fault.empty;

  const check = async () => {
    if (!root.contains(inside)) return;
    const mine = ++turn;
    const reply = await get("/formula-check", { file: file === NEW ? null : file, like: draft.like, fields, batch: size.value ? mass(size.value) : null });
    if (mine !== turn || !root.contains(inside)) return;
    if (reply.error) return void whole.replaceChildren(wrong(reply.error));
    const { total, missing, over, balance } = reply.sum ?? {};
    sum.hidden = !reply.sum;
    sum.className = over || missing ? "live heed" : "live good";
    const all = `${figure(total)} %`;
    write(sum, over ? t`${all}: ${figure(over)} too much` : missing ? t`${all}: ${figure(missing)} is missing to 100` : balance ? t`${all}, and the rest is ${balance}` : all);
    faults(reply.faults.filter((fault) => fault.at !== "sum" && tellable(fault)));
    for (const box of rows.values()) box.replaceChildren();
    for (const step of reply.steps) {
      const bad = !step.proven;
      const share = `${figure(step.percent)} %, ${g(step.target)}`;
      const words = bad ? t`${share}: this scale cannot prove it.` : t`${share}: from ${figure(step.low)} to ${g(step.high)} on scale ${step.scale}`;
      const window = rows.get(`${step.phase}.${step.ingredient}`);
      if (window) refill(window, el("p", { class: bad ? "said wrong" : "window" }, words), lines(step.says));
    }
    refill(more, [
      reply.assumed ? p(assumed) : null,
      reply.unplanned ? saying(reply.unplanned) : null,
      listed(t`Notes`, reply.notes),
      listed(t`Cautions`, reply.cautions),
    ]);
  };

  const open = (name, words) => {
    keep(file, null);
    told = words;
    location.hash === `#/${address(name)}` ? announce("anew") : (location.hash = `#/${address(name)}`);
  };
  save = sends(t`Save`, "/formula-save", () => ({ file: file === NEW ? null : file, base: draft.base, like: draft.like, fields }), (reply) => {
    if (!reply.error) return void open(reply.file, reply.say);
    strict = true;
    if (reply.faults) faults(reply.faults);
    sumFault(reply.faults);
    again.hidden = !reply.changed;
    root.querySelector("[aria-invalid]")?.focus();
  });
  const sumFault = (all) => { const bad = all?.find(({ at }) => at === "sum"); if (bad) write(save.said, bad.say); };
  save.key.classList.add("main");
  const again = button(() => open(file, ""), t`Open it as it is now, without what I wrote`);
  again.hidden = true;
  const away = file === NEW ? button(() => { keep(file, null); location.hash = "#/formulas"; }, t`Throw it away`) : null;
  const copy = anew(t`Copy`, () => {
    const bare = structuredClone(fields);
    for (const phase of bare.phases) {
      delete phase.from;
      for (const one of phase.ingredients) delete one.from;
    }
    return { fields: { ...bare, name: t`${bare.name} copy`, version: "1" }, base: "", like: file };
  });
  const paper = onPage(() => `formula/${encodeURIComponent(file)}/${encodeURIComponent(size.value ? mass(size.value) : "")}`, t`Card to print`);
  size.input.addEventListener("input", () => {
    remember(kept, `bismar-try ${file}`, size.value);
    clearTimeout(timer);
    timer = setTimeout(check, PAUSE);
  });
  slots.set("batch", [{ input: size.input, wrongs: size.box.appendChild(el("small", { class: "fault" })), hint: true }]);
  const units = { way: fields.in_parts ? "parts" : "percent" };
  const unit = slot("unit", t`Amounts are in`, units, "way", { choices: [["percent", t`Percent`], ["parts", t`Parts`]] });
  unit.addEventListener("input", () => { fields.in_parts = units.way === "parts"; structure(); });
  const drawn = [
    head,
    sizes(slot("name", t`Name of the formula`, fields, "name", { maxlength: 120 }), slot("version", t`Version`, fields, "version", { maxlength: 40 }, t`counted on by itself where batches were made of it`)),
    sizes(slot("use", t`What it is for`, fields, "use", { choices: USES }), unit, size.box),
    el("div", { class: "sum" }, sum),
    inside, whole, save.key, save.said, again,
    keys(file === NEW || inBatch() ? null : link(at("begin", file), t`New batch of it`), file === NEW ? null : [copy, paper, csv(file)], away, link("formulas", t`All formulas`)),
    file === NEW ? null : p(t`Card, table and batch are of what is saved.`),
    more, link("papers", t`Suppliers’ papers`),
    file === NEW ? null : versions(file),
    slot("notes", t`Notes`, fields, "notes", { rows: 5 }),
  ];
  structure();
  if (note || told) write(head, told || note);
  if (!note) keep(file, null);
  told = "";
  return drawn;
}
let told = ""; // what is said of a form that is opened by a key of another

const csv = (file) => saves(t`Table (CSV)`, () => question("/formula-csv", { file }), file.replace(/\.toml$/, ".csv"));

// ---- Versions ----

function versions(file) {
  const box = stack();
  const read = async () => {
    const reply = await get(question("/formula-versions", { file }));
    if (reply.error) return void box.replaceChildren(wrong(reply.error));
    if (!reply.versions.length) return void box.replaceChildren(p(t`No batch was made of it yet.`));
    const name = (one) => [one.version ? t`Version ${one.version}` : t`Without a version`, one.batches === 1 ? t`1 batch` : t`${one.batches} batches`, t`the last is ${one.batch}`].join(", ");
    const choices = reply.versions.map((one) => [one.batch, name(one)]);
    const was = field(t`From`, { choices });
    const is = field(t`To`, { choices: [["", t`As it is in the file`], ...choices] });
    const out = el("div", { class: "rows", "aria-live": "polite" });
    const show = async () => {
      const found = await get(question("/formula-compare", { file, was: was.value, is: is.value }));
      if (found.error) return void out.replaceChildren(wrong(found.error));
      const rows = found.differences.map((one) => ({ cells: [one.what, one.was || "–", one.is || "–"] }));
      out.replaceChildren(rows.length ? table(t`What is not the same`, [h(t`What`), h(t`From`), h(t`To`)], rows) : p(t`Both say the same.`));
    };
    box.replaceChildren(sizes(was.box, is.box), button(show, t`Compare them`), out);
  };
  return el("details", { ontoggle: (event) => { if (event.target.open && event.target === event.currentTarget) read(); } }, el("summary", {}, t`Versions and their batches`), box);
}

// ---- Out of a spreadsheet ----

const MEANS = [["nothing", t`not used`], ["phase", t`Phase`], ["ingredient", t`Ingredient`], ["amount", t`Amount`], ["inci", "INCI"], ["tolerance", t`Tolerance, %`], ["tolerance-g", t`Tolerance, g`],
  ["under", t`Less, %`], ["under-g", t`Less, g`], ["over", t`More, %`], ["over-g", t`More, g`], ["min", t`At least, %`], ["max", t`At most, %`], ["vessel", t`Vessel`], ["lot", t`Lot asked for`], ["premix", t`Premix`], ["caution", t`Caution`], ["mix", t`Mix`]];
const KINDS = [["", t`not told yet`], ["percent", t`Percents`], ["fraction", t`Shares of one (0.25 is 25 %)`], ["grams", t`Grams, to be turned into percents`], ["parts", t`Parts`]];

function spreadsheet() {
  const cells = field(t`Cells`, { rows: 8 }, t`copy them in the spreadsheet, with their headings, and paste them here`);
  const out = stack();
  const note = said("");
  const asked = { columns: null, amounts: null };
  const body = () => ({ text: cells.input.value, ...asked });
  const show = (reply) => refill(out, reply.error ? [] : preview(reply.sheet));
  const look = sends(t`Look at it`, "/formula-sheet", body, show, { asks: true });
  const reread = async () => {
    const reply = await get("/formula-sheet", body());
    reply.error ? out.replaceChildren(wrong(reply.error)) : show(reply);
  };
  const preview = (sheet) => {
    asked.columns = sheet.columns;
    asked.amounts = sheet.amounts;
    const pick = (head, i) => {
      const one = field(t`“${head || i + 1}” is`, { choices: MEANS });
      one.input.value = sheet.columns[i];
      one.input.addEventListener("change", () => { asked.columns[i] = one.value; asked.amounts = null; reread().then(() => out.querySelectorAll("select")[i]?.focus()); });
      return one.box;
    };
    const kind = field(t`The amounts are`, { choices: KINDS });
    kind.input.value = sheet.amounts ?? "";
    kind.input.addEventListener("change", () => { asked.amounts = kind.value || null; reread().then(() => out.querySelectorAll("select")[sheet.heads.length]?.focus()); });
    const rows = sheet.rows.map((row) => ({ heed: row.heed, cells: [row.takes, ...row.cells] }));
    const take = anew(t`Take it over into the form`, () => {
      sent(root);
      return { fields: { ...newFields(), ...sheet.fields, name: "", version: "1" }, base: "" };
    });
    take.classList.add("main");
    return [
      part(t`What it is taken for`, sizes(sheet.heads.map(pick), kind.box)),
      sheet.asks.length ? lines(sheet.asks, "lines heed") : null, lines(sheet.said),
      table(t`What becomes of each row`, [h(t`Becomes`), ...sheet.heads.map((head, i) => (sheet.rows.every(({ cells }) => /^[^\p{L}]*$/u.test(cells[i] ?? "")) ? n : h)(head))], rows, "wide stacks"),
      sheet.fields ? take : null,
    ];
  };
  // What was shown is no longer what the cells say.
  const fresh = () => { Object.assign(asked, { columns: null, amounts: null }); out.replaceChildren(); };
  cells.input.addEventListener("input", fresh);
  const file = field(t`Or open a CSV file`, { type: "file", accept: ".csv,.tsv,.txt,text/csv" });
  file.input.addEventListener("change", async () => {
    const [one] = file.input.files;
    if (!one) return;
    fresh();
    if (one.size > 200000) return void (note.textContent = t`This file is too large for a formula.`);
    const bytes = await one.arrayBuffer();
    note.textContent = t`Read from ${one.name}.`;
    try { cells.input.value = new TextDecoder("utf-8", { fatal: true }).decode(bytes); } catch {
      cells.input.value = new TextDecoder("windows-1252").decode(bytes);
      note.textContent += ` ${t`It is no UTF-8: look whether every letter is right.`}`;
    }
    look.key.click();
  });
  return [cells.box, file.box, note, keys(look.key, link("formulas", t`All formulas`)), look.said, out];
}
