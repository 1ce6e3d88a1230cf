// The room of the formulas: the list, the form of one, cells out of a spreadsheet, two versions side by side. Every
// figure comes from bismar; what is typed is kept in this tab until it is saved.

import { $, inBatch, kept, put, remember, remembered, session } from "./core.js";
import { at, big, button, el, field, g, get, h, keys, lines, link, listed, mass, n, p, part, pickList, question, refill, saves, saying, sends, sizes, small, stack, table, wrong } from "./make.js";

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

// ---- The list ---------------------------------------------------------------------------------

/** The key that puts the examples into an empty folder; then the room is drawn anew. */
export function examples(then) {
  const { key, said } = sends("Start from the examples", "/formula-examples", () => ({}), (reply) => { if (!reply.error) then(); });
  key.classList.add("main");
  return [p("bismar brings invented formulas, to try with and to change."), key, said];
}

async function list() {
  const reply = await get("/formulas");
  if (reply.error) return [wrong(reply.error)];
  const again = async () => { refill(root, await list()); $("room-title").focus(); };
  const alike = (name) => reply.formulas.filter((other) => other.name === name).length > 1;
  const one = (formula) => el("li", {}, link(address(formula.file), formula.name,
    small(`${alike(formula.name) ? `${formula.file}, ` : ""}${formula.version ? `version ${formula.version}, ` : ""}${formula.ingredients} ingredients${draftOf(formula.file) ? ", with changes not saved yet" : ""}`)));
  const good = reply.formulas.filter((formula) => !formula.error);
  return [
    ...(reply.formulas.length ? [] : [big("There is no formula yet."), ...examples(again)]),
    keys(link(address(NEW), "New formula", draftOf(NEW) ? small("not saved yet") : ""), link(address(TABLE), "From a spreadsheet")),
    good.length ? pickList(good.map(one)) : null,
    reply.formulas.filter((formula) => formula.error).map((formula) => wrong(`${formula.file} cannot be used: ${formula.error}`)),
    p(`They are files in ${reply.folder}${reply.more ? `, and ${reply.more} more are there` : ""}.`),
  ];
}

// ---- What is written --------------------------------------------------------------------------

const draftName = (file) => `bismar-formula ${file}`;
const draftOf = (file) => { try { return JSON.parse(remembered(session, draftName(file))); } catch { return null; } };
const keep = (file, draft) => remember(session, draftName(file), draft && JSON.stringify(draft));

