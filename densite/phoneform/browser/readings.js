// How texts are read: numbers with units, angles, bearings, days and clock times, just as intake reads them.
// A reading gives {value, ...}, or {wrong: message key, values} where the text cannot be read.

const READ_MEASURED = /^(?<number>[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(?<unit>[^\d\s.,][^\n]*)?$/u;
const READ_LONGEST = 100; // signs of an angle: on long texts these patterns take hours
const READ_ANGLE = new RegExp(
  "^\\s*(?<lead>[NSEW])?\\s*(?<sign>[-+−])?\\s*(?<deg>\\d{1,3}(?:\\.\\d+)?)\\s*(?:[°ºd:\\s]|$)\\s*" +
  "(?:(?<min>\\d{1,2}(?:\\.\\d+)?)\\s*(?:['′’m:\\s]|$)\\s*" +
  "(?:(?<sec>\\d{1,2}(?:\\.\\d+)?)\\s*(?:[\"″”]|''|$)?\\s*)?)?(?<trail>[NSEW])?\\s*$", "iu");
const READ_PAIRS = [
  /^\s*(?<lat>[^EW]*[NS])[\s,;]+(?<lon>[^NS]*[EW])\s*$/iu, /^\s*(?<lat>[NS][^EW]*?)[\s,;]+(?<lon>[EW][^NS]*)\s*$/iu,
  /^\s*(?<lon>[^NS]*[EW])[\s,;]+(?<lat>[^EW]*[NS])\s*$/iu, /^\s*(?<lon>[EW][^NS]*?)[\s,;]+(?<lat>[NS][^EW]*)\s*$/iu,
];
const READ_CLOCK = new RegExp(
  "^(?<hour>\\d{1,2})[:.h](?<minute>\\d{2})(?::(?<second>\\d{2}))?\\s*(?<half>[ap]\\.?m\\.?)?" +
  "\\s*(?<offset>Z|[+-]\\d{2}:?\\d{2})?$", "iu");
const READ_ISO = new RegExp(
  "^(?<year>\\d{4})(?:-(?<month>\\d{2})-(?<day>\\d{2})|(?<tight>\\d{4}))" +
  "(?:[T ](?<hour>\\d{2})(?::?(?<minute>\\d{2})(?::?(?<second>\\d{2})(?:[.,]\\d+)?)?)?" +
  "(?<offset>Z|[+-]\\d{2}:?\\d{2}(?::?\\d{2})?)?)?$", "u");
// Words after a bearing that say where the observer looked; all runs have an end, so that no text takes long.
const READ_TOWARD = new RegExp(
  "(?:^|[^\\p{L}\\p{N}_]{1,9})(?:toward|towards|to)\\s{1,9}(?:the\\s{1,9})?(?:den\\s{1,9})?mouth[^\\p{L}\\p{N}_]{0,9}$",
  "iu");
const READ_MINUTE = 60000;
const READ_DAY = 1440 * READ_MINUTE;

function readWrong(key, values) {
  return {wrong: key, values: values || {}};
}

// What nobody sees but a page obeys (control and direction characters) goes; two joiners spell words of some scripts.
function readLegible(text) {
  const kept = (sign) => ("\n\t\u200c\u200d".includes(sign) ? sign : "");
  return String(text ?? "").replace(/[\p{Cc}\p{Cf}]/gu, kept).trim();
}

// Upper case first, so that a sharp s is the ss that intake takes it for.
function readFolded(text) {
  return text.toUpperCase().toLowerCase();
}

function readWord(text) {
  return readFolded(text.replace(/[_-]/g, " ")).trim().split(/\s+/u).join(" ");
}

// Digits of other scripts count as digits; each script's ten stand in one run, nought first.
function readDigits(text) {
  return text.replace(/(?![0-9])\p{Nd}/gu, (sign) => {
    const code = sign.codePointAt(0);
    let first = code;
    while (/\p{Nd}/u.test(String.fromCodePoint(first - 1))) first -= 1;
    return String((code - first) % 10);
  });
}

function readTenth(value) {
  return Math.round(value * 10) / 10;
}

function readNumber(text, unit) {
  const found = READ_MEASURED.exec(readDigits(text));
  if (!found) return readWrong("check.no_number", {text});
  const {number, unit: written} = found.groups;
  if (number.includes(",")) return readWrong("check.decimal_comma", {text, meant: number.replace(",", ".")});
  const value = Number(number);
  return Number.isFinite(value) ? readInUnit(value, written, unit, text) : readWrong("check.not_finite", {text});
}

function readInUnit(value, written, unit, text) {
  if (!written) return {value};
  const known = Object.prototype.hasOwnProperty.call(PAGE.reading.units, readFolded(written.trim()))
    ? PAGE.reading.units[readFolded(written.trim())] : "";
  if (known && known === unit) return {value};
  const turned = readTurned(value, known, unit);
  return turned === null ? readWrong("check.other_unit", {text, written: written.trim(), unit}) : {value: turned};
}

function readTurned(value, from, to) {
  if (from === "F" && to === "C") return (value - 32) / 1.8;
  const sizes = PAGE.reading.sizes.find((table) => from in table && to in table);
  return sizes ? (value * sizes[from]) / sizes[to] : null;
}

// A comma between digits is a decimal point where the study says that its files write it so.
function readPoints(text) {
  return PAGE.reading.decimal === "," ? text.replace(/(\p{Nd}),(?=\p{Nd})/gu, "$1.") : text;
}

function readAngle(text, axis) {
  if (text.length > READ_LONGEST) return readWrong("check.no_angle", {text});
  const unmarked = readDigits(text).replace(/(d\s*[\d.]+\s*m\s*[\d.]+)\s*s/giu, "$1 ");
  const found = READ_ANGLE.exec(unmarked.replace(/([\d.])([NSEW])\s*$/iu, "$1 $2"));
  if (!found) return readWrong("check.no_angle", {text});
  const {lead, sign, deg, min, sec, trail} = found.groups;
  const letter = (lead || trail || "").toUpperCase();
  if (letter && "NS".includes(letter) !== (axis === "latitude")) return readWrong("check.other_axis", {text, letter});
  if (lead && trail) return readWrong("check.two_letters", {text});
  const [minutes, seconds] = [Number(min || 0), Number(sec || 0)];
  if (minutes >= 60 || seconds >= 60) return readWrong("check.sixty", {text});
  const minus = sign === "-" || sign === "−";
  if (minus && letter) return readWrong("check.sign_and_letter", {text, letter});
  const value = Number(deg) + minutes / 60 + seconds / 3600;
  const limit = axis === "latitude" ? 90 : 180;
  if (value > limit) return readWrong("check.off_globe", {text, limit});
  return {value: minus || letter === "S" || letter === "W" ? -value : value};
}

function readPair(text) {
  if (text.length > 2 * READ_LONGEST) return readWrong("check.no_pair", {text});
  for (const pair of READ_PAIRS) {
    const found = pair.exec(text);
    if (found) return {latitude: found.groups.lat, longitude: found.groups.lon};
  }
  const parts = text.trim().split(/\s*[,;]\s*|\s+/u).filter(Boolean);
  return parts.length === 2 ? {latitude: parts[0], longitude: parts[1]} : readWrong("check.no_pair", {text});
}

// Half the last digit written, as a distance on the equator [m].
function readFineness(text) {
  const numbers = [...readDigits(text).matchAll(/\d+(?:\.(\d+))?/g)].map((found) => (found[1] || "").length);
  if (!numbers.length) return 0;
  const unit = PAGE.reading.metres_per_degree / 60 ** (Math.min(numbers.length, 3) - 1);
  return 0.5 * unit * 10 ** -numbers[numbers.length - 1];
}

// half: half the width of what the text stands for [deg].
function readBearing(text) {
  const plain = readDigits(text.trim().replace(/\s{0,9}(°|deg|degrees)\s{0,9}$/iu, ""));
  if (/^\d{1,3}(\.\d+)?$/.test(plain)) {
    return Number(plain) > 360 ? readWrong("check.over_circle", {text}) : {value: Number(plain) % 360, half: 0.5};
  }
  const letters = readCompassLetters(plain);
  const place = PAGE.reading.compass.indexOf(letters);
  return place < 0 ? readWrong("check.no_bearing", {text})
    : {value: place * 22.5, half: letters.length < 3 ? 22.5 : 11.25};
}

// The bearing out of the mouth, turned round where the observer looked toward the mouth, as the column beside it or
// words after the bearing say; {field} names the column that is wrong.
function readOutward(text, sighted) {
  const way = readFolded(sighted).split(/\s+/u).filter(Boolean).join(" ");
  const [outward, toward] = PAGE.reading.sightings;
  const written = READ_TOWARD.test(text);
  if (!["", outward, toward].includes(way)) return {...readWrong("check.no_choice"), field: "aspect_sighted"};
  if (written && way === outward) return {...readWrong("check.two_sightings", {text}), field: "aspect_sighted"};
  const bearing = readBearing(text.replace(READ_TOWARD, ""));
  if (bearing.wrong) return {...readWrong(bearing.wrong, {text}), field: "aspect"};
  const turned = written || way === toward;
  return {value: turned ? (bearing.value + 180) % 360 : bearing.value, turned};
}

function readCompassLetters(text) {
  let folded = readFolded(text);
  for (const [word, letter] of Object.entries(PAGE.reading.compass_words)) {
    folded = folded.split(`${word}ern`).join(letter).split(word).join(letter);
  }
  return folded.replace(/[\s-]/gu, "").toUpperCase();
}

function readDay(text) {
  const plain = text.trim();
  const day = readDayWithLetters(plain) || readDayInFigures(plain) || readDayYearFirst(plain);
  const early = !day.wrong && Number(day.value.slice(0, 4)) < PAGE.reading.earliest_year;
  return early ? readWrong("check.too_early", {text}) : day;
}

function readCalendar(year, month, day, text) {
  const date = new Date(0);
  date.setUTCFullYear(Number(year), Number(month) - 1, Number(day));
  const same = date.getUTCFullYear() === Number(year) && date.getUTCMonth() === Number(month) - 1;
  if (!same || date.getUTCDate() !== Number(day) || Number(year) < 1) return readWrong("check.no_day", {text});
  return {value: readIsoDay(date)};
}

function readIsoDay(date) {
  return date.toISOString().slice(0, 10);
}

function readDayWithLetters(text) {
  const plain = readDigits(text);
  const found = /^(?<day>\d{1,2})[\s-]+(?<month>[A-Za-z]{3,9})\.?[\s-]+(?<year>\d{4})$/.exec(plain)
    || /^(?<month>[A-Za-z]{3,9})\.?\s+(?<day>\d{1,2}),?\s+(?<year>\d{4})$/.exec(plain);
  if (!found) return null;
  const {day, month, year} = found.groups;
  const number = PAGE.reading.months[month.slice(0, 3).toLowerCase()];
  return number ? readCalendar(year, number, day, text) : readWrong("check.no_month", {text, month});
}

// 24/02/2026: a text that two orders can read needs the study's own order.
function readDayInFigures(text) {
  const found = /^(\d{1,2})[./-](\d{1,2})[./-](\d{4})$/.exec(readDigits(text));
  if (!found) return null;
  const [first, second, year] = found.slice(1).map(Number);
  if (PAGE.reading.date_order === "day first") return readCalendar(year, second, first, text);
  if (PAGE.reading.date_order === "month first") return readCalendar(year, first, second, text);
  const months = [...new Set([`${second}-${first}`, `${first}-${second}`])].map((pair) => pair.split("-").map(Number));
  const possible = months.filter(([month]) => month >= 1 && month <= 12);
  if (possible.length > 1) return readWrong("check.two_days", {text});
  return possible.length ? readCalendar(year, possible[0][0], possible[0][1], text) : readWrong("check.no_day", {text});
}

function readDayYearFirst(text) {
  const found = /^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})$/.exec(readDigits(text));
  if (found) return readCalendar(found[1], found[2], found[3], text);
  const moment = readIso(text);
  if (!moment) return readWrong("check.no_day", {text});
  if (moment.offset === null) return {value: moment.day};
  return {value: readIsoDay(new Date(moment.at + readZoneOffset(moment.at)))};
}

