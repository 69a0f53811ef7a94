"""The phone form's instruments in a real browser: position, compass, photographs, and the file handed over."""

import base64
import io
import json
import math
from typing import Any

import numpy as np
import pytest
from conftest import STUDY_TOML
from PIL import Image
from playwright.sync_api import Browser, Page
from pyproj import Geod

from densite.phoneform.rules import SCRIPTS, browser_text, reading_of, rules
from densite.settings import parse

ADDRESS = "http://localhost/"  # answered by the test itself; browsers count localhost as secure
START = 1_771_920_000  # 2026-02-24 08:00 UTC
LON, LAT = -118.2210, 44.5123
WIDEN = math.sqrt(math.log(0.05) / math.log(0.32))
TOLD = (
    "averaged, gathered, watchPosition, watchBearing, bearingHeading, bearingMean, outwardBearing, shrunk, fieldFile, "
    "saveFile, shareFile"
)
Fix = list[Any]


def shell() -> str:
    """A page with the scripts as the form joins them: one strict scope, a few names let out for the test."""
    data = json.dumps({"terms": rules(), "needed": {}, "reading": reading_of(parse(STUDY_TOML))})
    scripts = "\n".join(browser_text(name) for name in SCRIPTS)
    names = "const choiceWord = (value) => value, termHeading = (kind, name) => name;"
    scope = f"const PAGE = {data}; {names}\n{scripts}\nwindow.form = {{{TOLD}}};"
    return f'<!doctype html><title>t</title><script>"use strict";(() => {{{scope}}})();</script>'


def opened(chromium: Browser, address: str = ADDRESS, **options: Any) -> Page:
    """Open the shell at an address, as a context with these options."""
    page = chromium.new_context(**options).new_page()
    page.route("**/*", lambda route: route.fulfill(body=shell(), content_type="text/html; charset=utf-8"))
    page.goto(address)
    return page


@pytest.fixture(scope="module")
def page(chromium) -> Page:
    """A page without leave for anything."""
    return opened(chromium)


def moment(seconds: float) -> str:
    """Write a moment so many seconds after the start."""
    return str(np.datetime64(round((START + seconds) * 1000), "ms")) + "Z"


def fixes(
    east: Any, north: Any, accuracy: float = 5.0, *, lon: float = LON, lat: float = LAT, step: float = 1.0
) -> list[Fix]:
    """Make fixes so many metres from a place, one each step."""
    away, bearing = np.hypot(east, north), np.degrees(np.arctan2(east, north))
    lons, lats, _ = Geod(ellps="WGS84").fwd(np.full(len(away), lon), np.full(len(away), lat), bearing, away)
    return [[float(x), float(y), accuracy, moment(k * step)] for k, (x, y) in enumerate(zip(lons, lats, strict=True))]


def off(found: dict[str, Any], lon: float = LON, lat: float = LAT) -> float:
    """Measure how far an average lies from a place, on the ellipsoid. [m]"""
    return float(Geod(ellps="WGS84").inv(lon, lat, found["longitude"], found["latitude"])[2])


def mean_of(page: Page, given: list[Fix], widening: float = 1) -> Any:
    """Average fixes in the browser."""
    return page.evaluate("([fixes, widening]) => form.averaged(fixes, widening)", [given, widening])


@pytest.mark.parametrize(
    ("lon", "lat"), [(LON, LAT), (179.99999, -16.5), (-179.99999, 71), (12.0, 0.0), (-70.0, -54.9)]
)
def test_the_average_lies_in_the_middle(page, lon, lat) -> None:
    """Held against geodesics (Karney 2013), across the 180th meridian too."""
    ring = np.radians(np.arange(0, 360, 30))
    found = mean_of(page, fixes(8 * np.sin(ring) + 3, 8 * np.cos(ring) - 4, lon=lon, lat=lat))
    true_lon, true_lat, _ = Geod(ellps="WGS84").fwd(lon, lat, math.degrees(math.atan2(3, -4)), 5)
    assert off(found, true_lon, true_lat) < 0.02
    assert (found["count"], found["seconds"]) == (12, 11)


