// The phone's own compass, where it has one that knows north; typing always works beside it.
//
// Which north: the DeviceOrientation specification lays absolute orientation in the Earth's reference coordinate
// system of the Orientation Sensor specification, whose y axis "points towards magnetic north". Older drafts
// (2011 to 2016) said true north; what Android (rotation vector) and iOS (webkitCompassHeading) measure is magnetic.
// So a heading is always given as magnetic, and the choice between magnetic and true stays visible and changeable.

const BEARING_PATIENCE_MS = 4000; // longer than a sensor takes to wake: after it, there is none
const BEARING_KEEP_MS = 1500; // readings of so long are averaged: a hand shakes
const BEARING_PACE_MS = 250;

// Watch the heading until the returned function is called. Must begin with a touch: iOS asks for leave only then.
function watchBearing(onState) {
  const watch = {onState, readings: [], shown: 0, stopped: false, timer: null};
  const hear = (event) => bearingHear(watch, event);
  const stop = () => {
    watch.stopped = true;
    clearTimeout(watch.timer);
    for (const name of ["deviceorientationabsolute", "deviceorientation"]) window.removeEventListener(name, hear);
  };
  bearingAllowed().then((allowed) => {
    if (watch.stopped) return;
    if (allowed !== "granted") return onState(bearingState(allowed === "denied" ? "bearing.denied" : "bearing.absent"));
    onState(bearingState("bearing.waiting"));
    for (const name of ["deviceorientationabsolute", "deviceorientation"]) window.addEventListener(name, hear);
    watch.timer = setTimeout(() => onState(bearingState("bearing.absent")), BEARING_PATIENCE_MS);
  });
  return stop;
}

async function bearingAllowed() {
  if (typeof DeviceOrientationEvent === "undefined") return "absent";
  if (typeof DeviceOrientationEvent.requestPermission !== "function") return "granted";
  try {
    return await DeviceOrientationEvent.requestPermission();
  } catch (error) {
    return "denied";
  }
}

function bearingState(key, degrees) {
  const known = degrees !== undefined;
  return {key, values: known ? {degrees} : {}, degrees: known ? degrees : null, reference: known ? "magnetic" : ""};
}

function bearingHear(watch, event) {
  const heading = bearingOf(event);
  if (heading === null) return;
  clearTimeout(watch.timer);
  const now = Date.now();
  watch.readings = [...watch.readings.filter((one) => now - one.at < BEARING_KEEP_MS), {at: now, heading}];
  if (now - watch.shown < BEARING_PACE_MS) return;
  watch.shown = now;
  const mean = bearingMean(watch.readings.map((one) => one.heading));
  watch.onState(bearingState("bearing.reading", Math.round(mean) % 360));
}

// The heading of an event from magnetic north [deg], null where the event does not know north.
function bearingOf(event) {
  if (Number.isFinite(event.webkitCompassHeading)) {
    return event.webkitCompassAccuracy < 0 ? null : event.webkitCompassHeading;
  }
  const angles = [event.alpha, event.beta, event.gamma];
  return event.absolute && angles.every((angle) => typeof angle === "number") ? bearingHeading(...angles) : null;
}

// Where the phone's back (the camera) looks when it is held up, or its top edge points when it lies flatter than
// halfway. Rotation Z-X'-Y'' by alpha, beta, gamma as the DeviceOrientation specification defines it.
function bearingHeading(alpha, beta, gamma) {
  const [a, b, g] = [alpha, beta, gamma].map((degrees) => (degrees * Math.PI) / 180);
  const top = [-Math.sin(a) * Math.cos(b), Math.cos(a) * Math.cos(b)];
  const back = [
    -Math.cos(a) * Math.sin(g) - Math.sin(a) * Math.sin(b) * Math.cos(g),
    -Math.sin(a) * Math.sin(g) + Math.cos(a) * Math.sin(b) * Math.cos(g),
  ];
  const [east, north] = Math.hypot(...back) >= Math.SQRT1_2 ? back : top;
  return ((Math.atan2(east, north) * 180) / Math.PI + 360) % 360;
}

// The mean direction: of 350 and 10 it is 0, not 180.
function bearingMean(headings) {
  const rad = Math.PI / 180;
  const east = headings.reduce((sum, heading) => sum + Math.sin(heading * rad), 0);
  const north = headings.reduce((sum, heading) => sum + Math.cos(heading * rad), 0);
  return (Math.atan2(east, north) / rad + 360) % 360;
}

// The bearing outward from the mouth [deg] for a text read as sighted "outward from the mouth" or "toward the mouth";
// null where the text is no bearing. From the north that the text counts from.
function outwardBearing(text, sighted) {
  const bearing = readOutward(readLegible(text), readLegible(sighted));
  return bearing.wrong ? null : bearing.value;
}
