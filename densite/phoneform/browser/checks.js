// What speaks against an entry, by the rules of intake: an error is held back there, a doubt asked about, a note told.
// Nothing here keeps an entry from being saved: a crew must be able to leave.

// Each finding is for the field that is judged; what stands in the other fields is in `values`.
function judge(kind, name, text, values) {
  const rule = PAGE.terms[`${kind}.${name}`];
  if (!rule) return [];
  const others = {};
  for (const [key, value] of Object.entries(values || {})) others[key] = checkPlain(kind, key, value);
  const own = checkPlain(kind, name, text) || (kind === "den" ? "" : others[name] || "");
  const about = {kind, name, rule, text: own, values: {...others, [name]: own}};
  const special = kind === "den" ? CHECK_DEN[name] : CHECK_ANIMAL[name];
  if (special) return special(about).filter(Boolean);
  return checkPlainly(about).filter(Boolean);
}

const CHECK_DEN = {
  latitude: checkPlaceField, longitude: checkPlaceField, coordinates: checkPlaceField, datum: checkPlaceField,
  easting: checkPlaceField, northing: checkPlaceField, utm_zone: checkPlaceField, mgrs: checkPlaceField,
  uncertainty_m: checkUncertainty, aspect: checkAspect, aspect_reference: checkNorth, aspect_sighted: checkSighted,
  slope_deg: checkSlope, slope_pct: checkSlope, tree_diameter_cm: checkTree,
  date: checkVisitDay, first_found: checkFirstFound, entered_at: checkEntered, confirmed: () => [],
  offset_bearing: standpointField, offset_reference: standpointField, offset_bearing_error_deg: standpointField,
  offset_distance_m: standpointField, offset_by: standpointField, offset_distance_error_m: standpointField,
  offset_tilt_deg: standpointField,
};

const CHECK_ANIMAL = {teeth: checkTeeth, withdrawn: checkWithdrawn};

function checkPlain(kind, name, text) {
  const rule = PAGE.terms[`${kind}.${name}`];
  const numeric = (rule && rule.kind === "number") || ["latitude", "longitude", "coordinates"].includes(name);
  return numeric ? readPoints(readLegible(text)) : readLegible(text);
}

function checkFinding(level, key, values) {
  return {level, key, values: values || {}};
}

function checkWrong(reading) {
  return checkFinding("error", reading.wrong, reading.values);
}

function checkPlainly(about) {
  const {kind, name, rule, text} = about;
  if (!text) return PAGE.needed[kind].includes(name) ? [checkFinding("error", "check.empty")] : [];
  if (rule.kind === "number") return checkNumber(text, rule);
  if (rule.kind === "choice") return [checkChoice(text, rule, kind)];
  if (rule.kind === "date") return checkDay(about);
  return rule.kind === "time" ? checkTime(about) : [];
}

function checkNumber(text, rule) {
  const reading = readNumber(text, rule.unit || "");
  if (reading.wrong) return [checkWrong(reading)];
  return [checkPossible(reading.value, text, rule) || checkVital(checkUsual(reading.value, text, rule), rule)];
}

function checkPossible(value, text, rule) {
  const {floor, ceiling} = rule;
  const unit = rule.unit || "";
  if ((floor === undefined || value >= floor) && (ceiling === undefined || value <= ceiling)) return null;
  if (ceiling === undefined) return checkFinding("error", "check.under", {text, floor, unit});
  return checkFinding("error", "check.outside", {text, floor, ceiling, unit});
}

// Beside an animal a range of usual vitals would be read as a clinical limit, which it is not: only the slip is asked for.
function checkVital(finding, {vital}) {
  if (!finding || !vital) return finding;
  const {low, high, ...values} = finding.values;
  return checkFinding("doubt", "other" in values ? "check.slip_unit" : "check.slip", values);
}

function checkUsual(value, text, rule) {
  const {low, high} = rule;
  if (low === undefined || high === undefined || (value >= low && value <= high)) return null;
  const told = {text, low, high, unit: rule.unit || ""};
  for (const other of PAGE.reading.mixed[rule.unit] || []) {
    const turned = readTurned(value, other, rule.unit);
    if (turned >= low && turned <= high) {
      return checkFinding("doubt", "check.unusual_unit", {...told, other, turned: Number(turned.toPrecision(4))});
    }
  }
  return checkFinding("doubt", "check.unusual", told);
}

function checkChoice(text, rule, kind) {
  const word = readWord(text);
  if (rule.choices.some((choice) => readWord(choice) === word)) return null;
  if (kind !== "den" && rule.choices.includes(PAGE.reading.short[word])) return null;
  return checkNoChoice(text, rule);
}

