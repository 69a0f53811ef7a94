// The entries in hand: what is written where, what is missing, what has been handed over.

const held = {
  store: null, device: "", entries: new Map(), fresh: new Map(), pending: new Set(), refused: new Set(), timer: 0,
  byVisit: null, lastKept: "", twice: false, offline: "",
};
const WRITE_AFTER_MS = 150;

// A store that cannot be read, or is full, must not keep the form from opening: what can be done is done.
async function loadEntries() {
  held.store = await openStore();
  try {
    for (const entry of await held.store.all()) held.entries.set(entry.id, entry);
    held.device = await held.store.noted("device");
  } catch (error) {
    held.store = fleetingStore();
  }
  held.device = held.device || newId();
  held.store.note("device", held.device).catch(() => {});
}

// What another tab has kept meanwhile comes in, so that nothing is written over it; true where there was any.
// Entries that wait to be written, or were touched during the reading, stay as they are, and objects stay the same: fields on the screen hold them.
async function freshen() {
  const mark = ({ changed_at, handed_over_as }) => `${changed_at} ${handed_over_as}`;
  const before = new Map([...held.entries].map(([id, entry]) => [id, mark(entry)]));
  const stored = new Map((await held.store.all()).map((entry) => [entry.id, entry]));
  const touched = (id) => (held.entries.has(id) ? mark(held.entries.get(id)) !== before.get(id) : before.has(id));
  const waits = (id) => held.pending.has(id) || held.refused.has(id) || touched(id);
  let changed = false;
  for (const [id, entry] of stored) {
    const known = held.entries.get(id);
    if (waits(id) || (known && JSON.stringify(known) === JSON.stringify(entry))) continue;
    held.entries.set(id, Object.assign(known || {}, entry));
    changed = true;
  }
  for (const id of [...held.entries.keys()]) {
    if (!stored.has(id) && !waits(id)) changed = held.entries.delete(id);
  }
  if (changed) held.byVisit = null;
  return changed;
}

function blankEntry(record, visit = null, id = newId()) {
  const now = momentNow();
  return { id, record, visit, values: {}, fixes: [], begun_at: now, changed_at: now, withdrawn_on_phone: "",
    withdrawn_reason: "", handed_over_at: "", handed_over_as: "" };
}

// A den entry of an address is only kept once something has been written into it.
function denEntry(id) {
  const known = held.entries.get(id) || held.fresh.get(id);
  if (known) return known;
  const entry = blankEntry("den", null, id);
  entry.values = { date: today(), ...likeLast() };
  held.fresh.set(id, entry);
  return entry;
}

function today() {
  return momentNow().slice(0, 10);
}

// The second den of a day has the crew of the first.
function likeLast() {
  const last = dens().filter((den) => den.values.date === today())[0];
  const same = {};
  for (const name of ["crew", "observer"]) if (last && last.values[name]) same[name] = last.values[name];
  return same;
}

function dens() {
  return [...held.entries.values()].filter((entry) => entry.record === "den")
    .sort((a, b) => (a.begun_at < b.begun_at ? 1 : -1));
}

function recordsOf(visit, kind) {
  if (!held.byVisit) held.byVisit = groupedByVisit();
  return (held.byVisit.get(visit) || []).filter((entry) => !kind || entry.record === kind);
}

// Made anew only when entries come or go: a winter's dens are listed without a search for each.
function groupedByVisit() {
  const groups = new Map();
  for (const entry of [...held.entries.values()].sort((a, b) => (a.begun_at < b.begun_at ? -1 : 1))) {
    if (!entry.visit) continue;
    if (!groups.has(entry.visit)) groups.set(entry.visit, []);
    groups.get(entry.visit).push(entry);
  }
  return groups;
}

// There is one handling a visit; it comes to be with its first field.
function handlingOf(visit) {
  return recordsOf(visit, "handling").find((entry) => !entry.withdrawn_on_phone) || blankEntry("handling", visit);
}

function setValue(entry, name, text) {
  if (text === "") delete entry.values[name];
  else entry.values[name] = text;
  keep(entry);
}

function keep(entry) {
  if (entry.visit && !held.entries.has(entry.visit)) keep(denEntry(entry.visit));
  entry.changed_at = momentNow();
  if (!held.entries.has(entry.id)) held.byVisit = null;
  held.entries.set(entry.id, entry);
  held.fresh.delete(entry.id);
  held.pending.add(entry.id);
  // Not put off by further typing: who types without a pause is written down as well.
  held.timer = held.timer || setTimeout(writePending, WRITE_AFTER_MS);
}

async function writeEntry(entry) {
  held.pending.delete(entry.id);
  try {
    await held.store.put(entry);
    held.refused.delete(entry.id);
    held.lastKept = momentNow().slice(11, 16);
  } catch (error) {
    held.refused.add(entry.id);
  }
  showKept();
}

