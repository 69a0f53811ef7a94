// Sections that have their own way of being filled: reminders, place, facing, slope, photographs, procedures.

const running = { stops: [] };

// Whatever listens to the phone's instruments ends with the screen: battery, and a phone carried on.
function stopInstruments() {
  for (const stop of running.stops.splice(0)) stop();
}

// Start to listen; a stop that is told more than once stops once.
function listenWith(watch, onState) {
  let over = false;
  const end = watch((state) => { if (!over) onState(state); });
  const stop = () => { if (!over) { over = true; end(); } };
  running.stops.push(stop);
  return stop;
}

const SPECIALS = {
  reminders: remindersSection, permits: permitsSection, place: placeSection, type: plainSection,
  facing: facingSection, slope: slopeSection, photos: photosSection, procedures: proceduresSection,
  missing: missingSection, folded: foldedSection,
};

function plainSection(section, visit) {
  return section.terms.map((key) => fieldOf(entryFor(key, visit), key.split(".")[1]));
}

// Fields that few visits need.
function foldedSection(section, visit) {
  const filled = section.terms.some((key) => visit.values[key.split(".")[1]]);
  return [make("details", { open: filled }, make("summary", {}, say(`ask.${section.name}`)), plainSection(section, visit))];
}

// --- arriving

function remindersSection(section, visit) {
  const list = make("ul", { class: "care" });
  for (const key of Object.keys(PAGE.words.en).filter((one) => one.startsWith("care."))) {
    list.append(make("li", {}, say(key)));
  }
  return [clockNote(), list, turnBackField(visit)];
}

const DAY_MS = 86400000; // a zone's worth of days is no error

// Days and times are filled in by the phone's clock; one that stands before the form was made is wrong.
function clockNote() {
  if (Date.now() > Date.parse(PAGE.study.made_on) - DAY_MS) return null;
  return make("div", { class: "note loud" }, say("told.clock", { day: today(), made: PAGE.study.made_on }));
}

// The time at which the crew turns back is the crew's own: it stays on the phone and shows at the head of each screen.
function turnBackField(visit) {
  const input = make("input", { id: "turn-back", type: "text", inputmode: "numeric", autocomplete: "off",
    "aria-describedby": "turn-back-hint turn-back-said" });
  const said = make("div", { class: "said", id: "turn-back-said", "aria-live": "polite" });
  const noteIt = () => {
    input.value = input.value.trim().replace(/^(\d{1,2})[.:h ]?([0-5]\d)$/, (_, h, m) => `${h.padStart(2, "0")}:${m}`);
    turnBack.set(visit.id, input.value);
    const readable = !input.value || CLOCK.test(input.value);
    said.replaceChildren(...(readable ? [] : [make("p", { class: "error" }, say("check.no_time", { text: input.value }))]));
  };
  input.value = turnBack.of(visit.id);
  input.addEventListener("input", () => turnBack.set(visit.id, input.value.trim()));
  input.addEventListener("blur", noteIt);
  return make("div", { class: "field" }, make("label", { class: "label", for: "turn-back" }, say("ask.turn_back")),
    make("p", { class: "hint", id: "turn-back-hint" }, say("hint.turn_back")), make("div", { class: "row" }, input), said);
}

const CLOCK = /^([01]\d|2[0-3]):[0-5]\d$/;

const turnBack = {
  times: {},
  of: (id) => turnBack.times[id] || "",
  set: (id, time) => {
    turnBack.times[id] = time;
    held.store.note("turn back", turnBack.times).catch(() => {});
    showTurnBack();
  },
};

function permitsSection(section, visit) {
  const lines = PAGE.study.permits.map((permit) => make("li", {}, make("b", {}, permit.number), " ",
    say("told.permit", { from: permit.valid_from, to: permit.valid_to }),
    permit.animals || permit.cubs
      ? ` ${say("told.permit_counts", { animals: permit.animals || "-", cubs: permit.cubs || "-" })}` : null,
    permit.procedures ? make("span", { class: "hint" }, permit.procedures.split("; ").map(choiceWord).join(", ")) : null));
  return [...plainSection(section, visit),
    lines.length ? make("details", {}, make("summary", {}, say("part.permits")), make("ul", { class: "permits" }, lines))
      : null];
}

