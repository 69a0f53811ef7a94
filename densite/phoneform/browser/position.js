// Where the phone is: fixes as they come, and their average with an uncertainty that averaging does not flatter.
//
// A fix is [longitude, latitude, accuracy in metres, "ISO time"], WGS 84 (W3C Geolocation).
// Accuracy: the W3C Geolocation recommendation asks for the radius of a 95 % confidence level. Android's own
// location is documented as a 68 % radius and its browsers hand it on as it is, so on Android it is widened by
// sqrt(ln 0.05 / ln 0.32) = 1.62, the ratio of the two radii for an error alike in all directions (Rayleigh).

const FIX_OPTIONS = {enableHighAccuracy: true, maximumAge: 0, timeout: 60000};
const FIX_MOST = 200; // as many as a field file holds for an entry
const FIX_STALE_MS = 10000; // a fix older than this when the watch began came out of a store, not from the sky
const FIX_LONELY_S = 60; // the same by itself: a first fix so long before the next one
const FIX_WEAK_M = 50; // common practice, no source: no satellite fix, but masts and access points
const FIX_ANDROID = Math.sqrt(Math.log(0.05) / Math.log(0.32));
const FIX_CIRCLE = Math.sqrt(-2 * Math.log(0.05)); // 95 % radius of a circular normal error in standard deviations
const FIX_MEDIAN = Math.sqrt(2 * Math.log(2)); // its median distance in standard deviations
const FIX_WILD = Math.sqrt(-2 * Math.log(0.001)); // beyond it lies one honest fix in a thousand

// The errors of a standing receiver stay alike for minutes (Soundy et al. 2020, Sensors 20:6050,
// doi:10.3390/s20216050: an Ornstein-Uhlenbeck process fits them, white noise does not). About 20 minutes is the
// time that El-Rabbany & Kleusberg 2003 (J. Surv. Eng. 129(1)) give for relative positioning. Taken here as the time
// in which the correlation falls to 1/e, which claims less gain than their reading would.
const FIX_CORRELATION_S = 1200;

// Ask for fixes until the returned function is called. The watch rests while the page is hidden: browsers give no
// fixes to a hidden page anyhow, and a phone at 20 % must not keep its receiver on in a pocket. It starts again by
// itself; the gap costs nothing, because every fix carries its time.
function watchPosition(onState) {
  const refused = fixRefused();
  if (refused) {
    onState(fixState(refused));
    return () => {};
  }
  const watch = {id: null, since: 0, before: null, onState};
  const turn = () => (document.hidden ? fixPause(watch) : fixStart(watch));
  document.addEventListener("visibilitychange", turn);
  turn();
  return () => {
    document.removeEventListener("visibilitychange", turn);
    fixClear(watch);
  };
}

// The fixes with one more, at most 200: of too many every second goes, and from then on a fix is kept at that pace,
// so that they stay spread over the whole time and the last minutes do not crowd out the first.
function gathered(fixes, fix) {
  const times = [...fixes, fix].map((one) => Date.parse(one[3]));
  const [last, count] = [times[fixes.length - 1], fixes.length];
  const pace = count > FIX_MOST / 2 ? (last - times[0]) / (count - 1) : 0;
  if (times[count] - last < 0.75 * pace) return fixes;
  return count < FIX_MOST ? [...fixes, fix] : [...fixes, fix].filter((_, place) => place % 2 === 0);
}

function fixRefused() {
  if (window.isSecureContext === false) return "position.insecure";
  return "geolocation" in navigator ? "" : "position.absent";
}

function fixState(key, fix) {
  return {key, values: fix ? {accuracy: Math.ceil(fix[2])} : {}, fix: fix || null};
}

function fixStart(watch) {
  if (watch.id !== null) return;
  watch.since = Date.now();
  watch.onState(fixState("position.waiting"));
  const take = (position) => fixTake(watch, position);
  watch.id = navigator.geolocation.watchPosition(take, (error) => fixFailed(watch, error), FIX_OPTIONS);
}

function fixPause(watch) {
  fixClear(watch);
  watch.onState(fixState("position.paused"));
}

function fixClear(watch) {
  if (watch.id !== null) navigator.geolocation.clearWatch(watch.id);
  watch.id = null;
}

function fixTake(watch, position) {
  const {longitude, latitude, accuracy} = position.coords;
  const old = position.timestamp < watch.since - FIX_STALE_MS;
  const stale = !fixGoesOn(watch, position.timestamp) && old;
  if (stale || ![longitude, latitude, accuracy].every(Number.isFinite)) return;
  const fix = [longitude, latitude, accuracy, new Date(position.timestamp).toISOString()];
  watch.onState(fixState(accuracy > FIX_WEAK_M ? "position.weak" : "position.taking", fix));
}

// A clock that is off, or was set while the watch ran, makes every fix look old. Fixes out of a store do not go on at
// the pace of time; live ones do.
function fixGoesOn(watch, time) {
  const [before, now] = [watch.before, performance.now()];
  watch.before = {time, now};
  return Boolean(before) && time > before.time && now - before.now > 400 && time - before.time < 2 * (now - before.now);
}