// What the phone refused is tried again with whatever comes next.
function writePending() {
  clearTimeout(held.timer);
  held.timer = 0;
  const ids = new Set([...held.pending, ...held.refused]);
  return Promise.all([...ids].map((id) => writeEntry(held.entries.get(id))));
}

// Values as a record has them once it is read: what its own field leaves blank comes from the den entry.
function fullValues(entry) {
  const names = PAGE.inherited[entry.record];
  const den = names && held.entries.get(entry.visit);
  const values = {};
  for (const [own, from] of Object.entries(den ? names : {})) if (den.values[from]) values[own] = den.values[from];
  return { ...values, ...entry.values };
}

function completed(entry) {
  return { ...entry, values: fullValues(entry) };
}

function isPlaced(values) {
  const has = (...names) => names.every((name) => values[name]);
  return has("latitude", "longitude") || has("easting", "northing", "utm_zone") || has("mgrs");
}

// What a record lacks: [{entry, name, needed}]; a place counts as one field, whichever way it is written.
function lacks(entry) {
  const values = fullValues(entry), found = [];
  const ask = (name, needed) => { if (!values[name]) found.push({ entry, name, needed }); };
  // What comes from the den entry is asked for there, and the halves of a place are asked for as one.
  const halves = entry.record === "den" ? ["latitude", "longitude"] : [];
  const own = (name) => !(name in (PAGE.inherited[entry.record] || {})) && !halves.includes(name);
  for (const name of (PAGE.needed[entry.record] || []).filter(own)) ask(name, true);
  if (entry.record === "den") {
    ask("female", recordsOf(entry.id).some((one) => "animal" in PAGE.inherited[one.record]));
    if (!isPlaced(values)) found.push({ entry, name: "place", needed: true });
    else ask("datum", true);
    if (values.aspect) ask("aspect_reference", true);
    if (!values.slope_deg && !values.slope_pct) found.push({ entry, name: "slope_deg", needed: false });
    if (values.den_type === "tree") for (const name of ["tree_species", "tree_diameter_cm"]) ask(name, false);
  }
  for (const name of PAGE.wanted[entry.record] || []) ask(name, false);
  return found;
}

function doubtsOf(entry) {
  return Object.keys(entry.values).flatMap((name) => judged(entry, name)
    .filter((said) => said.level !== "note").map((said) => ({ entry, name, said })));
}

// What the checks say of a field that is filled in. A fault in them must not keep anybody from writing.
function judged(entry, name) {
  const text = entry.values[name] || "";
  if (!text) return [];
  try {
    return judge(entry.record, name, text, fullValues(entry));
  } catch (error) {
    console.error(error);
    return [];
  }
}

// "withdrawn", "open" (never handed over), "changed" (since it was handed over) or "handed".
function stateOf(entry) {
  const all = entry.record === "den" ? [entry, ...recordsOf(entry.id)] : [entry];
  if (entry.withdrawn_on_phone) return "withdrawn";
  if (!all.some((one) => one.handed_over_at)) return "open";
  return all.some(isToHandOver) ? "changed" : "handed";
}

// By the change that was in the file and not by the clock: a phone's clock may be set back at any time.
function isToHandOver(entry) {
  return !entry.handed_over_at || entry.handed_over_as !== entry.changed_at;
}

// A visit goes whole: what belongs to a den entry is never sent without it.
function toHandOver() {
  return dens().filter((den) => [den, ...recordsOf(den.id)].some(isToHandOver))
    .flatMap((den) => [den, ...recordsOf(den.id)]);
}

async function withdraw(entry, reason) {
  const all = entry.record === "den" ? [entry, ...recordsOf(entry.id)] : [entry];
  for (const one of all) {
    if (one.withdrawn_on_phone) continue;
    Object.assign(one, { withdrawn_on_phone: "yes", withdrawn_reason: reason });
    keep(one);
  }
  await writePending();
}

// What was withdrawn together comes back together.
async function bringBack(entry) {
  const reason = entry.withdrawn_reason;
  const all = entry.record === "den" ? [entry, ...recordsOf(entry.id)] : [entry];
  for (const one of all) {
    if (!one.withdrawn_on_phone || one.withdrawn_reason !== reason) continue;
    Object.assign(one, { withdrawn_on_phone: "", withdrawn_reason: "" });
    keep(one);
  }
  await writePending();
}

async function removeVisit(den) {
  for (const one of [den, ...recordsOf(den.id)]) {
    for (const photo of await held.store.photos(one.id)) await held.store.dropPhoto(photo.id);
    await held.store.remove(one.id);
    for (const kept of [held.entries, held.pending, held.refused]) kept.delete(one.id);
    held.byVisit = null;
  }
}
