// A den seen from where the crew stands: bearing, distance and their errors, as intake computes the den's place from
// them. The coordinates of such an entry are those of the crew.

const STANDPOINT_IN_95 = 1.959964; // as in offsets.py

const STANDPOINT_FIELDS = {
  offset_bearing: standpointBearing, offset_reference: standpointReference,
  offset_bearing_error_deg: standpointBearingError, offset_distance_m: standpointDistance, offset_by: standpointWay,
  offset_distance_error_m: standpointDistanceError, offset_tilt_deg: standpointTilt,
};

function standpointUsed(values) {
  return PAGE.reading.offset.some((name) => values[name]);
}

// Once one of these fields is filled in, intake asks for the others.
function standpointField({name, values}) {
  if (!standpointUsed(values)) return [];
  const {finding} = STANDPOINT_FIELDS[name](values);
  if (finding) return [finding];
  return name === "offset_bearing" ? [standpointTold(values)] : [];
}

function standpointTold(values) {
  const place = checkPlace(values);
  const own = place.field ? null : standpointOwn(values.uncertainty_m, place);
  const metres = own === null ? null : standpointTotal(own, values);
  return metres === null ? null : checkFinding("note", "check.seen", {metres});
}

// How far off the place may be where the crew stands [m], null where nothing says it.
function standpointOwn(text, place) {
  const reading = text ? readNumber(text, "m") : {value: place.fineness};
  if (reading.wrong || reading.value <= (text ? 0 : PAGE.reading.assumed_uncertainty_m)) return null;
  return readTenth(reading.value);
}

// How far off the den may be [m]: the errors of the place, along the line of sight and across it (offsets.py); null
// where one of them cannot be read. The error of a declination is left to intake.
function standpointTotal(own, values) {
  const read = {};
  for (const [name, reading] of Object.entries(STANDPOINT_FIELDS)) {
    const {finding, ...found} = reading(values);
    if (finding) return null;
    read[name] = found;
  }
  const level = Math.cos((read.offset_tilt_deg.value * Math.PI) / 180);
  const turn = Math.hypot(read.offset_bearing_error_deg.value, read.offset_bearing.half / Math.sqrt(3));
  const across = (read.offset_distance_m.value * level * turn * Math.PI) / 180;
  const along = read.offset_distance_error_m.value * level;
  return readTenth(Math.hypot(own, STANDPOINT_IN_95 * along, STANDPOINT_IN_95 * across));
}

function standpointUnusual(own, rule, values) {
  const metres = standpointTotal(own, values);
  const {low, high} = rule;
  if (metres === null || (metres >= low && metres <= high)) return null;
  return checkFinding("doubt", "check.seen_unusual", {metres, low, high});
}

// The fields, each {value} or {finding} -----------------------------------------------------------------------------

function standpointLacks(key) {
  return {finding: checkFinding("error", key)};
}

function standpointNumber(name, text, unit) {
  const reading = readNumber(text, unit);
  if (reading.wrong) return {finding: checkWrong(reading)};
  const impossible = checkPossible(reading.value, text, PAGE.terms[`den.${name}`]);
  return impossible ? {finding: impossible} : reading;
}

function standpointBearing(values) {
  const text = values.offset_bearing;
  if (!text) return standpointLacks("check.empty");
  const bearing = readBearing(text);
  if (bearing.wrong) return {finding: checkWrong(bearing)};
  const undated = checkNorthWord(values.offset_reference) === "magnetic" && !checkDayOf(values.date);
  return undated ? standpointLacks("check.day_for_bearing") : bearing;
}

function standpointReference(values) {
  const text = values.offset_reference;
  const value = checkNorthWord(text);
  if (value) return {value};
  return text ? {finding: checkNoChoice(text, PAGE.terms["den.offset_reference"])} : standpointLacks("check.empty");
}

function standpointBearingError(values) {
  const text = values.offset_bearing_error_deg;
  if (text) return standpointNumber("offset_bearing_error_deg", text, "deg");
  const value = PAGE.reading.offset_errors.bearing_deg;
  return value === null ? standpointLacks("check.trials") : {value};
}

function standpointDistance(values) {
  const text = values.offset_distance_m;
  return text ? standpointNumber("offset_distance_m", text, "m") : standpointLacks("check.empty");
}

function standpointWay(values) {
  const text = values.offset_by;
  if (!text) return standpointLacks("check.empty");
  const rule = PAGE.terms["den.offset_by"];
  return rule.choices.includes(readFolded(text)) ? {value: readFolded(text)} : {finding: checkNoChoice(text, rule)};
}

// The row's own error of the distance [m], else the study's for that way; of an unknown way only the way is told.
function standpointDistanceError(values) {
  const text = values.offset_distance_error_m || "";
  const share = (percent) => ((standpointDistance(values).value || 0) * percent) / 100;
  if (text.endsWith("%")) {
    const percent = standpointNumber("offset_distance_error_m", text, "%");
    return percent.finding ? percent : {value: share(percent.value)};
  }
  if (text) return standpointNumber("offset_distance_error_m", text, "m");
  const {laser_m, tape_m, estimate_pct} = PAGE.reading.offset_errors;
  const known = {laser: laser_m, tape: tape_m, estimate: estimate_pct === null ? null : share(estimate_pct)};
  const way = standpointWay(values);
  if (way.finding) return {value: 0};
  return known[way.value] === null ? standpointLacks("check.trials") : {value: known[way.value]};
}

function standpointTilt(values) {
  const text = values.offset_tilt_deg;
  if (!text) return {value: 0};
  const tilt = standpointNumber("offset_tilt_deg", text, "deg");
  if (tilt.finding || Math.abs(tilt.value) < 90) return tilt;
  return {finding: checkFinding("error", "check.straight_up", {text})};
}