def test_no_fix_no_place_and_one_fix_itself(page) -> None:
    """Nothing is made up; a single fix keeps its own accuracy."""
    one = [LON, LAT, 7.25, moment(0)]
    broken: list[Fix] = [
        [LON, 91, 5, moment(1)],
        [None, LAT, 5, moment(2)],
        [LON, LAT, -1, moment(3)],
        [LON, LAT, 5, "?"],
    ]
    assert mean_of(page, []) is None
    assert mean_of(page, broken) is None
    expected = {"longitude": LON, "latitude": LAT, "uncertainty_m": 7.3, "count": 1, "seconds": 0}
    assert mean_of(page, [one, *broken]) == expected


@pytest.mark.parametrize("claimed", [3.0, 5.0, 60.0])
@pytest.mark.parametrize("place", [0, 7, 19])
def test_one_wild_fix_moves_nothing(page, place, claimed) -> None:
    """Eighty metres off, whatever accuracy it claims and whenever it comes."""
    noise = np.random.default_rng(5).normal(0, 1.5, (2, 20))
    calm = fixes(*noise)
    wild = [fixes(np.array([80.0]), np.array([0.0]))[0][k] for k in (0, 1)]
    spoilt = [[*wild, claimed, fix[3]] if k == place else fix for k, fix in enumerate(calm)]
    found = mean_of(page, spoilt)
    assert off(found) < 1.5
    assert found["count"] < 20


def test_a_stored_fix_does_not_count(page) -> None:
    """The same moment twice is one fix; a first one long before the others came out of a store."""
    calm = fixes(np.zeros(5), np.zeros(5))
    old = [*fixes(np.array([30.0]), np.array([0.0]))[0][:2], 4.0, moment(-900)]
    assert mean_of(page, [old, *calm, calm[-1]])["count"] == 5
    assert off(mean_of(page, [old, *calm])) < 0.01


def test_better_fixes_weigh_more(page) -> None:
    """A fix of 2 m against one of 20 m: weights 100 to 1."""
    given = [
        *fixes(np.array([0.0]), np.array([0.0]), 2.0),
        *fixes(np.array([0.0, 10.1]), np.array([0.0, 0.0]), 20.0)[1:],
    ]
    assert off(mean_of(page, given)) == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize("seconds", [10, 120, 600, 3600])
def test_averaging_claims_no_more_than_correlated_errors_allow(page, seconds) -> None:
    """The standard deviation of the time average of an Ornstein-Uhlenbeck process, tau = 20 min; never 1/sqrt(n)."""
    count = min(seconds, 600) + 1
    found = mean_of(page, fixes(np.zeros(count), np.zeros(count), 10.0, step=seconds / (count - 1)))
    ratio = seconds / 1200
    expected = 10 * math.sqrt(2 / ratio * (1 - (1 - math.exp(-ratio)) / ratio))
    assert found["uncertainty_m"] == pytest.approx(expected, abs=0.15)
    assert found["uncertainty_m"] > 3 * 10 / math.sqrt(count)


def test_scatter_beyond_the_claimed_accuracy_widens_the_claim(page) -> None:
    """A phone that claims 3 m and wanders by 10 m a side is not believed."""
    noise = np.random.default_rng(8).normal(0, 10, (2, 60))
    claimed = mean_of(page, fixes(*noise, 3.0))["uncertainty_m"]
    assert (
        claimed > 2.4477 * 10 * 0.75
    )  # 95 % radius of one fix, less what a minute could gain and the draw's own error


def test_the_claim_holds_in_simulated_wander(page) -> None:
    """Two minutes of correlated error (tau = 10 to 30 min), 200 times: within the radius in 95 % of them, or nearly."""
    rng, given = np.random.default_rng(21), []
    for _ in range(200):
        stay = math.exp(-1 / (60 * rng.uniform(10, 30)))
        walk = np.empty((2, 120))
        walk[:, 0] = rng.normal(0, 3, 2)
        for k in range(1, 120):
            walk[:, k] = stay * walk[:, k - 1] + rng.normal(0, 3 * math.sqrt(1 - stay**2), 2)
        given.append(fixes(*walk, 3 * 2.4477))
    found = page.evaluate("(all) => all.map((fixes) => form.averaged(fixes, 1))", given)
    inside = sum(off(one) <= one["uncertainty_m"] for one in found)
    assert 0.92 <= inside / 200 <= 0.99