// After a refusal nothing more comes; after a timeout or a loss of the sky the browser goes on trying.
function fixFailed(watch, error) {
  const keys = {1: "position.denied", 2: "position.unavailable", 3: "position.timeout"};
  if (error.code === 1) fixClear(watch);
  watch.onState(fixState(keys[error.code] || "position.unavailable"));
}

function fixWidening() {
  return /Android/.test(navigator.userAgent) ? FIX_ANDROID : 1;
}

// The average of fixes: {longitude, latitude, uncertainty_m, count, seconds}, null where none can be used.
// Fixes are weighted by 1/accuracy^2 after a wild one has been left out (common practice). The uncertainty is the
// 95 % radius of that weighted mean when errors are correlated as exp(-time apart / 20 min); it is widened where the
// fixes scatter more than their accuracies say, and rounded up. What is wrong all the time, as under wet canopy or
// beside a rock wall, no average can know.
function averaged(fixes, widening) {
  const usable = fixFresh(fixes, widening || fixWidening());
  if (!usable.length) return null;
  const plane = fixPlane(usable);
  const {kept, spread} = fixTame(plane.points);
  const total = kept.reduce((sum, point) => sum + point.weight, 0);
  const mean = (axis) => kept.reduce((sum, point) => sum + point.weight * point[axis], 0) / total;
  const typical = fixMedian(kept.map((point) => point.accuracy));
  const scattered = Math.max(1, (FIX_CIRCLE * spread) / typical);
  return {
    ...plane.back(mean("east"), mean("north")),
    uncertainty_m: Math.ceil(10 * scattered * fixMeanError(kept, total)) / 10,
    count: kept.length,
    seconds: Math.round(kept[kept.length - 1].time - kept[0].time),
  };
}

// Fixes that can be used, in the order of time: one for each moment, without a first one that came out of a store.
function fixFresh(fixes, widening) {
  const seen = new Set();
  const good = [];
  for (const [longitude, latitude, accuracy, at] of fixes) {
    const time = Date.parse(at) / 1000;
    const sound = [longitude, latitude, accuracy, time].every(Number.isFinite) && accuracy >= 0;
    if (!sound || Math.abs(latitude) > 90 || Math.abs(longitude) > 180 || seen.has(time)) continue;
    seen.add(time);
    good.push({longitude, latitude, time, accuracy: Math.max(accuracy, 1) * widening});
  }
  good.sort((a, b) => a.time - b.time);
  return good.length > 2 && good[1].time - good[0].time > FIX_LONELY_S ? good.slice(1) : good;
}

// Metres east and north of the first fix, by the radii of curvature of the WGS 84 ellipsoid there (flat to
// millimetres over some tens of metres), and the way back to degrees.
function fixPlane(fixes) {
  const [start, rad] = [fixes[0], Math.PI / 180];
  const e2 = 0.00669437999014;
  const bulge = 1 - e2 * Math.sin(start.latitude * rad) ** 2;
  const northM = (rad * 6378137 * (1 - e2)) / bulge ** 1.5;
  const eastM = Math.max((rad * 6378137 * Math.cos(start.latitude * rad)) / Math.sqrt(bulge), 1e-6);
  const round = (degrees) => ((((degrees + 180) % 360) + 360) % 360) - 180;
  const points = fixes.map((fix) => ({
    east: round(fix.longitude - start.longitude) * eastM,
    north: (fix.latitude - start.latitude) * northM,
    accuracy: fix.accuracy,
    weight: 1 / fix.accuracy ** 2,
    time: fix.time,
  }));
  const back = (east, north) => ({
    longitude: Number(round(start.longitude + east / eastM).toFixed(7)),
    latitude: Number((start.latitude + north / northM).toFixed(7)),
  });
  return {points, back};
}

// Leave out fixes that lie farther from the middle one than honest scatter reaches; the scatter is taken from the
// median distance, which one wild fix does not move. spread: standard deviation along one axis [m].
function fixTame(points) {
  if (points.length < 3) return {kept: points, spread: fixPairSpread(points)};
  const [east, north] = ["east", "north"].map((axis) => fixMedian(points.map((point) => point[axis])));
  const away = points.map((point) => Math.hypot(point.east - east, point.north - north));
  const spread = fixMedian(away) / FIX_MEDIAN;
  const reach = Math.max(FIX_WILD * spread, 1);
  return {kept: points.filter((point, place) => away[place] <= reach), spread};
}

// Two fixes cannot say which of them is wild: half their distance is how far off the middle may be.
function fixPairSpread(points) {
  if (points.length < 2) return 0;
  return Math.hypot(points[0].east - points[1].east, points[0].north - points[1].north) / 2;
}

function fixMedian(numbers) {
  const sorted = [...numbers].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

// 95 % radius of the weighted mean: the double sum of w_i w_j a_i a_j exp(-|t_i - t_j| / tau) over all pairs,
// which an exponential lets run through once.
function fixMeanError(points, total) {
  let [sum, before, last] = [0, 0, points[0].time];
  for (const point of points) {
    const own = point.weight * point.accuracy;
    before *= Math.exp((last - point.time) / FIX_CORRELATION_S);
    sum += own * own + 2 * own * before;
    before += own;
    last = point.time;
  }
  return Math.sqrt(sum) / total;
}