// An ISO 8601 day with or without time and offset; null where the text is none. at [ms, UTC] needs an offset.
function readIso(text) {
  const found = READ_ISO.exec(text);
  if (!found) return null;
  const {year, month, day, tight, hour, minute, second, offset} = found.groups;
  const date = readCalendar(year, month || tight.slice(0, 2), day || tight.slice(2), text);
  const clock = [hour, minute, second].map((part) => Number(part || 0));
  if (date.wrong || clock[0] > 23 || clock[1] > 59 || clock[2] > 59) return null;
  const away = readOffset(offset);
  if (away === undefined) return null;
  return {day: date.value, clock, offset: away, at: readNaive(date.value, clock) - (away || 0)};
}

function readNaive(day, clock) {
  return Date.parse(`${day}T00:00:00Z`) + ((clock[0] * 60 + clock[1]) * 60 + clock[2]) * 1000;
}

// The offset from UTC [ms]; null where none is written, undefined where there is no such offset.
function readOffset(text) {
  if (!text) return null;
  if (text === "Z" || text === "z") return 0;
  const digits = text.slice(1).replace(/:/g, "");
  const [hours, minutes] = [Number(digits.slice(0, 2)), Number(digits.slice(2, 4))];
  if (hours > 23 || minutes > 59) return undefined;
  return (text[0] === "-" ? -1 : 1) * (hours * 60 + minutes) * READ_MINUTE;
}