def test_android_is_taken_at_its_word_of_68_percent(chromium) -> None:
    """The radius is widened by sqrt(ln 0.05 / ln 0.32) there, and only there."""
    agent = "Mozilla/5.0 (Linux; Android 14; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/130.0.0.0 Mobile"
    there, here = opened(chromium, user_agent=agent), opened(chromium)
    one = [[LON, LAT, 10, moment(0)]]
    wide, plain = (page.evaluate("(fixes) => form.averaged(fixes)", one)["uncertainty_m"] for page in (there, here))
    assert (wide, plain) == (math.ceil(100 * WIDEN) / 10, 10)


def test_a_long_watch_keeps_fixes_from_all_of_it(page) -> None:
    """Never over 200, the first among them, the last ones not crowding out the early ones."""
    kept = page.evaluate(
        "(all) => all.reduce((kept, fix) => form.gathered(kept, fix), [])", fixes(np.zeros(1500), np.zeros(1500))
    )
    assert 100 <= len(kept) <= 200
    assert kept[0][3] == moment(0)
    assert sum(fix[3] < moment(750) for fix in kept) > 20


WATCH = """(during) => new Promise((resolve) => {
  const told = [];
  const stop = form.watchPosition((state) => told.push(state));
  setTimeout(() => { stop(); resolve(told); }, during);
})"""


def test_fixes_come_with_their_accuracy(chromium) -> None:
    """A position that the browser gives arrives as a fix of now."""
    page = opened(chromium, geolocation={"longitude": LON, "latitude": LAT, "accuracy": 6}, permissions=["geolocation"])
    told = page.evaluate(WATCH, 800)
    assert [state["key"] for state in told][:2] == ["position.waiting", "position.taking"]
    assert told[1]["fix"][:3] == [LON, LAT, 6]
    assert told[1]["values"] == {"accuracy": 6}
    weak = opened(
        chromium, geolocation={"longitude": LON, "latitude": LAT, "accuracy": 900}, permissions=["geolocation"]
    )
    assert weak.evaluate(WATCH, 800)[1]["key"] == "position.weak"


def test_denial_insecurity_and_absence_are_told(chromium) -> None:
    """Each state has its own key; none of them throws, and stopping is always possible."""
    denied = opened(chromium, permissions=[])
    assert denied.evaluate(WATCH, 500)[-1] == {"key": "position.denied", "values": {}, "fix": None}
    insecure = opened(chromium, "http://192.0.2.7/")
    assert [state["key"] for state in insecure.evaluate(WATCH, 100)] == ["position.insecure"]
    denied.evaluate("() => { delete Navigator.prototype.geolocation; }")
    assert [state["key"] for state in denied.evaluate(WATCH, 100)] == ["position.absent"]


FED = """([feeds, hide]) => {
  const told = [], cleared = [];
  let take, fail, options, watches = 0;
  Object.defineProperty(navigator, "geolocation", {configurable: true, value: {
    watchPosition: (one, two, three) => { [take, fail, options] = [one, two, three]; watches += 1; return watches; },
    clearWatch: (id) => cleared.push(id)}});
  const stop = form.watchPosition((state) => told.push(state.key));
  for (const [age, longitude] of feeds) {
    if (typeof longitude === "string") fail({code: age});
    else take({timestamp: Date.now() - age, coords: {longitude, latitude: 44.5, accuracy: 4}});
  }
  for (const hidden of hide) {
    Object.defineProperty(document, "hidden", {configurable: true, get: () => hidden});
    document.dispatchEvent(new Event("visibilitychange"));
  }
  stop();
  return {told, cleared, watches, options};
}"""


def test_stale_fixes_failures_and_a_hidden_page(chromium) -> None:
    """A stored fix is passed over, a timeout goes on, a hidden page rests and starts again."""
    told = opened(chromium).evaluate(
        FED, [[[3_600_000, -118.0], [0, -118.2], [0, None], [3, "x"], [2, "x"]], [True, False]]
    )
    assert told["told"] == ["position.waiting", "position.taking", "position.timeout", "position.unavailable",
                            "position.paused", "position.waiting"]  # fmt: skip
    assert (told["watches"], told["cleared"]) == (2, [1, 2])
    assert told["options"] == {"enableHighAccuracy": True, "maximumAge": 0, "timeout": 60000}
    refused = opened(chromium).evaluate(FED, [[[1, "x"]], []])
    assert (refused["told"][-1], refused["cleared"]) == ("position.denied", [1])


