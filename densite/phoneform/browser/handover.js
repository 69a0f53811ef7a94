// The field file that a crew hands in: GeoJSON (RFC 7946), one feature for each record, photographs inside.

const HANDOVER_MOST_FIXES = 200;
const HANDOVER_TYPE = "application/geo+json";

// The file of these entries; photos: [{id, entry, blob}]; meta: {study: {id, label}, device, language, written_at}.
// A photograph that the browser has lost must not hold back the den: it is left out and told to onLost.
async function fieldFile(entries, photos, meta, onLost = () => {}) {
  const pieces = [];
  for (const entry of entries) {
    const own = photos.filter((photo) => photo.entry === entry.id), sound = [];
    for (const photo of own) await handoverPhoto(photo).then((made) => sound.push(made), () => onLost(photo));
    // Piece by piece, so that a winter's photographs need not stand in memory as one text.
    pieces.push(pieces.length ? ",\n" : "", new Blob([JSON.stringify(handoverFeature(entry, sound), null, 1)]));
  }
  const {study, device, language, written_at} = meta;
  const head = {field_file: 1, study: study.id, device, language, written_at};
  const start = `{"type": "FeatureCollection",\n"densite": ${JSON.stringify(head)},\n"features": [\n`;
  return new File([start, ...pieces, "\n]}\n"], handoverName(meta), {type: HANDOVER_TYPE, lastModified: Date.parse(meta.written_at)});
}

// field-<study>-<device>-<yyyymmdd-hhmm>.geojson: the clock of the place where it was written, and never a coordinate.
function handoverName(meta) {
  const [day, clock] = [meta.written_at.slice(0, 10), meta.written_at.slice(11, 16)];
  const parts = [handoverWord(meta.study.label, 40) || "study", handoverWord(meta.device, 36) || "phone"];
  return `field-${parts.join("-")}-${day.replace(/-/g, "")}-${clock.replace(":", "")}.geojson`;
}

// Letters and figures that every file system bears; accents go, all else is a dash.
function handoverWord(text, most) {
  const bare = String(text).normalize("NFKD").replace(/\p{M}/gu, "").replace(/[^A-Za-z0-9]+/g, "-");
  return bare.slice(0, most).replace(/^-+|-+$/g, "");
}

function handoverFeature(entry, photos) {
  return {type: "Feature", id: entry.id, geometry: handoverPoint(entry), properties: handoverProperties(entry, photos)};
}

// What was entered goes before, so that nothing typed can take the place of what the form says about the entry.
function handoverProperties(entry, photos) {
  const properties = {};
  for (const [name, text] of Object.entries(entry.values || {})) {
    if (String(text ?? "") !== "") properties[name] = handoverSound(text);
  }
  Object.assign(properties, {record: entry.record, begun_at: entry.begun_at, changed_at: entry.changed_at});
  if (entry.record !== "den" && entry.visit) properties.visit = entry.visit;
  if (entry.withdrawn_on_phone) {
    properties.withdrawn_on_phone = "yes";
    properties.withdrawn_reason = handoverSound(entry.withdrawn_reason || "");
  }
  if (entry.fixes && entry.fixes.length) properties.fixes = handoverFixes(entry.fixes);
  if (photos.length) properties.photos = photos;
  return properties;
}

// Half a character, as a keyboard may leave it behind, is no text that UTF-8 could hold.
function handoverSound(text) {
  return String(text).replace(/[\ud800-\udfff]/gu, "\ufffd");
}

// The point of a den whose latitude and longitude can be read and are on WGS 84, the only datum of GeoJSON.
// A den seen from elsewhere has none: a map would show the crew's place as the den's. Its latitude and longitude stay
// with the other columns as they were entered, and intake works out where the den lies.
function handoverPoint(entry) {
  const values = entry.values || {};
  if (PAGE.reading.offset.some((name) => readLegible(values[name]))) return null;
  if (entry.record !== "den" || checkDatum(readLegible(values.datum) || PAGE.reading.datum)) return null;
  const told = readLegible(values.coordinates) ? readPair(readLegible(values.coordinates)) : values;
  if (told.wrong || !readLegible(told.latitude) || !readLegible(told.longitude)) return null;
  const angle = (axis) => readAngle(readPoints(readLegible(told[axis])), axis);
  const [latitude, longitude] = [angle("latitude"), angle("longitude")];
  return latitude.wrong || longitude.wrong ? null : {type: "Point", coordinates: [longitude.value, latitude.value]};
}

// Evenly out of many, the first and the last among them.
function handoverFixes(fixes) {
  if (fixes.length <= HANDOVER_MOST_FIXES) return fixes;
  const step = (fixes.length - 1) / (HANDOVER_MOST_FIXES - 1);
  return Array.from({length: HANDOVER_MOST_FIXES}, (_, place) => fixes[Math.round(place * step)]);
}

async function handoverPhoto(photo) {
  const name = `${String(photo.id).replace(/[^A-Za-z0-9-]/g, "").slice(0, 64)}.jpg`;
  return {name, type: "image/jpeg", data: handoverBase64(new Uint8Array(await photo.blob.arrayBuffer()))};
}

// In pieces: a call with a whole photograph's bytes as arguments would break the stack.
function handoverBase64(bytes) {
  let text = "";
  for (let start = 0; start < bytes.length; start += 8192) {
    text += String.fromCharCode(...bytes.subarray(start, start + 8192));
  }
  return btoa(text);
}

// Put the file among the phone's downloads. Whether it arrived only the person can say.
function saveFile(file) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = file.name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000); // the browser may still be reading it
}

// Offer the file to the phone's share sheet: true when it was taken, false where there is none or it was put away.
// Some browsers share no .geojson; then the same bytes go as JSON or plain text, under a name that ends so.
async function shareFile(file) {
  const offered = handoverShareable(file);
  if (!offered) return false;
  try {
    await navigator.share({files: [offered], title: offered.name});
    return true;
  } catch (error) {
    return false;
  }
}

function handoverShareable(file) {
  if (!navigator.canShare || !navigator.share) return null;
  const text = (type, end) => new File([file], file.name + end, {type, lastModified: file.lastModified});
  const ways = [() => file, () => text("application/json", ".json"), () => text("text/plain", ".txt")];
  for (const way of ways) {
    const made = way();
    if (navigator.canShare({files: [made]})) return made;
  }
  return null;
}
