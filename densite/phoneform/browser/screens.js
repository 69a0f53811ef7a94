// The screens, each with an address of its own: the browser's Back goes one screen back, a reload stays.

// #/ , #/hand-over , #/<den> , #/<den>/withdraw , #/<den>/<screen> , #/<den>/<screen>/<record> and so on; ?field
function addressNow() {
  const [path, field] = location.hash.replace(/^#\/?/, "").split("?");
  return { parts: path.split("/").filter(Boolean), field: field || "" };
}

const PATTERN = /^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$/;

function drawScreen() {
  stopInstruments();
  const { parts, field } = addressNow(), [first, second, third, fourth] = parts;
  if (!first || !(first === "hand-over" || PATTERN.test(first))) return showScreen(storedScreen());
  if (first === "hand-over") return showScreen(handOverScreen());
  const visit = denEntry(first);
  if (second === "withdraw") return showScreen(withdrawScreen(visit, visit));
  const card = third && (held.entries.get(third) || held.fresh.get(third));
  if (card && card.visit === first) return showScreen(fourth ? withdrawScreen(card, visit) : cardScreen(card, visit), field);
  const screen = PAGE.screens.find((one) => one.name === second);
  return showScreen(screen ? workScreen(screen, visit) : visitScreen(visit), field);
}

function showScreen({ title, kicker, body, bar, visit }, field = "") {
  const main = document.getElementById("screen");
  const head = heading(title, 1);
  main.replaceChildren(make("header", { class: "head" }, kicker ? make("p", { class: "kicker" }, kicker) : null, head),
    ...body.flat().filter(Boolean));
  document.getElementById("top").replaceChildren(topLine(visit));
  document.getElementById("bar").replaceChildren(make("nav", { "aria-label": say("told.bar") }, bar.filter(Boolean)));
  document.title = `${title} - ${PAGE.study.label}`;
  showKept();
  showTurnBack();
  if (!goToField(field)) head.focus({ preventScroll: true });
}

function goToField(name) {
  const block = name && (document.getElementById(`at-${name}`) || document.getElementById(`section-${name}`));
  if (!block) return false;
  for (let up = block; up; up = up.parentElement) if (up.tagName === "DETAILS") up.open = true;
  block.scrollIntoView({ block: "center" });
  const first = block.querySelector("input, textarea, button");
  if (first) first.focus({ preventScroll: true });
  return true;
}

// --- the line at the top: what is kept, turning back, day or night

function topLine(visit) {
  const next = look.mode === "day" ? "night" : "day";
  const mode = button(say(`mode.${next}`), () => { setMode(next); }, "mode");
  mode.setAttribute("aria-label", say(`mode.to_${next}`));
  return make("div", { class: "top" }, make("p", { id: "kept", role: "status" }), mode,
    make("p", { id: "turn", "data-visit": visit ? visit.id : "" }));
}

function showKept() {
  const line = document.getElementById("kept");
  if (!line) return;
  const refused = held.refused.size > 0, bad = refused || held.store.fleeting || held.twice;
  const text = refused ? say("told.not_kept") : held.store.fleeting ? say("told.fleeting")
    : held.twice ? say("told.twice")
    : held.lastKept ? say("told.kept_at", { time: held.lastKept }) : say("told.kept_here");
  line.classList.toggle("loud", bad);
  if (line.textContent !== text) line.textContent = text;
}

function showTurnBack() {
  const line = document.getElementById("turn");
  if (!line) return;
  const visit = line.dataset.visit ? denEntry(line.dataset.visit) : dens().find((den) => turnBack.of(den.id));
  const time = visit && visit.values.date === today() ? turnBack.of(visit.id) : ""; // not on the days after
  const late = CLOCK.test(time) && momentNow().slice(11, 16) >= time;
  line.hidden = !time;
  line.classList.toggle("loud", late);
  line.textContent = time ? say(late ? "told.turn_back_now" : "told.turn_back_at", { time }) : "";
}

const look = { mode: "day" };

function setMode(mode) {
  look.mode = mode;
  document.documentElement.dataset.mode = mode;
  document.querySelector('meta[name="theme-color"]').content = mode === "day" ? "#f7f4ea" : "#140202";
  held.store.note("mode", mode).catch(() => {});
  const { visit } = document.getElementById("turn").dataset;
  document.getElementById("top").replaceChildren(topLine(visit ? { id: visit } : null));
  showKept();
  showTurnBack();
  document.querySelector("#top .mode").focus();
}

// --- what is stored here

function storedScreen() {
  const all = dens(), open = toHandOver().length;
  const list = make("ul", { class: "cards" }, all.map(visitLink));
  return {
    title: say("screen.stored"), kicker: PAGE.study.label,
    body: [all.length > FINDING_FROM ? findField(list) : null,
      all.length ? list : make("p", {}, say("told.nothing_stored")),
      make("div", { id: "offline", role: "status" }, offlineWords()), languageField(),
      make("p", { class: "hint aside" }, say("told.secret"))],
    bar: [all.length ? linkTo("#/hand-over", say("do.hand_over"), open ? "" : "quiet") : null,
      button(say("do.new_den"), () => { location.hash = `#/${newId()}/arriving`; }, "main")],
  };
}

// Whether a form that is served from an address will open where there is no network.
function offlineWords() {
  if (held.offline === "ready") return [make("p", { class: "hint aside" }, say("told.offline_ready"))];
  if (held.offline !== "never") return [];
  return [make("div", { class: "note loud aside" }, make("p", {}, say("told.offline_never")),
    make("a", { class: "button", href: "form.html", download: "form.html" }, say("do.save_form")))];
}

const FINDING_FROM = 8;

// Long lists are shortened by what is typed: part of a label, a day, a type, a female.
function findField(list) {
  const find = make("input", { id: "find", type: "text", autocomplete: "off", spellcheck: "false", oninput: () => {
    const typed = find.value.trim().toLowerCase();
    for (const one of list.children) one.hidden = !one.textContent.toLowerCase().includes(typed);
  } });
  return make("div", { class: "field" }, make("label", { class: "label", for: "find" }, say("ask.find")), find);
}

function languageField() {
  const codes = Object.keys(PAGE.words);
  if (codes.length < 2) return null;
  const group = make("div", { class: "choices of2", role: "group", "aria-label": say("ask.language") });
  for (const code of codes) {
    group.append(make("button", { type: "button", class: "choice", lang: code, onclick: () => {
      setLanguage(code);
      held.store.note("language", code).catch(() => {});
      drawScreen();
    }, "aria-pressed": String(document.documentElement.lang === code) }, PAGE.words[code].language || code));
  }
  return make("section", { class: "section" }, heading(say("ask.language")), group);
}

// --- one visit: its six stretches of work

function visitScreen(visit) {
  const rows = PAGE.screens.map((screen, place) => make("li", {}, make("a", { class: "card stretch",
    href: `#/${visit.id}/${screen.name}` }, make("b", {}, `${place + 1}. ${say(`screen.${screen.name}`)}`),
  make("span", {}, stretchGist(screen, visit)))));
  return {
    visit, title: denName(visit), kicker: [visit.values.date, say(`state.${stateOf(visit)}`)].filter(Boolean).join(", "),
    body: [withdrawnNote(visit, visit), make("ol", { class: "cards" }, rows), withdrawLink(visit, `#/${visit.id}/withdraw`)],
    bar: [linkTo("#/", say("screen.stored")), linkTo(`#/${visit.id}/${PAGE.screens[0].name}`, say("do.on_to", { screen: say("screen.arriving") }), "main")],
  };
}

function stretchGist(screen, visit) {
  const handling = handlingOf(visit.id);
  const keys = screen.sections.flatMap((section) => section.terms);
  const filled = keys.filter((key) => (key.startsWith("den.") ? visit : handling).values[key.split(".")[1]]).length;
  const cards = screen.sections.filter((section) => section.many)
    .map((section) => [section.many, recordsOf(visit.id, section.many).filter((one) => !one.withdrawn_on_phone).length]);
  const said = [filled ? say("told.filled", { count: filled }) : "",
    ...cards.filter(([, count]) => count).map(([kind, count]) => say(`told.count_${kind}`, { count }))];
  return said.filter(Boolean).join(", ") || say("told.empty");
}

function withdrawnNote(entry, visit) {
  if (!entry.withdrawn_on_phone) return null;
  return make("div", { class: "note loud" }, make("p", {}, say("told.withdrawn", { reason: entry.withdrawn_reason })),
    button(say("do.bring_back"), async () => { await bringBack(entry); drawScreen(); }));
}

function withdrawLink(entry, hash) {
  if (entry.withdrawn_on_phone || !held.entries.has(entry.id)) return null;
  return make("p", { class: "aside" }, linkTo(hash, say("do.withdraw"), "quiet"));
}

// --- one stretch of the work

function entryFor(key, visit) {
  return key.startsWith("den.") ? visit : sharedHandling(visit);
}

// All fields of one screen write into the same handling, also before it is first kept.
const handlingHeld = { entry: null };

function sharedHandling(visit) {
  const { entry } = handlingHeld;
  if (!entry || entry.visit !== visit.id || entry.withdrawn_on_phone) handlingHeld.entry = handlingOf(visit.id);
  return handlingHeld.entry;
}

function workScreen(screen, visit) {
  const place = PAGE.screens.indexOf(screen), next = PAGE.screens[place + 1];
  return {
    visit, title: say(`screen.${screen.name}`), kicker: `${denName(visit)}, ${place + 1} / ${PAGE.screens.length}`,
    body: [withdrawnNote(visit, visit), screen.sections.map((section) => sectionBlock(section, visit))],
    bar: [linkTo(`#/${visit.id}`, say("do.overview")),
      next ? linkTo(`#/${visit.id}/${next.name}`, say("do.on_to", { screen: say(`screen.${next.name}`) }), "main")
        : linkTo("#/hand-over", say("do.hand_over"), "main")],
  };
}

function sectionBlock(section, visit) {
  const parts = section.many ? cardsSection(section, visit) : (SPECIALS[section.special] || plainSection)(section, visit);
  const id = `section-${section.name}`;
  const block = make("section", { class: `section part-${section.name}`, id, "aria-labelledby": `${id}-name` },
    heading(say(`part.${section.name}`), 2, `${id}-name`), parts);
  if (section.when.length) block.dataset.when = section.when.join("=");
  showWhen(block, visit);
  if (section.name === "type") block.addEventListener("click", () => {
    for (const other of document.querySelectorAll("[data-when]")) showWhen(other, visit);
  });
  return block;
}

// A field that is hidden keeps what was written into it.
function showWhen(block, visit) {
  if (!block.dataset.when) return;
  const [name, value] = block.dataset.when.split("=");
  block.hidden = visit.values[name] !== value;
}

// --- one card

function cardScreen(card, visit) {
  const cards = recordsOf(visit.id, card.record), back = cardsHash(visit, card);
  const fields = PAGE.cards[card.record].map((key) => fieldOf(card, key.split(".")[1]));
  return {
    visit, title: cardName(card, cards.includes(card) ? cards.indexOf(card) : cards.length), kicker: denName(visit),
    body: [withdrawnNote(card, visit), make("div", { class: "section" }, fields),
      withdrawLink(card, `${cardHash(visit, card)}/withdraw`)],
    bar: [button(say(`do.add_${card.record}`), () => addCard(visit, card.record)), linkTo(back, say("do.done"), "main")],
  };
}

// --- withdrawing: an entry stays in the file with its reason, and is never taken in

function withdrawScreen(entry, visit) {
  const own = entry === visit, back = own ? `#/${visit.id}` : cardHash(visit, entry);
  const said = make("div", { class: "said", id: "reason-said", "aria-live": "polite" });
  const reason = make("textarea", { id: "reason", rows: 4, "aria-describedby": "reason-said" });
  const act = async () => {
    if (!reason.value.trim()) {
      said.replaceChildren(make("p", { class: "doubt" }, say("told.reason_needed")));
      return reason.focus();
    }
    await withdraw(entry, reason.value.trim());
    return location.replace(own ? "#/" : cardsHash(visit, entry));
  };
  const name = own ? denName(visit) : cardName(entry, recordsOf(visit.id, entry.record).indexOf(entry));
  return {
    visit, title: say("screen.withdraw"), kicker: name,
    body: [make("div", { class: "section" }, make("p", {}, say(own ? "told.withdraw_den" : "told.withdraw_card")),
      make("div", { class: "field" }, make("label", { class: "label", for: "reason" }, say("ask.reason")), reason, said))],
    bar: [linkTo(back, say("do.keep")), button(say("do.withdraw"), act, "main")],
  };
}

// --- handing over

function handOverScreen() {
  const waiting = toHandOver(), all = [...held.entries.values()];
  const state = make("div", { role: "status" });
  const count = waiting.filter((entry) => entry.record === "den").length;
  return {
    title: say("screen.hand_over"), kicker: PAGE.study.label,
    body: [make("div", { class: "section" },
      make("p", { class: "reading" }, count ? say("told.waiting", { count }) : say("told.none_waiting")),
      make("p", { class: "hint" }, say("told.how_to_hand_over")), state,
      all.length > waiting.length ? button(say("do.make_all"), () => makeFile(all, state)) : null), clearingPart()],
    bar: [linkTo("#/", say("screen.stored")), button(say("do.make_file"), () => makeFile(waiting, state), "main")],
  };
}

async function makeFile(entries, state) {
  await writePending();
  const marks = new Map(entries.map((entry) => [entry.id, entry.changed_at]));
  if (!entries.length) { state.replaceChildren(make("p", {}, say("told.none_waiting"))); return; }
  state.replaceChildren(make("p", {}, say("told.making")));
  const meta = { study: { id: PAGE.study.id, label: PAGE.study.label }, device: held.device,
    language: document.documentElement.lang, written_at: momentNow() };
  try {
    const photos = (await Promise.all(entries.map((entry) => held.store.photos(entry.id)))).flat(), lost = [];
    const file = await fieldFile(entries.map(completed), photos, meta, (photo) => lost.push(photo));
    offerFile(file, () => markHanded(entries, marks, meta.written_at), state);
    if (lost.length) state.prepend(make("p", { class: "error" }, say("told.photos_lost", { count: lost.length })));
  } catch (error) {
    state.replaceChildren(make("p", { class: "error" }, say("told.no_file", { error: error.message })));
  }
}

function offerFile(file, arrived, state) {
  const said = make("p", { class: "hint" });
  const share = button(say("do.share"), async () => {
    if (!await shareFile(file)) said.textContent = say("told.no_share");
  }, "strong");
  state.replaceChildren(make("h2", {}, say("part.file")), make("p", { class: "file" }, file.name,
    ` (${Math.max(1, Math.round(file.size / 1000))} kB)`),
  button(say("do.save_file"), () => saveFile(file), "strong"), share, said, make("h2", {}, say("ask.arrived")),
  make("p", { class: "hint" }, say("hint.arrived")),
  button(say("do.arrived"), arrived, "strong"),
  button(say("do.not_arrived"), () => state.replaceChildren(make("p", {}, say("told.still_here")))));
  state.querySelector("button").focus();
}

// `marks` says which change of each entry is in the file: what was changed since then is still to be handed over.
async function markHanded(entries, marks, moment) {
  for (const entry of entries) {
    Object.assign(entry, { handed_over_at: moment, handed_over_as: marks.get(entry.id) });
    await writeEntry(entry);
  }
  drawScreen();
}

// A lost phone gives away every den on it: what has arrived can leave it.
function clearingPart() {
  const gone = dens().filter((den) => ![den, ...recordsOf(den.id)].some(isToHandOver));
  if (!gone.length) return null;
  const count = gone.length;
  const ask = sureButton(say("do.clear", { count }), say("do.clear_sure", { count }), async () => {
    for (const den of gone) await removeVisit(den);
    drawScreen();
  });
  return make("section", { class: "section" }, heading(say("part.clear")), make("p", { class: "hint" }, say("hint.clear")), ask);
}