TURN = """([name, given, during]) => new Promise((resolve) => {
  const told = [];
  const stop = form.watchBearing((state) => told.push(state));
  const turn = (one) => window.dispatchEvent(Object.assign(new DeviceOrientationEvent(name, one), one.more));
  setTimeout(() => given.forEach(turn), 50);
  setTimeout(() => { stop(); resolve(told); }, during);
})"""


def turned(
    page: Page, given: list[dict[str, Any]], name: str = "deviceorientationabsolute", during: int = 200
) -> list[Any]:
    """Let the phone turn, and gather what the compass says."""
    return page.evaluate(TURN, [name, given, during])


def test_the_compass_says_which_north_it_reads(chromium) -> None:
    """Absolute orientation counts from magnetic north; a relative one is no compass."""
    page = opened(chromium)
    flat = {"alpha": 90, "beta": 0, "gamma": 0, "absolute": True}
    told = turned(page, [flat])
    assert told[0] == {"key": "bearing.waiting", "values": {}, "degrees": None, "reference": ""}
    assert told[1] == {"key": "bearing.reading", "values": {"degrees": 270}, "degrees": 270, "reference": "magnetic"}
    assert len(turned(page, [flat | {"absolute": False}], "deviceorientation")) == 1
    other = {"absolute": False, "alpha": 10, "beta": 0, "gamma": 0, "more": {"webkitCompassHeading": 123.4}}
    assert turned(page, [other], "deviceorientation")[1]["degrees"] == 123
    assert (
        len(
            turned(
                page,
                [other | {"more": {"webkitCompassHeading": 1, "webkitCompassAccuracy": -1}}],
                "deviceorientation",
            )
        )
        == 1
    )


def test_no_compass_is_said_after_a_while(chromium) -> None:
    """A desktop has none; an insecure page and a refusal get none."""
    page = opened(chromium)
    page.clock.install()
    page.evaluate("() => { window.told = []; form.watchBearing((state) => told.push(state.key)); }")
    page.clock.fast_forward(3900)
    assert page.evaluate("() => told") == ["bearing.waiting"]
    page.clock.fast_forward(200)
    assert page.evaluate("() => told") == ["bearing.waiting", "bearing.absent"]
    page = opened(chromium)
    assert [state["key"] for state in opened(chromium, "http://192.0.2.7/").evaluate(TURN, ["x", [], 100])] == [
        "bearing.absent"
    ]
    page.evaluate("() => { DeviceOrientationEvent.requestPermission = async () => 'denied'; }")
    assert [state["key"] for state in turned(page, [])] == ["bearing.denied"]


@pytest.mark.parametrize(("angles", "heading"), [
    ((0, 0, 0), 0), ((90, 0, 0), 270), ((350, 20, 0), 10), ((0, 40, 5), 0), ((180, 90, 0), 180), ((30, 80, 0), 330),
    ((270 - 200, 0, 90), 200), ((270 - 15, 0, 90), 15),
])  # fmt: skip
def test_headings_by_the_specifications_examples(page, angles, heading) -> None:
    """Flat: 360 - alpha. Upright: where the back looks; on its side (beta 0, gamma 90): 270 - alpha. W3C's examples."""
    found = page.evaluate("(angles) => form.bearingHeading(...angles)", angles)
    assert abs((found - heading + 180) % 360 - 180) < 3


def test_directions_are_averaged_as_directions(page) -> None:
    """350 and 10 make 0."""
    assert page.evaluate("() => form.bearingMean([350, 10])") % 360 == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(("text", "sighted", "outward"), [
    ("140", "toward the mouth", 320), ("NNE", "toward the mouth", 202.5), ("200", "Toward the  Mouth", 20),
    ("200 to the mouth", "", 20),
    ("200 to the mouth", "outward from the mouth", None), ("200", "toward-the-mouth", None),
    ("140", "outward from the mouth", 140), ("140", "", 140), ("SSSW", "toward the mouth", None), ("", "", None),
])  # fmt: skip
def test_back_bearings(page, text, sighted, outward) -> None:
    """Sighted toward the mouth, the entrance faces the other way."""
    assert page.evaluate("([text, sighted]) => form.outwardBearing(text, sighted)", [text, sighted]) == outward


