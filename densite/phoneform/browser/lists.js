// Cards of records that belong to a visit, the list of what is stored here, and the list of what is missing.

function cardsSection(section, visit) {
  const kind = section.many, cards = recordsOf(visit.id, kind);
  const list = make("ul", { class: "cards" }, cards.map((entry, place) => make("li", {}, cardLink(entry, visit, place))));
  return [cards.length ? list : make("p", { class: "hint" }, say(`told.none_${kind}`)),
    button(say(`do.add_${kind}`), () => addCard(visit, kind), "strong add")];
}

function cardLink(entry, visit, place) {
  const lack = lacks(entry).filter((one) => one.needed).length;
  return make("a", { class: `card ${entry.withdrawn_on_phone ? "gone" : ""}`, href: cardHash(visit, entry) },
    make("b", {}, cardName(entry, place)), make("span", {}, cardGist(entry)),
    entry.withdrawn_on_phone ? make("span", { class: "state" }, say("state.withdrawn"))
      : lack ? make("span", { class: "state lack" }, say("told.lacks", { count: lack })) : null);
}

function cardHash(visit, entry) {
  return `#/${visit.id}/${screenOf(entry.record)}/${entry.id}`;
}

// Back to the section of the cards, so that the next one is at hand on a long screen.
function cardsHash(visit, entry) {
  const { name, sections } = PAGE.screens.find((screen) => screen.name === screenOf(entry.record));
  return `#/${visit.id}/${name}?${sections.find((section) => section.many === entry.record).name}`;
}

function screenOf(kind) {
  if (kind === "den" || kind === "handling") return "den";
  return PAGE.screens.find((screen) => screen.sections.some((section) => section.many === kind)).name;
}

function cardName(entry, place) {
  const number = entry.record === "cub" ? entry.values.cub_no || "?" : place + 1;
  return say(`kind.${entry.record}`, { number });
}

// The values that tell cards of a kind apart.
const GIST = {
  drug: ["given", "drug", "volume_ml"], reading: ["read", "temperature_c", "heart_rate"],
  mark: ["mark_event", "mark_kind", "mark_code"], cub: ["sex", "mass_g", "sample_label"],
  sample: ["sample_label", "tissue", "animal"], check: ["checked_on", "checked_by", "at_den"],
};

function cardGist(entry) {
  const said = GIST[entry.record].map((name) => {
    const term = PAGE.terms[`${entry.record}.${name}`], text = fullValues(entry)[name];
    if (!text) return "";
    return term.choices && term.choices.length ? choiceWord(text) : [text, unitOf(term)].filter(Boolean).join(" ");
  });
  return said.filter(Boolean).join(", ") || say("told.empty");
}

function addCard(visit, kind) {
  const entry = blankEntry(kind, visit.id);
  if (kind === "cub") entry.values.cub_no = String(nextCub(visit));
  // A cub that was seen counts, though nothing more is known of it; any other card begins with its first field.
  if (kind === "cub") keep(entry);
  else held.fresh.set(entry.id, entry);
  location.hash = cardHash(visit, entry);
}

function nextCub(visit) {
  const numbers = recordsOf(visit.id, "cub").filter((cub) => !cub.withdrawn_on_phone).map((cub) => Number(cub.values.cub_no));
  return Math.max(0, ...numbers.filter(Number.isFinite)) + 1;
}

// --- what is stored here

function denName(den) {
  return den.values.den_label || say("told.no_label");
}

function visitLink(den) {
  const cubs = recordsOf(den.id, "cub").filter((cub) => !cub.withdrawn_on_phone).length, state = stateOf(den);
  const facts = [den.values.date, den.values.den_type && choiceWord(den.values.den_type), den.values.female,
    cubs ? say("told.cubs", { count: cubs }) : ""].filter(Boolean).join(", ");
  return make("li", {}, make("a", { class: `card ${state === "withdrawn" ? "gone" : ""}`, href: `#/${den.id}` },
    make("b", {}, denName(den)), make("span", {}, facts), make("span", { class: `state ${state}` }, say(`state.${state}`))));
}

// --- what is missing

function missingSection(section, visit) {
  const all = [visit, ...recordsOf(visit.id)].filter((entry) => !entry.withdrawn_on_phone);
  const lack = all.flatMap(lacks), doubts = all.flatMap(doubtsOf);
  const groups = [["needed", lack.filter((one) => one.needed)], ["doubts", doubts],
    ["wanted", lack.filter((one) => !one.needed)]];
  const shown = groups.filter(([, found]) => found.length).flatMap(([name, found]) => [
    missingGroup(name, make("ul", { class: "missing" }, found.map((one) => missingItem(visit, one))), found.length)]);
  return [make("p", { class: "hint" }, say("missing.free")), ...(shown.length ? shown : [make("p", {}, say("missing.nothing"))])];
}

// What is only often wanted is folded up: it is long on most visits.
function missingGroup(name, list, count) {
  const title = `${say(`missing.${name}`)}: ${count}`;
  if (name === "wanted") return make("details", {}, make("summary", {}, title), list);
  return make("div", {}, make("h3", {}, title), list);
}

function missingItem(visit, { entry, name, said }) {
  const cards = recordsOf(visit.id, entry.record), card = entry.record !== "den" && entry.record !== "handling";
  const title = name === "place" ? say("part.place") : termHeading(entry.record, name);
  const text = `${card ? `${cardName(entry, cards.indexOf(entry))}: ` : ""}${title}`;
  return make("li", {}, make("a", { href: missingHash(visit, entry, name) }, make("b", {}, text),
    said ? make("span", {}, say(said.key, said.values)) : null));
}

function missingHash(visit, entry, name) {
  if (entry.record !== "den" && entry.record !== "handling") return `${cardHash(visit, entry)}?${name}`;
  const key = `${entry.record}.${name === "place" ? "latitude" : name}`;
  const screen = PAGE.screens.find((one) => one.sections.some((section) => section.terms.includes(key)));
  return `#/${visit.id}/${screen ? screen.name : "den"}?${name}`;
}