// --- place

function placeSection(section, visit) {
  const panel = make("div", { class: "instrument" });
  const typed = make("div", {});
  const drawTyped = () => {
    const shown = typed.querySelector("details[open]");
    typed.replaceChildren(...typedPlace(visit, () => showPlace(panel, visit, drawTyped)));
    if (shown) typed.querySelector("details").open = true;
  };
  showPlace(panel, visit, drawTyped);
  drawTyped();
  return [panel, typed];
}

function showPlace(panel, visit, taken) {
  const { values } = visit;
  const lines = [make("p", { class: "reading" }, placeWords(visit))];
  if (visit.fixes.length) lines.push(make("p", { class: "hint" }, fixesWords(visit.fixes)));
  const start = button(say(isPlaced(values) ? "do.place_again" : "do.place"), () => takePlace(panel, visit, taken), "strong");
  panel.replaceChildren(...lines, start);
}

function placeWords({ values }) {
  if (values.latitude && values.longitude) return `${values.latitude}, ${values.longitude}`;
  if (values.easting && values.northing) return `${values.utm_zone || "?"} ${values.easting} ${values.northing}`;
  return values.mgrs || say("told.no_place");
}

function fixesWords(fixes) {
  const mean = averaged(fixes);
  return mean ? say("told.fixes", { count: mean.count, seconds: Math.round(mean.seconds),
    metres: tidyMetres(mean.uncertainty_m) }) : "";
}

function tidyMetres(metres) {
  return metres < 10 ? metres.toFixed(1) : String(Math.round(metres));
}

// A first position is kept as it comes. A second one only takes the first one's place when the person says so.
function takePlace(panel, visit, taken) {
  const anew = isPlaced(visit.values);
  let fixes = [];
  const reading = make("p", { class: "reading" }), state = make("p", { class: "hint", role: "status" });
  const close = () => { stop(); showPlace(panel, visit, taken); taken(); };
  const end = button(say(anew ? "do.place_use" : "do.place_end"), () => { if (anew) keepPlace(visit, fixes); close(); }, "strong");
  const leave = anew ? button(say("do.place_leave"), close) : null;
  panel.replaceChildren(reading, state, end, ...(leave ? [leave] : []));
  end.disabled = anew;
  const stop = listenWith(watchPosition, ({ key, values, fix }) => {
    if (fix) fixes = gathered(fixes, fix);
    const mean = averaged(fixes);
    const trouble = mean && key !== "position.taking" && key !== "position.waiting" ? `. ${say(key, values)}` : "";
    state.textContent = mean ? fixesWords(fixes) + trouble : say(key, values);
    if (HOPELESS.includes(key)) typeInstead(panel, end);
    if (!mean) return;
    end.disabled = false;
    reading.textContent = `${mean.latitude.toFixed(6)}, ${mean.longitude.toFixed(6)}`;
    if (!anew) keepPlace(visit, fixes);
  });
  end.focus();
}

const HOPELESS = ["position.denied", "position.insecure", "position.absent"];

// Where no position can come, the fields for typing one stand open below.
function typeInstead(panel, end) {
  end.textContent = say("do.done");
  panel.parentElement.querySelector("details").open = true;
}

function keepPlace(visit, fixes) {
  const mean = averaged(fixes);
  if (!mean) return;
  for (const name of ["easting", "northing", "utm_zone", "mgrs"]) delete visit.values[name];
  Object.assign(visit.values, { latitude: mean.latitude.toFixed(6), longitude: mean.longitude.toFixed(6), datum: "WGS84",
    uncertainty_m: mean.uncertainty_m.toFixed(1), position_method: mean.count > 1 ? "gps averaged" : "gps single" });
  visit.fixes = [...fixes];
  keep(visit);
}

const WAYS = { degrees: ["latitude", "longitude"], utm: ["easting", "northing", "utm_zone"], mgrs: ["mgrs"] };