const READ_ZONES = new Map();

function readZoneClock(zone) {
  if (!READ_ZONES.has(zone)) {
    const names = ["year", "month", "day", "hour", "minute", "second"];
    const parts = Object.fromEntries(names.map((name) => [name, "numeric"]));
    READ_ZONES.set(zone, new Intl.DateTimeFormat("en-US", {timeZone: zone, hourCycle: "h23", ...parts}));
  }
  return READ_ZONES.get(zone);
}

// How far the study's clocks are ahead of UTC at a moment [ms].
function readZoneOffset(at) {
  const parts = {};
  for (const part of readZoneClock(PAGE.reading.time_zone).formatToParts(at)) parts[part.type] = Number(part.value);
  const local = Date.UTC(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second);
  return local - Math.floor(at / 1000) * 1000;
}

// A clock time of a day. `after` [ms, UTC] is an earlier time of the same work: a clock that shows more than twelve
// hours less has passed midnight.
function readMoment(text, day, after) {
  if (/^\d{4}-\d{2}-\d{2}[T ]\d/.test(text.trim())) return readWholeMoment(text.trim());
  const clock = readClock(text);
  if (clock.wrong) return clock;
  const moment = readPlaced(clock.value, day, clock.offset, after, text);
  if (moment.wrong || after === null || after - moment.at <= READ_DAY / 2) return moment;
  const next = readIsoDay(new Date(Date.parse(`${day}T00:00:00Z`) + READ_DAY));
  const later = readPlaced(clock.value, next, clock.offset, after, text);
  return later.wrong ? later : {...later, note: "check.next_day"};
}