function checkNoChoice(text, rule) {
  const allowed = rule.choices.map((choice) => choiceWord(choice)).join(", ");
  return checkFinding("error", "check.no_choice", {text, allowed});
}

// Days ------------------------------------------------------------------------------------------------------------

function checkDay(about) {
  const {name, text} = about;
  const day = readDay(text);
  if (day.wrong) return [checkWrong(day)];
  const ahead = PAGE.reading.done.includes(name) && checkAhead(day.value);
  return ahead ? [checkFinding("error", "check.ahead", {text})] : [];
}

// Intake allows a day of grace, because its clock runs in UTC.
function checkAhead(day) {
  return day > readIsoDay(new Date(Date.now() + READ_DAY));
}

function checkDayOf(text) {
  const day = text ? readDay(text) : null;
  return day && !day.wrong ? day.value : "";
}

function checkVisitDay(about) {
  const {text} = about;
  if (!text) return [checkFinding("error", "check.empty")];
  const [found, day] = [checkDay(about), checkDayOf(text)];
  return day && text.endsWith("Z") ? [...found, checkFinding("note", "check.utc_day", {text, day})] : found;
}

function checkFirstFound({text, values}) {
  if (!text) return [];
  const [own, visit] = [readDay(text), checkDayOf(values.date)];
  if (own.wrong) return [checkWrong(own)];
  return [visit && own.value > visit ? checkFinding("doubt", "check.found_later", {text, day: visit}) : null];
}

function checkEntered({text, values}) {
  if (!text) return [];
  const [own, visit] = [readDay(text), checkDayOf(values.date)];
  if (own.wrong) return [checkWrong(own)];
  return [visit && own.value < visit ? checkFinding("doubt", "check.entered_before", {text, day: visit}) : null];
}

// Places ----------------------------------------------------------------------------------------------------------

// The place of an entry as {latitude, longitude, fineness [m]}, {fineness} where only intake can compute where it is,
// or {field, finding}. Which columns count first is as in intake.
function checkPlace(values) {
  if (values.coordinates) {
    const pair = readPair(values.coordinates);
    return pair.wrong ? {field: "coordinates", finding: checkWrong(pair)} : checkGeographic(pair, values, true);
  }
  if (values.latitude || values.longitude) {
    return checkHalves(values, "latitude", "longitude") || checkGeographic(values, values, false);
  }
  if (values.mgrs) return checkGrid(values);
  if (values.easting || values.northing) return checkHalves(values, "easting", "northing") || checkUtm(values);
  if (values.x || values.y) return checkHalves(values, "x", "y") || {fineness: 0};
  return {field: "latitude", finding: checkFinding("error", "check.place_empty")};
}

function checkHalves(values, first, second) {
  const empty = [first, second].find((name) => !values[name]);
  return empty ? {field: empty, finding: checkFinding("error", "check.other_half")} : null;
}

// The letters of grid references on older datums differ, so they are read on WGS 84 only.
function checkGrid(values) {
  const told = values.datum || PAGE.reading.datum;
  const datum = checkDatum(told);
  if (datum) return {field: "datum", finding: told ? checkFinding("error", "check.no_datum", {text: told}) : datum};
  const squashed = readDigits(values.mgrs.replace(/\s/gu, "")).toUpperCase();
  const found = /^\d{1,2}[C-HJ-NP-X][A-HJ-NP-Z]{2}(\d*)$/.exec(squashed);
  const digits = found ? found[1].length : 0;
  if (digits % 2 || digits < 2 || digits > 10) {
    return {field: "mgrs", finding: checkFinding("error", "check.no_grid_reference", {text: values.mgrs})};
  }
  return {fineness: 10 ** (5 - digits / 2) / Math.SQRT2};
}

// What UTM coordinates can be: the limits of places.py.
const CHECK_UTM = {easting: [100000, 900000], northing: [0, 10000000]};

function checkUtm(values) {
  const readings = Object.keys(CHECK_UTM).map((field) => ({field, reading: readNumber(values[field], "m")}));
  const unread = readings.find(({reading}) => reading.wrong);
  if (unread) return {field: unread.field, finding: checkWrong(unread.reading)};
  for (const {field, reading} of readings) {
    const [floor, ceiling] = CHECK_UTM[field];
    const told = {text: values[field], floor, ceiling, unit: "m"};
    const possible = reading.value >= floor && reading.value <= ceiling;
    if (!possible) return {field, finding: checkFinding("error", "check.outside", told)};
  }
  const text = values.utm_zone || "";
  const zone = /^\s*(\d{1,2})\s*[C-HJ-NP-X]\s*$/iu.exec(readDigits(text));
  const known = zone && Number(zone[1]) >= 1 && Number(zone[1]) <= 60;
  if (!known) return {field: "utm_zone", finding: checkFinding("error", "check.no_zone", {text})};
  const datum = checkDatum(values.datum || PAGE.reading.datum);
  return datum && datum.level === "error" ? {field: "datum", finding: datum} : {fineness: 0, note: datum};
}