// A place typed from a GPS unit or a map: in one of three ways, with its datum and its uncertainty.
function typedPlace(visit, changed) {
  const used = Object.keys(WAYS).find((way) => WAYS[way].some((name) => visit.values[name]));
  const box = make("div", {});
  const ways = make("div", { class: "choices of3", role: "group", "aria-label": say("ask.way") });
  const show = (way) => {
    for (const one of ways.children) one.setAttribute("aria-pressed", String(one.dataset.way === way));
    box.replaceChildren(...WAYS[way].map((name) => fieldOf(visit, name, typedByHand(visit, changed))));
  };
  for (const way of Object.keys(WAYS)) {
    ways.append(make("button", { type: "button", class: "choice", "data-way": way, onclick: () => show(way) }, say(`do.way_${way}`)));
  }
  show(used || "degrees");
  const rest = ["datum", "uncertainty_m", "position_method"].map((name) => fieldOf(visit, name));
  return [make("details", { open: Boolean(used) && !visit.fixes.length },
    make("summary", {}, say("part.typed_place")), ways, box, ...rest)];
}

// Fixes belong to the position that was averaged from them, not to one that was typed over it.
function typedByHand(visit, changed) {
  return () => {
    if (visit.fixes.length) {
      visit.fixes = [];
      for (const name of ["position_method", "uncertainty_m"]) delete visit.values[name];
      keep(visit);
    }
    changed();
  };
}

// --- facing

function facingSection(section, visit) {
  const panel = make("div", { class: "instrument" });
  const note = make("p", { class: "hint", role: "status" });
  const fields = make("div", {});
  const told = () => { note.textContent = facingWords(visit.values); };
  const draw = () => {
    fields.replaceChildren(
      ...section.terms.map((key) => key.split(".")[1]).map((name) =>
        fieldOf(visit, name, name === "aspect" ? () => { giveReference(visit, draw); told(); } : told)));
    told();
  };
  draw();
  showCompass(panel, visit, draw);
  return [fields, note, panel];
}

// The study's own north, where study.toml names one, is filled in with the first bearing and stays in sight.
function giveReference(visit, draw) {
  if (!visit.values.aspect || visit.values.aspect_reference || !PAGE.study.aspect_reference) return;
  setValue(visit, "aspect_reference", PAGE.study.aspect_reference);
  const at = document.activeElement && document.activeElement.id;
  draw();
  const input = document.querySelector("#at-aspect input");
  if (at && input) { input.focus(); input.setSelectionRange(input.value.length, input.value.length); }
}

// Only shown: what is kept is what was read.
function facingWords({ aspect, aspect_reference: from, aspect_sighted: sighted }) {
  const turn = PAGE.study.declination_deg, degrees = aspect ? outwardBearing(aspect, sighted) : null;
  if (turn === null || from !== "magnetic" || degrees === null) return "";
  return say("told.true_bearing", { true: ((Math.round(degrees) + turn) % 360 + 360) % 360,
    declination: (turn > 0 ? "+" : "") + turn, date: PAGE.study.made_on });
}

function showCompass(panel, visit, draw) {
  panel.replaceChildren(button(say("do.compass"), () => readCompass(panel, visit, draw)));
}

function readCompass(panel, visit, draw) {
  const reading = make("p", { class: "reading" }), state = make("p", { class: "hint", role: "status" });
  let last = null;
  const close = () => { stop(); showCompass(panel, visit, draw); };
  const take = button(say("do.compass_take"), () => {
    Object.assign(visit.values, { aspect: String(Math.round(last.degrees) % 360) });
    if (last.reference) visit.values.aspect_reference = last.reference;
    keep(visit);
    close();
    draw();
  }, "strong");
  take.disabled = true;
  panel.replaceChildren(reading, state, take, button(say("do.compass_end"), close));
  const stop = listenWith(watchBearing, (now) => {
    state.textContent = say(now.key, now.values);
    if (now.degrees === null) return;
    last = now;
    take.disabled = false;
    reading.textContent = `${Math.round(now.degrees) % 360} ${unitWord("deg")}${now.reference ? `, ${choiceWord(now.reference)}` : ""}`;
  });
}

// --- slope: one number, in degrees or in percent