def photograph(width: int, height: int, *, orientation: int = 1) -> bytes:
    """A JPEG with a red corner at its stored top left, and EXIF that gives its place away."""
    picture = Image.new("RGB", (width, height), (20, 80, 160))
    picture.paste((230, 20, 20), (0, 0, width // 3, height // 3))
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0132] = orientation, "Invented maker", "2026:02:24 08:14:00"
    exif.get_ifd(0x8825).update({1: "N", 2: (44.0, 30.0, 44.3), 3: "W", 4: (118.0, 13.0, 15.6)})
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=92, exif=exif, comment=b"at den D-2026-14", icc_profile=b"not a profile")
    return out.getvalue()


SHRINK = """async (data) => {
  const bytes = Uint8Array.from(atob(data), (sign) => sign.charCodeAt(0));
  try {
    const blob = await form.shrunk(new File([bytes], "IMG_44.5123_-118.2210.jpg", {type: "image/jpeg"}));
    const made = new Uint8Array(await blob.arrayBuffer());
    return [blob.type, btoa(Array.from(made, (byte) => String.fromCharCode(byte)).join(""))];
  } catch (error) { return ["failed", error.message]; }
}"""


def shrink(page: Page, data: bytes) -> tuple[str, Any]:
    """Make a photograph small in the browser."""
    kind, made = page.evaluate(SHRINK, base64.b64encode(data).decode())
    return kind, made if kind == "failed" else base64.b64decode(made)


def test_a_photograph_comes_out_small_upright_and_bare(page) -> None:
    """Orientation 6: what is stored at the top left belongs at the top right. No EXIF, comment or profile is left."""
    data = photograph(2400, 1800, orientation=6)
    assert Image.open(io.BytesIO(data)).getexif().get_ifd(0x8825)  # the test's own photograph does give its place away
    kind, made = shrink(page, data)
    picture = Image.open(io.BytesIO(made))
    assert (kind, picture.format, picture.size) == ("image/jpeg", "JPEG", (1200, 1600))
    assert picture.getpixel((1150, 50))[0] > 200 > 100 > picture.getpixel((50, 50))[0]
    assert dict(picture.getexif()) == {}
    assert not {"exif", "comment", "icc_profile", "photoshop", "xmp"} & set(picture.info)
    assert not any(word in made for word in (b"Exif", b"Invented", b"D-2026-14", b"http://ns.adobe"))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_honoured(page, orientation) -> None:
    """Held against Pillow's own turning."""
    from PIL import ImageOps

    data = photograph(90, 60, orientation=orientation)
    with Image.open(io.BytesIO(data)) as stored, Image.open(io.BytesIO(shrink(page, data)[1])) as made:
        upright = np.asarray(ImageOps.exif_transpose(stored), dtype=float)
        assert made.size == upright.shape[1::-1]
        assert np.abs(np.asarray(made, dtype=float) - upright).mean() < 6


def test_pictures_that_are_small_see_through_huge_or_none(page) -> None:
    """A small one is not blown up, glass turns white, a huge one is refused before it is decoded."""
    out = io.BytesIO()
    Image.new("RGBA", (40, 30), (0, 0, 0, 0)).save(out, "PNG")
    picture = Image.open(io.BytesIO(shrink(page, out.getvalue())[1]))
    assert (picture.size, picture.getpixel((20, 15))) == ((40, 30), (255, 255, 255))
    header = b"\xff\xd8\xff\xc0\x00\x11\x08" + (60000).to_bytes(2, "big") * 2 + b"\x03" + bytes(40)
    assert shrink(page, header) == ("failed", "photo.too_big")
    png = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + (90000).to_bytes(4, "big") * 2 + bytes(20)
    assert shrink(page, png) == ("failed", "photo.too_big")
    for bad in (b"", b"no picture", photograph(90, 60)[:60], b"<svg onload=alert(1)>"):
        assert shrink(page, bad) == ("failed", "photo.unreadable")


META = {"study": {"id": "7e570000-0000-4000-8000-000000000001", "label": "Ondra Basin / bear \"study\"\u2026"},
        "device": "0f0e1d2c-0000-4000-8000-00000000000a", "language": "es",
        "written_at": "2026-02-24T17:05:09-07:00"}  # fmt: skip