function checkGeographic(pair, values, together) {
  const angles = {};
  for (const axis of ["latitude", "longitude"]) {
    angles[axis] = readAngle(pair[axis], axis);
    if (angles[axis].wrong) return {field: together ? "coordinates" : axis, finding: checkWrong(angles[axis])};
  }
  const datum = checkDatum(values.datum || PAGE.reading.datum);
  if (datum && datum.level === "error") return {field: "datum", finding: datum};
  const [latitude, longitude] = [angles.latitude.value, angles.longitude.value];
  const across = readFineness(pair.longitude) * Math.cos((latitude * Math.PI) / 180);
  return {latitude, longitude, fineness: Math.min(readFineness(pair.latitude), across), note: datum};
}

// A datum is asked for, never guessed; a position that the phone took carries its own, WGS 84.
function checkDatum(text) {
  if (!text) return checkFinding("error", "check.which_datum");
  const key = text.replace(/[\s_-]/gu, "").toUpperCase();
  const code = PAGE.reading.datums[key] || (/^\d+$/.test(key) ? `EPSG:${key}` : key);
  if (code === PAGE.reading.datums.WGS84) return null;
  const known = /^EPSG:\d+$/.test(code);
  return known ? checkFinding("note", "check.datum_changed", {text}) : checkFinding("error", "check.no_datum", {text});
}

// Both halves of a place are told at once, so an angle or a number is also read by itself.
function checkPlaceField({name, text, values}) {
  const place = checkPlace(values);
  if (place.field === name) return [place.finding];
  if (name === "datum") return text && !place.field ? [place.note] : [];
  if (!text || !["latitude", "longitude"].includes(name) || values.coordinates) return [];
  const angle = readAngle(text, name);
  return angle.wrong ? [checkWrong(angle)] : [];
}

function checkUncertainty({text, rule, values}) {
  const place = checkPlace(values);
  if (!text) return place.field ? [] : checkNoUncertainty(place, rule, values);
  const reading = readNumber(text, "m");
  if (reading.wrong) return [checkWrong(reading)];
  if (reading.value <= 0) return [checkFinding("error", "check.over_nought", {text, unit: "m"})];
  const metres = Math.round(place.fineness);
  const coarse = !place.field && place.fineness > Math.max(10 * reading.value, 100);
  const usual = checkHowFar(readTenth(reading.value), text, rule, values);
  return [coarse ? checkFinding("doubt", "check.coarse", {text, metres}) : null, usual];
}

// Without an uncertainty intake takes what the written digits leave open, if that is much.
function checkNoUncertainty(place, rule, values) {
  if (place.fineness <= PAGE.reading.assumed_uncertainty_m) {
    const seen = standpointUsed(values);
    return [seen ? checkFinding("error", "check.stand_off") : checkFinding("doubt", "check.how_far_off")];
  }
  const metres = readTenth(place.fineness);
  return [checkFinding("note", "check.from_digits", {metres}), checkHowFar(metres, String(metres), rule, values)];
}

// Of a den seen from elsewhere it is the den's own uncertainty that is usual or not.
function checkHowFar(metres, text, rule, values) {
  return standpointUsed(values) ? standpointUnusual(metres, rule, values) : checkUsual(metres, text, rule);
}

// Bearings and slopes ---------------------------------------------------------------------------------------------

// The north a bearing counts from: "true", "magnetic", "" where nothing says it, null where the word is none.
function checkNorthWord(text) {
  const word = readFolded(text || "") || PAGE.reading.aspect_reference || "";
  const north = Object.prototype.hasOwnProperty.call(PAGE.reading.norths, word) ? PAGE.reading.norths[word] : word;
  return ["true", "magnetic", ""].includes(north) ? north : null;
}

function checkIsFlat(text) {
  return ["flat", "none", "n/a"].includes(readFolded(text));
}

function checkAspect({text, values}) {
  const north = checkNorthWord(values.aspect_reference);
  if (!text || north === null || checkIsFlat(text)) return [];
  const bearing = readOutward(text, values.aspect_sighted || "");
  if (bearing.wrong) return bearing.field === "aspect" ? [checkWrong(bearing)] : [];
  const turned = bearing.turned && checkFinding("note", "check.turned_round", {text, degrees: bearing.value});
  const placed = north === "magnetic" && checkDayOf(values.date) && !checkPlace(values).field;
  return [turned, placed && checkFinding("note", "check.made_true", {text})];
}

