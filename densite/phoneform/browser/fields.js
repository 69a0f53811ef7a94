// One field: its heading, its unit, what it offers, what the checks say of it.

// A field is asked for by its entry and its term's name. `changed` is told of each change.
function fieldOf(entry, name, changed = () => {}) {
  const key = `${entry.record}.${name}`, term = PAGE.terms[key];
  const field = { entry, name, key, term, id: newName(), changed };
  const block = make("div", { class: "field", id: `at-${name}`, "data-key": key });
  field.said = make("div", { class: "said", id: `${field.id}-said`, "aria-live": "polite" });
  const parts = term.choices && term.choices.length ? choiceParts(field) : textParts(field);
  block.append(...parts.filter(Boolean), field.said);
  judgeField(field);
  return block;
}

function labelOf(field, tag = "label") {
  const heading = termHeading(field.entry.record, field.name), unit = unitBeside(heading, unitOf(field.term));
  const needed = (PAGE.needed[field.entry.record] || []).includes(field.name);
  const extra = [unit, needed ? say("told.needed") : ""].filter(Boolean).join(", ");
  return make(tag, { class: "label", id: `${field.id}-label`, for: tag === "label" ? field.id : null },
    heading, extra ? make("span", { class: "extra" }, ` ${extra}`) : null);
}

// A heading that has the unit in it, as "Minutes out" has, is not read aloud with it twice.
function unitBeside(heading, unit) {
  return unit.length > 3 && heading.toLowerCase().includes(unit.toLowerCase()) ? "" : unit;
}

function hintOf(field) {
  const text = named(`hint.${field.key}`, "");
  return text ? make("p", { class: "hint", id: `${field.id}-hint` }, text) : null;
}

function describedBy(field, hint) {
  return [hint ? hint.id : "", `${field.id}-said`].filter(Boolean).join(" ");
}

function take(field, text) {
  setValue(field.entry, field.name, text);
  judgeField(field);
  field.changed(field.name, text);
}

// --- text, number, date, time

function textParts(field) {
  const { term, entry, name } = field;
  const long = /notes|injuries|state_back|action/.test(name) && term.kind === "text";
  const hint = hintOf(field);
  const input = make(long ? "textarea" : "input", {
    id: field.id, type: long ? null : "text", rows: long ? 2 : null, autocomplete: "off", spellcheck: "false",
    autocapitalize: long ? "sentences" : "off", inputmode: keyboardOf(field), "aria-describedby": describedBy(field, hint),
    placeholder: inheritedText(field) || null,
    oninput: () => { take(field, input.value.trim() === "" ? "" : input.value); showOffers(field); },
    onblur: () => tidy(field),
  });
  input.value = entry.values[name] || "";
  field.input = input;
  const row = make("div", { class: "row" }, input, nowButton(field));
  field.offers = make("div", { class: "offers" });
  showOffers(field);
  return [labelOf(field), hint, row, field.offers];
}

function keyboardOf({ term, name }) {
  if (term.kind === "date" || term.kind === "time" || name === "transponder") return "numeric";
  return term.kind === "number" && !(term.floor < 0) ? "decimal" : null; // some decimal keyboards have no minus
}

function inheritedText({ entry, name }) {
  return entry.values[name] ? "" : fullValues(entry)[name] || "";
}

function nowButton(field) {
  if (field.term.kind !== "date" && field.term.kind !== "time") return null;
  const clock = () => (field.term.kind === "date" ? today() : momentNow().slice(11, 16));
  const said = say(field.term.kind === "date" ? "do.today" : "do.now");
  const made = button(said, () => fill(field, clock()), "now");
  made.setAttribute("aria-label", `${said}: ${termHeading(field.entry.record, field.name)}`);
  return made;
}

function fill(field, text) {
  field.input.value = text;
  take(field, text);
  showOffers(field);
}

// Gloves type figures only: 814 becomes 08:14 and 20260224 becomes 2026-02-24; anything else stays as it is.
function tidy(field) {
  const text = field.input.value.trim();
  let made = text;
  if (field.term.kind === "time") made = text.replace(/^(\d{1,2})[.:h ]?([0-5]\d)$/, (_, h, m) => `${h.padStart(2, "0")}:${m}`);
  if (field.term.kind === "date") made = text.replace(/^(\d{4})[-/. ]?(\d{2})[-/. ]?(\d{2})$/, "$1-$2-$3");
  if (made !== field.input.value && made !== "") fill(field, made);
}

// --- what a field offers to be taken over by one touch

const OFFERS_SHOWN = 6;

function offersOf(field) {
  if (field.key === "sample.animal") return animalsHere(field.entry.visit);
  return PAGE.offers[field.key] || [];
}

// The female of the visit and the cubs that have an id.
function animalsHere(visit) {
  const den = held.entries.get(visit);
  const cubs = recordsOf(visit, "cub").map((cub) => cub.values.cub_id);
  return [den && den.values.female, ...cubs].filter(Boolean);
}

function showOffers(field) {
  const typed = field.input.value.trim().toLowerCase();
  const all = offersOf(field);
  const fitting = all.filter((one) => one.toLowerCase().includes(typed) && one.toLowerCase() !== typed);
  const shown = fitting.slice(0, OFFERS_SHOWN);
  const more = fitting.length - shown.length;
  field.offers.replaceChildren(
    ...shown.map((one) => button(one, () => { fill(field, one); field.input.focus({ preventScroll: true }); }, "offer")),
    ...(more > 0 ? [make("span", { class: "more" }, say("told.more", { count: more }))] : []));
}

// --- choices: touching the chosen one again clears it

function choiceParts(field) {
  const hint = hintOf(field);
  const group = make("div", { class: `choices of${Math.min(field.term.choices.length, 9)}`, role: "group",
    "aria-labelledby": `${field.id}-label`, "aria-describedby": describedBy(field, hint) });
  const show = () => {
    for (const one of group.children) {
      one.setAttribute("aria-pressed", String(one.dataset.value === (field.entry.values[field.name] || "")));
    }
  };
  for (const value of field.term.choices) {
    group.append(make("button", { type: "button", class: "choice", "data-value": value, onclick: () => {
      take(field, field.entry.values[field.name] === value ? "" : value);
      show();
    } }, DRAWINGS[value] && field.key === "den.den_type" ? drawing("den", DRAWINGS[value]) : null,
    make("span", {}, choiceWord(value))));
  }
  show();
  field.show = show;
  return [labelOf(field, "div"), hint, group];
}

// --- what the checks say; they never stand in the way

function judgeField(field) {
  const lines = judged(field.entry, field.name).map((one) => make("p", { class: one.level },
    make("b", {}, say(`told.${one.level}`)), " ", say(one.key, one.values)));
  if (lines.length || field.said.childElementCount) field.said.replaceChildren(...lines);
}