FILE = """async ([entries, photos, meta]) => {
  const bytes = ({bytes, more}) => [Uint8Array.from(bytes), new Uint8Array(more || 0).fill(7)];
  const blobs = photos.map((photo) => ({...photo, blob: new Blob(bytes(photo), {type: "image/jpeg"})}));
  const file = await form.fieldFile(entries, blobs, meta);
  return {name: file.name, type: file.type, text: await file.text()};
}"""


def entry(record: str, number: int, **more: Any) -> dict[str, Any]:
    """An entry as the form's store keeps it."""
    times = {"begun_at": "2026-02-24T08:14:00-07:00", "changed_at": "2026-02-24T08:20:00-07:00"}
    return (
        {"id": f"5e1f0000-0000-4000-8000-{number:012d}", "record": record, "visit": None, "values": {}, "fixes": []}
        | times
        | more
    )


def written(page: Page, entries: list[Any], photos: list[Any] | None = None) -> tuple[str, dict[str, Any]]:
    """Write a field file in the browser; its name and what stands in it."""
    made = page.evaluate(FILE, [entries, photos or [], META])
    assert made["type"] == "application/geo+json"
    return made["name"], json.loads(made["text"])


def test_the_field_file_is_as_agreed(page) -> None:
    """Heading, ids, geometry, texts as they were entered, the visit of a cub, photographs as base64."""
    values = {"den_type": "tree", "date": "2026-02-24", "latitude": "44 30 44.3 N", "longitude": "118.2210 W",
              "datum": "WGS84", "notes": "</script>é\ud83d",
              "depth_cm": "", "record": "cub"}  # fmt: skip
    den = entry("den", 1, values=values, fixes=[[LON, LAT, 5, moment(0)]], handed_over_at="x", kept="y")
    cub = entry("cub", 2, visit=den["id"], values={"cub_no": "1", "sex": "male", "latitude": "1", "longitude": "2"})
    gone = entry(
        "den", 3, withdrawn_on_phone=True, withdrawn_reason="twice", values={"latitude": "x", "longitude": "-118"}
    )
    bytes_ = list(photograph(30, 20))
    name, made = written(
        page,
        [den, cub, gone],
        [{"id": "aa-1", "entry": den["id"], "bytes": bytes_}, {"id": "b", "entry": "?", "bytes": [1]}],
    )
    assert name == "field-Ondra-Basin-bear-study-0f0e1d2c-0000-4000-8000-00000000000a-20260224-1705.geojson"
    assert made["densite"] == {
        "field_file": 1, "study": META["study"]["id"], "device": META["device"], "language": "es",
        "written_at": META["written_at"],
    }  # fmt: skip
    first, second, third = made["features"]
    assert first["id"] == den["id"]
    assert first["geometry"] == {"type": "Point", "coordinates": [-118.221, pytest.approx(44 + 30 / 60 + 44.3 / 3600)]}
    assert first["properties"] == {
        "den_type": "tree", "date": "2026-02-24", "latitude": "44 30 44.3 N", "longitude": "118.2210 W",
        "datum": "WGS84", "notes": "</script>é\ufffd",
        "record": "den", "begun_at": den["begun_at"], "changed_at": den["changed_at"], "fixes": den["fixes"],
        "photos": [{"name": "aa-1.jpg", "type": "image/jpeg", "data": base64.b64encode(bytes(bytes_)).decode()}],
    }  # fmt: skip
    assert (second["geometry"], second["properties"]["visit"], second["properties"]["record"]) == (
        None,
        den["id"],
        "cub",
    )
    assert third["geometry"] is None
    assert (third["properties"]["withdrawn_on_phone"], third["properties"]["withdrawn_reason"]) == ("yes", "twice")


@pytest.mark.parametrize("seen", [
    {"offset_bearing": "75"}, {"offset_distance_m": "120"}, {"offset_by": "laser"}, {"offset_tilt_deg": "<b>"},
])  # fmt: skip
def test_the_crews_place_is_not_written_as_the_dens(page, seen) -> None:
    """A den seen from elsewhere has no point in the file; where the crew stood is kept as it was entered."""
    stand = {"latitude": "44.5123", "longitude": "-118.2210", "datum": "WGS84", "uncertainty_m": "5"}
    den = entry("den", 1, values=stand | seen, fixes=[[LON, LAT, 5, moment(0)]])
    blank = entry("den", 2, values=stand | dict.fromkeys(seen, " \u200b "))
    first, second = written(page, [den, blank])[1]["features"]
    assert first["geometry"] is None
    assert (stand | seen).items() <= first["properties"].items()
    assert first["properties"]["fixes"] == den["fixes"]
    assert second["geometry"]["coordinates"] == [-118.221, 44.5123]