function slopeSection(section, visit) {
  const box = make("div", {}), note = make("p", { class: "hint", role: "status" });
  const ways = make("div", { class: "choices of2", role: "group", "aria-label": say("ask.slope_unit") });
  const told = () => { note.textContent = slopeWords(visit.values); };
  const show = (name) => {
    for (const one of ways.children) one.setAttribute("aria-pressed", String(one.dataset.name === name));
    box.replaceChildren(fieldOf(visit, name, told));
    told();
  };
  for (const name of ["slope_deg", "slope_pct"]) {
    ways.append(make("button", { type: "button", class: "choice", "data-name": name, onclick: () => {
      const other = name === "slope_deg" ? "slope_pct" : "slope_deg", text = visit.values[other];
      if (text) { setValue(visit, other, ""); setValue(visit, name, text); }
      show(name);
    } }, say(`do.${name}`)));
  }
  show(visit.values.slope_pct ? "slope_pct" : "slope_deg");
  return [ways, box, note];
}

function slopeWords({ slope_deg: degrees, slope_pct: percent }) {
  if (percent && Number(percent) >= 0) {
    return say("told.slope_deg", { percent, degrees: Math.round(Math.atan(Number(percent) / 100) * 180 / Math.PI) });
  }
  if (degrees && Number(degrees) >= 0 && Number(degrees) < 89) {
    return say("told.slope_pct", { degrees, percent: Math.round(Math.tan(Number(degrees) * Math.PI / 180) * 100) });
  }
  return "";
}

// --- photographs

function photosSection(section, visit) {
  const strip = make("div", { class: "strip" }), state = make("p", { class: "hint", role: "status" });
  const input = make("input", { type: "file", accept: "image/*", multiple: true, id: "photo-input", class: "unseen",
    onchange: async () => {
      const files = [...input.files];
      input.value = "";
      await addPhotos(visit, files, state);
      showPhotos(visit, strip);
    } });
  const add = make("label", { class: "button strong", for: "photo-input" }, say("do.photo"));
  showPhotos(visit, strip);
  return [make("p", { class: "hint" }, say("hint.photos")), strip, state, input, add];
}

async function addPhotos(visit, files, state) {
  const failed = [];
  for (const [place, file] of files.entries()) {
    state.textContent = say("told.photo_work", { number: place + 1, count: files.length });
    try {
      await held.store.putPhoto(visit.id, await shrunk(file));
      keep(visit);
    } catch (error) {
      failed.push(`${file.name}: ${say(photoTrouble(error))}`);
    }
  }
  state.textContent = failed.length ? say("told.photo_failed", { names: failed.join("; ") }) : "";
}

async function showPhotos(visit, strip) {
  const photos = await held.store.photos(visit.id);
  strip.replaceChildren(...photos.map((photo, place) => photoFigure(visit, photo, place, strip)));
}

function photoFigure(visit, photo, place, strip) {
  const address = URL.createObjectURL(photo.blob), said = say("told.photo", { number: place + 1 });
  const image = make("img", { src: address, alt: said, onload: () => URL.revokeObjectURL(address) });
  const drop = sureButton(say("do.photo_drop"), say("do.photo_drop_sure"), async () => {
    await held.store.dropPhoto(photo.id);
    keep(visit);
    showPhotos(visit, strip);
  }, "small");
  drop.setAttribute("aria-label", `${say("do.photo_drop")}: ${said}`);
  return make("figure", {}, image, drop);
}

// --- procedures: several out of a list, kept in one text as intake reads it

function proceduresSection(section, visit) {
  const entry = sharedHandling(visit), id = newName();
  const chosen = () => (entry.values.procedures || "").split(";").map((one) => one.trim()).filter(Boolean);
  const group = make("div", { class: "choices of2", role: "group", "aria-labelledby": id });
  const show = () => {
    for (const one of group.children) one.setAttribute("aria-pressed", String(chosen().includes(one.dataset.value)));
  };
  for (const value of PAGE.procedures) {
    group.append(make("button", { type: "button", class: "choice", "data-value": value, onclick: () => {
      const now = chosen();
      const next = now.includes(value) ? now.filter((one) => one !== value) : [...now, value];
      setValue(entry, "procedures", next.join("; "));
      show();
    } }, choiceWord(value)));
  }
  show();
  return [make("div", { class: "label", id, "data-key": "handling.procedures" }, termHeading("handling", "procedures")), group];
}