/** A key that goes on in the form of a new formula; what stands there goes at the second press alone. */
function anew(words, draft) {
  const key = button(() => {
    if (draftOf(NEW) && !key.classList.contains("armed")) {
      key.classList.add("armed");
      key.textContent = "Press again: it takes the place of your “New formula” that is not saved";
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

const USES = [["", "Not told"], ["leave-on", "Stays on the skin"], ["rinse-off", "Is rinsed off"], ["premix", "Goes into other formulas"]];
const VESSELS = [["", "In a beaker of its own"], ["bowl", "Into the bowl"], ["difference", "By difference, from its bottle"]];

async function form(file, called) {
  let draft = draftOf(file);
  let note = draft ? "Not saved yet. What you wrote is here as you left it." : "";
  let was = null; // what stands in the file
  if (file !== NEW) {
    const reply = await get(question("/formula", { file }));
    if (reply.error) return [wrong(reply.error), p("Mend the file in a text editor; then it opens here."), link("formulas", "All formulas")];
    was = reply;
    called.set(file, reply.fields.name);
    put("room-title", `Formula: ${reply.fields.name}`);
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
  const size = field("Batch to try the scale with, grams", { inputmode: "decimal", value: remembered(kept, `bismar-try ${file}`) ?? "100" }, "figures below are for this much");
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
    one.input.value = of[key];
    const wrongs = el("small", { class: "fault", id: `${one.input.id}-fault` });
    one.box.append(wrongs);
    one.input.addEventListener("input", () => {
      of[key] = one.input.value;
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
      slot(`${at}.tolerance`, `${words}, percent`, one[key], "percent", { inputmode: "decimal" }, "of its own amount; empty: 1"),
      slot(`${at}.tolerance`, `${words}, grams`, one[key], "g", { inputmode: "decimal" }, "the wider of the two holds")];
    const draw = () => {
      slots.delete(`${at}.tolerance`);
      one.over = apart.on ? { ...one.over } : one.under;
      box.replaceChildren(sizes(apart.on ? [...side(`${number}: less`, "under"), ...side(`${number}: more`, "over")] : side(`Tolerance of ${number}`, "under")));
    };
    draw();
    return [box, tick("More is tolerated otherwise than less", apart, "on", draw)];
  };

  const ingredient = (phase, i, one, j, number) => {
    const at = `phases.${i}.ingredients.${j}`;
    const window = stack();
    rows.set(`${i}.${j}`, window);
    const unit = fields.in_parts ? "Parts" : "Percent";
    const amount = slot(`${at}.amount`, `${unit} of ${number}`, one, "amount", { inputmode: "decimal" });
    amount.hidden = one.balance;
    const rest = fields.in_parts && !one.balance ? null : tick("Takes the rest to 100", one, "balance", () => { amount.hidden = one.balance; });
    const own = el("small", { class: "fault" });
    slots.set(at, [{ wrongs: own }]);
    const set = [one.inci, one.caution, one.min, one.max, one.premix, one.vessel].some(Boolean) || one.lot_required;
    return el("li", { class: "way" },
      sizes(slot(`${at}.name`, `Ingredient ${number}`, one, "name", { maxlength: 120 }), amount, rest), own, window,
      el("details", {}, el("summary", {}, `More of ${number}`, small(set ? "INCI, tolerance, limits, caution: some is told" : "INCI, tolerance, limits, vessel, lot, caution")),
        el("div", { class: "rows" },
          sizes(slot(`${at}.inci`, `INCI name of ${number}`, one, "inci", { maxlength: 120 }),
            slot(`${at}.vessel`, `How ${number} is weighed`, one, "vessel", { choices: VESSELS })),
          tolerances(at, one, number),
          sizes(slot(`${at}.limits`, `At least, percent of the batch, ${number}`, one, "min", { inputmode: "decimal" }),
            slot(`${at}.limits`, `At most, percent of the batch, ${number}`, one, "max", { inputmode: "decimal" }, "your own limit, from the supplier's documents")),
          sizes(slot(`${at}.premix`, `Batch of which formula, ${number}`, one, "premix", {}, "for a premix; its lot is then its batch"),
            tick(`Asks for the lot of ${number}`, one, "lot_required")),
          slot(`${at}.caution`, `Caution for ${number}`, one, "caution", { rows: 3 }))),
      el("div", { class: "keys small" },
        button(() => move(phase.ingredients, j, -1, number - 1), `Up: ${number}`), button(() => move(phase.ingredients, j, 1, number + 1), `Down: ${number}`),
        button(() => { phase.ingredients.splice(j, 1); structure("", `Ingredient ${number} is gone.`); }, `Remove ${number}`)));
  };
  const move = (all, at, by, number) => {
    if (!all[at + by]) return;
    all.splice(at + by, 0, ...all.splice(at, 1));
    structure(`Ingredient ${number}`);
  };
  const section = (phase, i, first) => {
    const own = el("small", { class: "fault" });
    slots.set(`phases.${i}`, [{ wrongs: own }]);
    const blend = sends("Make it a premix", "/formula-premix", () => ({ fields, phase: i }), (reply, where) => {
      if (reply.error) return void faults(reply.faults ?? [], where);
      Object.assign(fields, reply.fields);
      changed();
      structure("", reply.say);
    }, { twice: "Press again: make a new formula of this phase" });
    const number = i + 1;
    return el("section", { class: "phase" }, el("h2", {}, `Phase ${number}`),
      sizes(slot(`phases.${i}.name`, `Name of phase ${number}`, phase, "name", { maxlength: 120, placeholder: `Phase ${number}` }),
        slot(`phases.${i}.mix`, `What is done after phase ${number}`, phase, "mix", {}, "such as: stir until even; may stay empty")), own,
      el("ol", { class: "ways one" }, phase.ingredients.map((one, j) => ingredient(phase, i, one, j, first + j))),
      el("div", { class: "keys" },
        button(() => { phase.ingredients.push(newIngredient()); structure(`Ingredient ${first + phase.ingredients.length - 1}`); }, `Add an ingredient to phase ${number}`),
        phase.ingredients.length > 1 && !fields.in_parts ? blend.key : null,
        i ? button(() => { fields.phases.splice(i - 1, 0, ...fields.phases.splice(i, 1)); structure(`Name of phase ${i}`); }, `Up: phase ${number}`) : null,
        button(() => { fields.phases.splice(i, 1); structure("", `Phase ${number} is gone.`); }, `Remove phase ${number}`)), blend.said);
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
    }), button(() => { fields.phases.push(newPhase()); structure(`Name of phase ${fields.phases.length}`); }, "Add a phase"));
    changed();
    if (words) { head.textContent = words; head.focus(); }
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
    for (const { at, say } of all) {
      const spot = slots.get(at)?.[0];
      if (!spot) { lost.push(say); continue; }
      spot.wrongs.textContent = `${spot.wrongs.textContent} ${say}`.trim();
      spot.wrongs.closest("details")?.setAttribute("open", "");
      if (!spot.input) continue;
      spot.input.setAttribute("aria-invalid", "true");
      spot.input.setAttribute("aria-describedby", [spot.hint && `${spot.input.id}-hint`, spot.wrongs.id].filter(Boolean).join(" "));
    }
    (where ?? whole).replaceChildren(...(where ? [where.textContent, ...lost.map((say) => ` ${say}`)] : lost.map((say) => el("p", { class: "said wrong" }, say))));
  };
  // An empty field of a new line is not wrong yet, as long as nothing is saved.
  let strict = file !== NEW;
  const tellable = (fault) => strict || !/^(Say|Give the formula)/.test(fault.say);

  const check = async () => {
    if (!root.contains(inside)) return;
    const mine = ++turn;
    const reply = await get("/formula-check", { file: file === NEW ? null : file, like: draft.like, fields, batch: size.value ? mass(size.value) : null });
    if (mine !== turn || !root.contains(inside)) return;
    if (reply.error) return void whole.replaceChildren(wrong(reply.error));
    const { total, missing, over, balance } = reply.sum ?? {};
    sum.hidden = !reply.sum;
    sum.className = over || missing ? "live heed" : "live good";
    sum.textContent = over ? `${total} %: ${over} too much` : missing ? `${total} %: ${missing} is missing to 100` : balance ? `${total} %, and the rest is ${balance}` : `${total} %`;
    faults(reply.faults.filter((fault) => fault.at !== "sum" && tellable(fault)));
    for (const box of rows.values()) box.replaceChildren();
    for (const step of reply.steps) {
      const bad = !step.proven;
      const words = bad ? `${step.percent} %, ${g(step.target)}: this scale cannot prove it.` : `${step.percent} %, ${g(step.target)}: from ${step.low} to ${g(step.high)} on scale ${step.scale}`;
      const window = rows.get(`${step.phase}.${step.ingredient}`);
      if (window) refill(window, el("p", { class: bad ? "said wrong" : "window" }, words), lines(step.says));
    }
    refill(more, [
      reply.assumed ? p("No scale is set up; the figures are for an assumed one of 0.01 g.") : null,
      reply.unplanned ? saying(reply.unplanned) : null,
      listed("Notes", reply.notes),
      listed("Cautions", reply.cautions),
    ]);
  };

  const open = (name, words) => {
    keep(file, null);
    told = words;
    location.hash === `#/${address(name)}` ? document.dispatchEvent(new Event("anew")) : (location.hash = `#/${address(name)}`);
  };
  save = sends("Save", "/formula-save", () => ({ file: file === NEW ? null : file, base: draft.base, like: draft.like, fields }), (reply) => {
    if (!reply.error) return void open(reply.file, reply.say);
    strict = true;
    if (reply.faults) faults(reply.faults);
    sumFault(reply.faults);
    again.hidden = !reply.changed;
    root.querySelector("[aria-invalid]")?.focus();
  });
  const sumFault = (all) => { const bad = all?.find(({ at }) => at === "sum"); if (bad) save.said.textContent = bad.say; };
  save.key.classList.add("main");
  const again = button(() => open(file, ""), "Open it as it is now, without what I wrote");
  again.hidden = true;
  const away = file === NEW ? button(() => { keep(file, null); location.hash = "#/formulas"; }, "Throw it away") : null;
  const copy = anew("Copy", () => {
    const bare = structuredClone(fields);
    for (const phase of bare.phases) {
      delete phase.from;
      for (const one of phase.ingredients) delete one.from;
    }
    return { fields: { ...bare, name: `${bare.name} copy`, version: "1" }, base: "", like: file };
  });
  const paper = el("a", { class: "key", href: "paper", target: "_blank", rel: "noopener", onclick: (event) => {
    event.currentTarget.href = `paper#formula/${encodeURIComponent(file)}/${encodeURIComponent(size.value ? mass(size.value) : "")}`;
  } }, "Card to print");
  size.input.addEventListener("input", () => {
    remember(kept, `bismar-try ${file}`, size.value);
    clearTimeout(timer);
    timer = setTimeout(check, PAUSE);
  });
  slots.set("batch", [{ input: size.input, wrongs: size.box.appendChild(el("small", { class: "fault" })), hint: true }]);
  const units = { way: fields.in_parts ? "parts" : "percent" };
  const unit = slot("unit", "Amounts are in", units, "way", { choices: [["percent", "Percent"], ["parts", "Parts"]] });
  unit.addEventListener("input", () => { fields.in_parts = units.way === "parts"; structure(); });
  const drawn = [
    head,
    sizes(slot("name", "Name of the formula", fields, "name", { maxlength: 120 }), slot("version", "Version", fields, "version", { maxlength: 40 }, "counted on by itself where batches were made of it")),
    sizes(slot("use", "What it is for", fields, "use", { choices: USES }), unit, size.box),
    el("div", { class: "sum" }, sum),
    inside, whole, save.key, save.said, again,
    keys(file === NEW || inBatch() ? null : link(at("begin", file), "New batch of it"), file === NEW ? null : [copy, paper, csv(file)], away, link("formulas", "All formulas")),
    file === NEW ? null : p("Card, table and batch are of what is saved."),
    more,
    file === NEW ? null : versions(file),
    slot("notes", "Notes", fields, "notes", { rows: 5 }),
  ];
  structure();
  if (note || told) head.textContent = told || note;
  if (!note) keep(file, null);
  told = "";
  return drawn;
}
let told = ""; // what is said of a form that is opened by a key of another

const csv = (file) => saves("Table (CSV)", () => question("/formula-csv", { file }), file.replace(/\.toml$/, ".csv"));

// ---- Versions ---------------------------------------------------------------------------------

function versions(file) {
  const box = stack();
  const read = async () => {
    const reply = await get(question("/formula-versions", { file }));
    if (reply.error) return void box.replaceChildren(wrong(reply.error));
    if (!reply.versions.length) return void box.replaceChildren(p("No batch was made of it yet."));
    const name = (one) => `${one.version ? `Version ${one.version}` : "Without a version"}: ${one.batches} ${one.batches === 1 ? "batch" : "batches"}, the last is ${one.batch}`;
    const choices = reply.versions.map((one) => [one.batch, name(one)]);
    const was = field("From", { choices });
    const is = field("To", { choices: [["", "As it is in the file"], ...choices] });
    const out = el("div", { class: "rows", "aria-live": "polite" });
    const show = async () => {
      const found = await get(question("/formula-compare", { file, was: was.value, is: is.value }));
      if (found.error) return void out.replaceChildren(wrong(found.error));
      const rows = found.differences.map((one) => ({ cells: [one.what, one.was || "–", one.is || "–"] }));
      out.replaceChildren(rows.length ? table("What is not the same", [h("What"), h("From"), h("To")], rows) : p("Both say the same."));
    };
    box.replaceChildren(sizes(was.box, is.box), button(show, "Compare them"), out);
  };
  return el("details", { ontoggle: (event) => { if (event.target.open && event.target === event.currentTarget) read(); } }, el("summary", {}, "Versions and their batches"), box);
}

// ---- Out of a spreadsheet ---------------------------------------------------------------------

const MEANS = [["nothing", "not used"], ["phase", "Phase"], ["ingredient", "Ingredient"], ["amount", "Amount"], ["inci", "INCI"], ["tolerance", "Tolerance, %"], ["tolerance-g", "Tolerance, g"],
  ["under", "Less, %"], ["under-g", "Less, g"], ["over", "More, %"], ["over-g", "More, g"], ["min", "At least, %"], ["max", "At most, %"], ["vessel", "Vessel"], ["lot", "Lot asked for"], ["premix", "Premix"], ["caution", "Caution"], ["mix", "Mix"]];
const KINDS = [["", "not told yet"], ["percent", "Percents"], ["fraction", "Shares of one (0.25 is 25 %)"], ["grams", "Grams, to be turned into percents"], ["parts", "Parts"]];

function spreadsheet() {
  const cells = field("Cells", { rows: 8 }, "copy them in the spreadsheet, with their headings, and paste them here");
  const out = stack();
  const note = said("");
  const asked = { columns: null, amounts: null };
  const body = () => ({ text: cells.input.value, ...asked });
  const show = (reply) => refill(out, reply.error ? [] : preview(reply.sheet));
  const look = sends("Look at it", "/formula-sheet", body, show);
  const reread = async () => {
    const reply = await get("/formula-sheet", body());
    reply.error ? out.replaceChildren(wrong(reply.error)) : show(reply);
  };
  const preview = (sheet) => {
    asked.columns = sheet.columns;
    asked.amounts = sheet.amounts;
    const pick = (head, i) => {
      const one = field(`“${head || i + 1}” is`, { choices: MEANS });
      one.input.value = sheet.columns[i];
      one.input.addEventListener("change", () => { asked.columns[i] = one.value; asked.amounts = null; reread().then(() => out.querySelectorAll("select")[i]?.focus()); });
      return one.box;
    };
    const kind = field("The amounts are", { choices: KINDS });
    kind.input.value = sheet.amounts ?? "";
    kind.input.addEventListener("change", () => { asked.amounts = kind.value || null; reread().then(() => out.querySelectorAll("select")[sheet.heads.length]?.focus()); });
    const rows = sheet.rows.map((row) => ({ heed: row.takes.startsWith("left out"), cells: [row.takes, ...row.cells] }));
    const take = anew("Take it over into the form", () => ({ fields: { ...newFields(), ...sheet.fields, name: "", version: "1" }, base: "" }));
    take.classList.add("main");
    return [
      part("What it is taken for", sizes(sheet.heads.map(pick), kind.box)),
      sheet.asks.length ? lines(sheet.asks, "lines heed") : null, lines(sheet.said),
      table("What becomes of each row", [h("Becomes"), ...sheet.heads.map((head) => (head ? n(head) : h("")))], rows),
      sheet.fields ? take : null,
    ];
  };
  // What was shown is no longer what the cells say.
  const fresh = () => { Object.assign(asked, { columns: null, amounts: null }); out.replaceChildren(); };
  cells.input.addEventListener("input", fresh);
  const file = field("Or open a CSV file", { type: "file", accept: ".csv,.tsv,.txt,text/csv" });
  file.input.addEventListener("change", async () => {
    const [one] = file.input.files;
    if (!one) return;
    fresh();
    if (one.size > 200000) return void (note.textContent = "This file is too large for a formula.");
    const bytes = await one.arrayBuffer();
    note.textContent = `Read from ${one.name}.`;
    try { cells.input.value = new TextDecoder("utf-8", { fatal: true }).decode(bytes); } catch {
      cells.input.value = new TextDecoder("windows-1252").decode(bytes);
      note.textContent += " It is no UTF-8: look whether every letter is right.";
    }
    look.key.click();
  });
  return [cells.box, file.box, note, keys(look.key, link("formulas", "All formulas")), look.said, out];
}