// As at intake, nothing is said of where the observer looked while no bearing is there to turn.
function checkSighted({text, rule, values}) {
  const {aspect} = values;
  if (!aspect || checkNorthWord(values.aspect_reference) === null || checkIsFlat(aspect)) return [];
  const bearing = readOutward(aspect, text);
  if (bearing.field !== "aspect_sighted") return [];
  return [bearing.wrong === "check.no_choice" ? checkNoChoice(text, rule) : checkWrong(bearing)];
}

function checkNorth({text, rule, values}) {
  if (!values.aspect) return [];
  const north = checkNorthWord(values.aspect_reference);
  if (north === null) return [checkNoChoice(text, rule)];
  const {aspect, aspect_sighted: sighted} = values;
  const unsaid = north === "" && !checkIsFlat(aspect) && !readOutward(aspect, sighted || "").wrong;
  return unsaid ? [checkFinding("doubt", "check.which_north")] : [];
}

function checkSlope(about) {
  const {name, text, values} = about;
  if (!text) return [];
  if (values.slope_deg && values.slope_pct) {
    return name === "slope_pct" ? [checkFinding("error", "check.slope_twice")] : [];
  }
  const unit = name === "slope_pct" || text.endsWith("%") ? "%" : "deg";
  const reading = readNumber(text, unit);
  if (reading.wrong) return [checkWrong(reading)];
  if (reading.value < 0) return [checkFinding("error", "check.under", {text, floor: 0, unit})];
  const rule = PAGE.terms["den.slope_deg"] || about.rule;
  if (unit === "%") return [checkUsual((Math.atan(reading.value / 100) * 180) / Math.PI, text, rule)];
  return [checkSteep(reading.value, text, rule)];
}

// More degrees than usual are mostly percent.
function checkSteep(degrees, text, {low, high, ceiling}) {
  if (degrees <= high) return null;
  return checkFinding(degrees > ceiling ? "error" : "doubt", "check.slope_percent", {text, low, high});
}

function checkTree({text, rule, values}) {
  const found = text ? checkNumber(text, rule) : [];
  const wrong = found.some((finding) => finding && finding.level === "error");
  const other = text && !wrong && readWord(values.den_type || "") !== "tree";
  return other ? [...found, checkFinding("doubt", "check.no_tree", {text})] : found;
}

// The animals' side -----------------------------------------------------------------------------------------------

// The moments of a record, read in the order of the work, so that a time after midnight falls on the next day.
function checkMoments(kind, values) {
  const day = checkDayOf(values.checked_on) || checkDayOf(values.date);
  const moments = {};
  let latest = null;
  for (const name of PAGE.reading.times[kind] || []) {
    if (!day || !values[name]) continue;
    moments[name] = readMoment(values[name], day, latest);
    if (!moments[name].wrong) latest = Math.max(moments[name].at, latest ?? moments[name].at);
  }
  return moments;
}

function checkTime({kind, name, text, values}) {
  const moments = checkMoments(kind, values);
  const own = moments[name];
  if (!own) return [];
  if (own.wrong) return [checkWrong(own)];
  const day = checkDayOf(values.checked_on) || checkDayOf(values.date);
  const sure = Object.keys(moments).length > 1;
  const found = own.note ? [checkFinding(sure ? "note" : "doubt", own.note, {text})] : [];
  if (own.doubt) found.push(checkFinding("doubt", own.doubt, {text, day}));
  return kind === "handling" ? [...found, ...checkOrder(name, own, text, moments)] : found;
}

function checkOrder(name, own, text, moments) {
  const earlier = PAGE.reading.in_order.filter(([, second]) => second === name).map(([first]) => first);
  const late = earlier.filter((first) => moments[first] && !moments[first].wrong && own.at < moments[first].at);
  const heading = (first) => termHeading("handling", first);
  return late.map((first) => checkFinding("doubt", "check.out_of_order", {text, before: heading(first)}));
}

function checkTeeth({text}) {
  const tooth = new RegExp(`^(?:${PAGE.reading.tooth})$`);
  const seen = new Set();
  for (const word of readFolded(text).split(/[\s,;]+/u).filter(Boolean)) {
    const found = tooth.exec(word);
    if (!found) return [checkFinding("error", "check.no_tooth", {text, word})];
    const name = found.groups.tooth;
    if (seen.has(name)) return [checkFinding("error", "check.tooth_twice", {text, word: name})];
    seen.add(name);
  }
  return [];
}

function checkWithdrawn(about) {
  const told = ["yes", "y"].includes(readFolded(about.text)) && !about.values.corrects;
  return told ? [checkFinding("error", "check.withdraws_nothing")] : checkPlainly(about);
}