@pytest.mark.parametrize(("values", "point"), [
    ({"coordinates": "44.51 N 118.22 W", "datum": "WGS84"}, [-118.22, 44.51]),
    ({"latitude": "44.5", "longitude": "-118.2", "datum": "wgs 84"}, [-118.2, 44.5]),
    ({"latitude": "44.5", "longitude": "-118.2"}, None),
    ({"latitude": "44.5", "longitude": "-118.2", "datum": "NAD27"}, None), ({"latitude": "44.5"}, None), ({}, None),
    ({"latitude": "95", "longitude": "1", "datum": "WGS84"}, None),
    ({"easting": "402960", "northing": "4929583", "utm_zone": "11N", "datum": "WGS84"}, None),
])  # fmt: skip
def test_only_positions_on_wgs_84_become_points(page, values, point) -> None:
    """RFC 7946 knows no other datum; the rest is left to intake, as it was entered."""
    feature = written(page, [entry("den", 1, values=values)])[1]["features"][0]
    assert feature["geometry"] == (point and {"type": "Point", "coordinates": point})
    assert feature["properties"].items() >= values.items()


def test_many_fixes_are_thinned_and_many_photographs_fit(page) -> None:
    """At most 200 fixes, the first and the last among them; a photograph of 2 MB does not break the stack."""
    den = entry("den", 1, fixes=fixes(np.zeros(1001), np.zeros(1001)))
    _, made = written(page, [den], [{"id": "p", "entry": den["id"], "bytes": [], "more": 2_000_000}])
    properties = made["features"][0]["properties"]
    assert (len(properties["fixes"]), properties["fixes"][0], properties["fixes"][-1]) == (
        200,
        den["fixes"][0],
        den["fixes"][-1],
    )
    assert base64.b64decode(properties["photos"][0]["data"]) == bytes([7]) * 2_000_000


def test_the_files_name_gives_no_place_away(page) -> None:
    """Only the study's label, the phone's id and the clock: nothing out of an entry."""
    name, _ = written(
        page, [entry("den", 1, values={"latitude": "44.5123", "longitude": "-118.2210", "den_label": "D-44.5"})]
    )
    assert not any(part in name for part in ("44.5", "5123", "118", "2210", "D-44"))


def test_saving_is_a_download(chromium) -> None:
    """The file arrives under its name, byte for byte."""
    page = opened(chromium)
    with page.expect_download() as waiting:
        page.evaluate(
            "() => form.saveFile(new File(['{}é'], 'field-a-b-20260224-1705.geojson', {type: 'application/geo+json'}))"
        )
    assert waiting.value.suggested_filename == "field-a-b-20260224-1705.geojson"
    assert waiting.value.path().read_text(encoding="utf-8") == "{}é"


SHARE = """async ([takes, fails]) => {
  const shared = [];
  const can = takes === null ? undefined : ({files}) => takes.includes(files[0].type);
  Object.defineProperty(navigator, "canShare", {configurable: true, value: can});
  Object.defineProperty(navigator, "share", {configurable: true, value: async ({files}) => {
    if (fails) throw new DOMException("put away", "AbortError");
    shared.push([files[0].name, files[0].type, await files[0].text()]);
  }});
  const done = await form.shareFile(new File(["{}"], "field.geojson", {type: "application/geo+json"}));
  return [done, shared];
}"""


@pytest.mark.parametrize(("takes", "fails", "expected"), [
    (["application/geo+json"], False, [True, [["field.geojson", "application/geo+json", "{}"]]]),
    (["text/plain"], False, [True, [["field.geojson.txt", "text/plain", "{}"]]]),
    (["application/json", "text/plain"], False, [True, [["field.geojson.json", "application/json", "{}"]]]),
    (["image/png"], False, [False, []]), (None, False, [False, []]), (["text/plain"], True, [False, []]),
])  # fmt: skip
def test_sharing_and_what_stands_in_for_it(chromium, takes, fails, expected) -> None:
    """Where .geojson cannot be shared the same bytes go under another ending; else the answer is no."""
    assert opened(chromium).evaluate(SHARE, [takes, fails]) == expected