function readWholeMoment(text) {
  const moment = readIso(text);
  if (!moment) return readWrong("check.no_time", {text});
  if (moment.offset !== null) return {at: moment.at};
  const placed = readPlaced(moment.clock, moment.day, null, null, text);
  return placed.wrong ? placed : {at: placed.at};
}

function readClock(text) {
  const plain = readDigits(text.trim());
  const found = READ_CLOCK.exec(plain) || /^(?<hour>\d{1,2})(?<minute>\d{2})$/.exec(plain);
  if (!found) return readWrong("check.no_time", {text});
  const {minute, second, half, offset} = found.groups;
  let hour = Number(found.groups.hour);
  if (half && (hour < 1 || hour > 12)) return readWrong("check.no_time", {text});
  if (half) hour = (hour % 12) + (half[0].toLowerCase() === "p" ? 12 : 0);
  if (hour > 23 || Number(minute) > 59 || Number(second || 0) > 59) return readWrong("check.no_time", {text});
  const away = readOffset(offset);
  const none = away === undefined || (away !== null && Number(offset.slice(1, 3)) > 14);
  if (none) return readWrong("check.no_offset", {text});
  return {value: [hour, Number(minute), Number(second || 0)], offset: away};
}

// Put a clock time on a day; the change of clocks may have skipped it or shown it twice.
function readPlaced(clock, day, offset, after, text) {
  const naive = readNaive(day, clock);
  if (offset !== null) return {at: naive - offset};
  const offsets = [...new Set([readZoneOffset(naive - READ_DAY), readZoneOffset(naive + READ_DAY)])];
  const possible = offsets.map((away) => naive - away).filter((at) => at + readZoneOffset(at) === naive);
  const moments = possible.sort((a, b) => a - b);
  if (!moments.length) return readWrong("check.skipped", {text, day});
  if (moments.length === 1) return {at: moments[0]};
  if (after !== null && moments[0] < after && after <= moments[1]) return {at: moments[1]};
  return {at: moments[0], doubt: "check.happened_twice"};
}
