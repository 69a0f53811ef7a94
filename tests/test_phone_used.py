"""The phone form as it is used in the snow: offline, reloaded, killed, with the keyboard only, with poor fixes."""

import base64
import io
import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from conftest import CHROMIUM_FLAGS, STUDY_TOML, needs
from PIL import Image
from PIL.ExifTags import IFD
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from pyproj import Geod
from test_phoneform import HOSTILE, ID, at, choose, content, held, on, ready, write

from densite.phoneform import render, screens, shipped
from densite.pipeline import open_study
from densite.studyfolder import lay_out

PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}
DEN = {
    "crew": "A", "female": "OB-031", "observer": "Q.V.", "purpose": "collar and cubs", "den_label": "D-2026-77",
    "latitude": "44.512345", "longitude": "-118.221", "datum": "WGS84", "uncertainty_m": "12",
    "position_method": "estimate", "den_type": "tree", "den_subtype": "hollow snag", "tree_species": "Abies grandis",
    "tree_diameter_cm": "92.5", "entrance_above_ground_m": "3", "aspect": "112", "aspect_reference": "magnetic",
    "slope_deg": "31", "entrance_height_cm": "40", "entrance_width_cm": "55", "depth_cm": "120", "canopy_pct": "70",
    "concealment_pct": "80", "cover_species": "Abies, Ribes", "cover_notes": 'thick; "snow" on top, 1,5 m',
    "protection_notes": "lee side", "morning_sun": "no", "first_found": "2026-01-30",
    "notes": "two lines\nof notes: ñ, 雪",
}  # fmt: skip
CUBS = [
    {"sex": "male", "mass_g": "1850", "eyes": "closed", "teeth": "uc lc=felt", "zygomatic_mm": "48.5", "ear_mm": "22",
     "ear_landmark": "notch to tip", "hair_mm": "9", "hair_landmark": "top of skull", "minutes_out": "12",
     "scent_masked": "yes", "state_back": "warm, quiet", "transponder": "900123000000017"},
    {"sex": "female", "mass_g": "1720", "eyes": "opening", "minutes_out": "9", "state_back": "warm", "dead": "no"},
]  # fmt: skip


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    """The form as a file."""
    path = tmp_path_factory.mktemp("form") / "form.html"
    path.write_text(render(content()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def driver() -> Iterator:
    """Playwright."""
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="module")
def chromium(driver) -> Iterator[Browser]:
    """A browser for all tests that need none of their own."""
    browser = driver.chromium.launch(executable_path=needs("chromium"), args=CHROMIUM_FLAGS)
    yield browser
    browser.close()


@pytest.fixture
def phone(chromium, file) -> Iterator:
    """Open the form on a phone without a network."""
    contexts: list[BrowserContext] = []

    def opened(address: str = "#/", **options) -> Page:
        context = chromium.new_context(**{**PHONE, "offline": True, **options})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(5000)
        page.goto(file.as_uri() + address)
        ready(page)
        return page

    yield opened
    for context in contexts:
        context.close()


# --- a browser whose process can be killed


class Killable:
    """Chromium with a profile on disk, started by hand: what a phone does when it drops the browser."""

    def __init__(self, driver, profile: Path) -> None:
        (profile / "DevToolsActivePort").unlink(missing_ok=True)
        command = [
            needs("chromium"),
            *CHROMIUM_FLAGS,
            f"--user-data-dir={profile}",
            "--remote-debugging-port=0",
            "about:blank",
        ]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                                        start_new_session=True)  # fmt: skip
        self.browser = driver.chromium.connect_over_cdp(f"http://127.0.0.1:{self._port(profile)}")
        self.page = self.browser.contexts[0].new_page()
        self.page.set_default_timeout(5000)
        self.page.set_viewport_size(PHONE["viewport"])
        self.browser.contexts[0].set_offline(True)

    @staticmethod
    def _port(profile: Path) -> str:
        told = profile / "DevToolsActivePort"
        for _ in range(200):
            if told.exists() and "\n" in told.read_text():
                return told.read_text().split("\n")[0]
            time.sleep(0.05)
        raise AssertionError("the browser did not start")

    def kill(self) -> None:
        """End all of it at once, as the kernel does when memory or battery runs out."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@pytest.fixture(scope="module")
def handed(driver, file, tmp_path_factory) -> Iterator[Path]:
    """A den and two cubs, written down offline over a reload and a killed browser; yields the file handed over."""
    profile, out = tmp_path_factory.mktemp("profile"), tmp_path_factory.mktemp("handed")
    first = Killable(driver, profile)
    try:
        first.page.goto(file.as_uri())
        ready(first.page)
        address = arrive_and_describe(first.page)
    finally:
        first.kill()
    second = Killable(driver, profile)
    try:
        second.page.goto(f"{file.as_uri()}{address}")
        ready(second.page)
        yield finish_and_hand_over(second.page, out)
    finally:
        second.kill()


def photograph() -> bytes:
    """A picture as a phone takes it: with its place and maker in it."""
    exif, image, out = Image.Exif(), Image.new("RGB", (2400, 1800), (120, 90, 60)), io.BytesIO()
    exif[271], exif[274] = "a phone's maker", 6  # held upright: to be turned a quarter to the right
    exif.get_ifd(IFD.GPSInfo).update({1: "N", 2: (44.0, 30.0, 44.4), 3: "W", 4: (118.0, 13.0, 15.6)})
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def fill(page: Page, name: str, value: str) -> None:
    """Write into a field or touch its choice."""
    if page.locator(f"#at-{name} .choice").count():
        choose(page, name, value)
    else:
        write(page, name, value)


def arrive_and_describe(page: Page) -> str:
    """Fill in the den and half a cub, with a reload in the middle of a field; returns where it was left."""
    page.click("text=New den")
    at(page, "Arriving")
    for name in ("female", "crew", "observer", "purpose"):
        fill(page, name, DEN[name])
    on(page)
    at(page, "Den")
    page.click("#section-place summary")
    page.type("#at-latitude input", DEN["latitude"][:5])
    page.reload()  # at once, in the middle of a number
    ready(page)
    assert page.locator("#at-latitude").is_visible()
    assert held(page, "latitude") == DEN["latitude"][:5]
    names = list(DEN)
    for name in names[names.index("den_label"):]:  # fmt: skip
        fill(page, name, DEN[name])
    page.set_input_files("#photo-input", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photograph()})
    page.wait_for_selector(".strip img")
    for screen in ("Female", "Cubs"):
        on(page)
        at(page, screen)
    page.click("text=Add a cub")
    at(page, "Cub 1")
    for name in ("sex", "mass_g", "eyes"):
        fill(page, name, CUBS[0][name])
    page.wait_for_timeout(400)  # the form promises 300 ms
    return page.evaluate("location.hash")


def finish_and_hand_over(page: Page, out: Path) -> Path:
    """Go on with the cub, add another, make the file."""
    at(page, "Cub 1")
    assert (held(page, "mass_g"), page.get_attribute("#at-eyes [data-value=closed]", "aria-pressed")) == (
        "1850",
        "true",
    )
    for name, value in list(CUBS[0].items())[3:]:
        fill(page, name, value)
    on(page)
    at(page, "Cubs")
    page.click("text=Add a cub")
    at(page, "Cub 2")
    for name, value in CUBS[1].items():
        fill(page, name, value)
    page.evaluate("location.hash = '#/hand-over'")
    at(page, "Hand over")
    on(page)
    page.wait_for_selector("text=Save the file on this phone")
    with page.expect_download() as download:
        page.click("text=Save the file on this phone")
    path = out / download.value.suggested_filename
    download.value.save_as(path)
    return path


def test_the_field_file_holds_what_was_written(handed) -> None:
    """Field by field, word for word, after a reload and a killed browser; the cubs hang on their den."""
    told = json.loads(handed.read_text(encoding="utf-8"))
    features = {one["properties"].get("cub_no", "den"): one for one in told["features"]}
    assert handed.name.startswith("field-Ondra-Basin-bear-study-") and handed.suffix == ".geojson"
    assert told["densite"]["field_file"] == 1 and told["densite"]["study"] == content().study_id
    assert set(features) == {"den", "1", "2"} and len({one["id"] for one in told["features"]}) == 3
    den = features["den"]
    stamps = {"record", "begun_at", "changed_at", "visit", "photos"}
    assert {k: v for k, v in den["properties"].items() if k not in stamps} == DEN | {"date": den["properties"]["date"]}
    assert den["geometry"] == {"type": "Point", "coordinates": [-118.221, 44.512345]}
    of_den = {"female": "OB-031", "den_label": DEN["den_label"], "date": den["properties"]["date"], "observer": "Q.V."}
    for number, wanted in zip("12", CUBS, strict=True):
        own = {k: v for k, v in features[number]["properties"].items() if k not in stamps}
        assert own == wanted | of_den | {"cub_no": number}
        assert features[number]["properties"]["visit"] == den["id"]


def test_the_photograph_came_along_without_its_place(handed) -> None:
    """Scaled down, turned as it was held, and with nothing of EXIF left in its bytes."""
    features = json.loads(handed.read_text(encoding="utf-8"))["features"]
    (photo,) = [one for feature in features for one in feature["properties"].get("photos", [])]
    data = base64.b64decode(photo["data"])
    assert b"maker" in photograph() and b"maker" not in data and b"Exif" not in data
    assert Image.open(io.BytesIO(data)).size == (1200, 1600)


@pytest.fixture
def taken(handed, tmp_path) -> Iterator:
    """The study that took the file in, twice."""
    pytest.importorskip("densite.intake.fieldfile", reason="the reader of field files is not joined yet")
    with open_study(lay_out(tmp_path / "study", STUDY_TOML)) as study:
        yield study, study.intake([handed]), study.intake([handed])


def test_intake_of_the_field_file_takes_each_field_in_once(taken) -> None:
    """The register holds the den and both cubs as they were written; the second time all of it is known."""
    study, first, second = taken
    assert [(one.dens, one.visits, one.records, len(one.held_back)) for one in first] == [(1, 1, 0, 0), (0, 0, 2, 0)]
    assert [(one.known, len(one.held_back)) for one in second] == [(1, 0), (2, 0)]
    den, visit = study.dens.iloc[0], study.visits.iloc[0]
    kept = {**visit, **den, "den_label": den["label"], "aspect": den["aspect_read"],
            "latitude": den.geometry.y, "longitude": den.geometry.x}  # fmt: skip
    assert {name: kept[name] for name in DEN.keys() - {"datum"} if not same(kept[name], DEN[name])} == {}
    assert den["position_note"] is None  # WGS84 was said, so nothing was done to the coordinates
    assert 120 < den["aspect_deg"] < 130  # magnetic 112 with about 12.5 degrees of declination
    assert len([*(study.folder / "photos" / str(den.name)).glob("*.jpg")]) == 1
    cubs = study.records("cub").sort_values("cub_no")
    for (_, cub), wanted in zip(cubs.iterrows(), CUBS, strict=True):
        assert {name: cub[name] for name in wanted if not same(cub[name], wanted[name])} == {}
        assert (cub["female"], cub["den_label"]) == ("OB-031", DEN["den_label"])


def same(kept: object, written: str) -> bool:
    """Say whether a value of the register is what was written: the text, or the number."""
    if isinstance(kept, float | int):
        return float(kept) == float(written)
    return str(kept) == written


# --- positions


def place(page: Page) -> str:
    """Say what stands under the heading of the place."""
    return page.inner_text("#section-place .instrument")


def test_denied_a_position_the_place_is_typed(phone) -> None:
    """It says so at once, and what is typed is kept; nothing is asked of the network."""
    page = phone(f"#/{ID}/den")
    page.click("text=Take the position here")
    page.wait_for_selector("#section-place >> text=The phone does not give its position")
    page.click("#section-place .instrument >> text=Done")
    write(page, "latitude", "44.5123 N")
    write(page, "longitude", "118.2210 W")
    choose_datum = page.locator("#at-datum .offer").first
    choose_datum.click()
    assert held(page, "datum") == "WGS84"
    page.reload()
    ready(page)
    assert "44.5123 N, 118.2210 W" in place(page)


TRUE = (-118.2210, 44.5123)
FED = ((60.0, 45.0), (48.0, 30.0), (9.0, 8.0), (4.0, 5.0), (3.0, 4.0), (5.0, 6.0), (2.0, 4.0), (3.0, 5.0), (70.0, 65.0))


def test_fixes_of_varying_accuracy_are_averaged_by_it(phone) -> None:
    """Nine fixes, the first poor, the last wild: each is kept as it came, the place lies where the good ones do."""
    page = phone(f"#/{ID}/den", permissions=["geolocation"])
    geod, fed = Geod(ellps="WGS84"), []
    for number, (away, accuracy) in enumerate(FED):
        longitude, latitude, _ = geod.fwd(*TRUE, number * 137.5, away)
        fed.append([longitude, latitude, accuracy])
        page.context.set_geolocation({"longitude": longitude, "latitude": latitude, "accuracy": accuracy})
        if number == 0:
            page.click("text=Take the position here")
        until(page, f"async (count) => (await ({STORED})())[0]?.fixes.length === count", number + 1)
    page.click("text=Enough, stop")
    said = place(page)
    entry = stored(page)[0]
    assert [fix[:3] for fix in entry["fixes"]] == [pytest.approx(fix, abs=1e-6) for fix in fed]
    values = entry["values"]
    off = geod.inv(*TRUE, float(values["longitude"]), float(values["latitude"]))[2]
    assert off < 3 < float(values["uncertainty_m"]) < 15
    assert (values["position_method"], values["datum"]) == ("gps averaged", "WGS84")
    assert values["latitude"] in said and "good to about" in said


def until(page: Page, script: str, arg: object) -> None:
    """Wait until a function that returns a promise says yes; Playwright's own waiting takes the promise for a yes."""
    for _ in range(100):
        if page.evaluate(script, arg):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never so: {script[:200]} {arg}")


def stored(page: Page) -> list[dict]:
    """Read what stands in the browser's store."""
    page.wait_for_timeout(400)
    return page.evaluate(STORED)


STORED = """async () => {
  const study = JSON.parse(document.getElementById("form-data").textContent).study.id;
  const open = indexedDB.open(`densite ${study}`);
  await new Promise((done) => { open.onsuccess = done; });
  const all = open.result.transaction("entries").objectStore("entries").getAll();
  await new Promise((done) => { all.onsuccess = done; });
  open.result.close();
  return all.result;
}"""


# --- many dens


SEED = """async (count) => {
  const study = JSON.parse(document.getElementById("form-data").textContent).study.id;
  const open = indexedDB.open(`densite ${study}`);
  await new Promise((done) => { open.onsuccess = done; });
  const work = open.result.transaction("entries", "readwrite"), shelf = work.objectStore("entries");
  const id = (block, n) => `00000000-0000-4000-${block}-${n.toString(16).padStart(12, "0")}`;
  const stamp = "2026-02-24T08:00:00.000-07:00";
  const entry = { begun_at: stamp, changed_at: stamp, fixes: [], withdrawn_on_phone: "", withdrawn_reason: "",
    handed_over_at: "" };
  for (let den = 0; den < count; den += 1) {
    shelf.put({ ...entry, id: id("8000", den), record: "den", visit: null,
      fixes: Array(120).fill([-118.2, 44.5, 6, stamp]),
      values: { den_label: `D-${den}`, date: "2026-02-24", den_type: "tree", latitude: "44.5", longitude: "-118.2",
        notes: "x".repeat(300) } });
    for (const [place, record] of ["cub", "cub", "sample", "handling"].entries()) {
      shelf.put({ ...entry, id: id("9000", den * 10 + place), record, visit: id("8000", den),
        values: record === "cub" ? { cub_no: String(place + 1), sex: "male", mass_g: "1800" } : { notes: "n" } });
    }
  }
  await new Promise((done) => { work.oncomplete = done; });
}"""
DRAWN = """async (address) => {
  const begun = performance.now();
  location.hash = address;
  await new Promise((done) => addEventListener("hashchange",
    () => requestAnimationFrame(() => setTimeout(done)), { once: true }));
  return performance.now() - begun;
}"""
TYPED = """async (input) => {
  input.focus();
  const spent = [];
  for (const letter of "a long enough word") {
    const begun = performance.now();
    document.execCommand("insertText", false, letter);
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    spent.push(performance.now() - begun);
    await new Promise((done) => setTimeout(done, 20));
  }
  return spent.sort((a, b) => a - b)[Math.floor(spent.length * 0.9)];
}"""


def test_with_500_dens_it_stays_fluid(phone, figure) -> None:
    """A winter's 500 dens with 2000 records: to open, to list, to find, to type; limits ten times what was measured."""
    page = phone(viewport={"width": 360, "height": 740})
    page.evaluate(SEED, 500)
    begun = time.perf_counter()
    page.reload()
    ready(page)
    spent = {"open": (time.perf_counter() - begun) * 1000}
    den = "#/00000000-0000-4000-8000-0000000001f3"
    for name, address in (("den", f"{den}/den"), ("list", "#/"), ("hand over", "#/hand-over"), ("list again", "#/")):
        spent[name] = page.evaluate(DRAWN, address)
    assert page.locator(".cards .card").count() == 500
    spent["find, a key"] = page.locator("#find").evaluate(TYPED)
    assert page.locator(".cards li:visible").count() == 0
    page.evaluate(DRAWN, f"{den}/den")
    spent["notes, a key"] = page.locator("#at-notes textarea").evaluate(TYPED)
    figure(f"500 dens, ms: { ({name: round(ms) for name, ms in spent.items()}) }")
    limits = {"open": 10_000, "find, a key": 500, "notes, a key": 300}
    assert {name: ms for name, ms in spent.items() if ms > limits.get(name, 3000)} == {}


# --- without a hand on the screen, and read aloud


def by_key(page: Page, name: str, *keys: str) -> None:
    """Go on by Tab to what is called so, and press keys there."""
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate(FOCUSED) == name:
            assert page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle") != "none", name
            for key in keys:
                if len(key) > 1 and key[0] == "=":
                    page.keyboard.type(key[1:])
                else:
                    page.keyboard.press(key)
            return
    raise AssertionError(f"no way by Tab to {name!r}")


FOCUSED = """() => {
  const one = document.activeElement, label = (one.labels || [])[0] || one;
  return (one.getAttribute("aria-label") || label.textContent).trim();
}"""


def test_a_den_by_the_keyboard_alone(phone) -> None:
    """From the list to the file with Tab, Enter and letters; the focus is seen all the way and never lost."""
    page = phone()
    by_key(page, "New den", "Enter")
    at(page, "Arriving")
    assert page.evaluate(FOCUSED) == "Arriving"
    by_key(page, "Female", "=OB-031")
    by_key(page, "On to Den", "Enter")
    at(page, "Den")
    by_key(page, "Den", "=D-1")
    by_key(page, "rock ledge", "Space")
    by_key(page, "On to Female", "Enter")
    at(page, "Female")
    by_key(page, "On to Cubs", "Enter")
    at(page, "Cubs")
    by_key(page, "Add a cub", "Enter")
    at(page, "Cub 1")
    by_key(page, "unknown", "Enter")
    by_key(page, "Mass g", "=900")
    by_key(page, "Done", "Enter")
    at(page, "Cubs")
    page.go_back()  # the phone's own key
    at(page, "Cub 1")
    by_key(page, "Night mode, red", "Enter")
    assert page.evaluate("document.documentElement.dataset.mode") == "night"
    assert page.evaluate(FOCUSED) == "Day mode, for sunlight"
    assert held(page, "mass_g") == "900"
    found = {one["record"]: one["values"] for one in stored(page)}
    assert found["den"].items() >= {"female": "OB-031", "den_label": "D-1", "den_type": "rock ledge"}.items()
    assert found["cub"] == {"cub_no": "1", "sex": "unknown", "mass_g": "900"}


@pytest.fixture
def every_screen(phone):
    """A phone with an entry of each kind, a finding of each level, and the addresses of all screens."""

    def made(language: str, mode: str) -> tuple[Page, list[str]]:
        page = phone(f"#/{ID}/den")
        write(page, "aspect", "400")
        write(page, "depth_cm", "3000")
        write(page, "den_label", "D-1")
        choose(page, "den_type", "tree")
        cards = []
        for kind in screens.CARDS:
            page.evaluate("([id, screen]) => { location.hash = `#/${id}/${screen}` }", [ID, HOME[kind]])
            page.wait_for_selector(f"button.add >> text=Add a {kind}")
            page.click(f"button.add >> text=Add a {kind}")
            page.wait_for_selector("#bar >> text=Done")
            cards.append(page.evaluate("location.hash"))
        write(page, "notes", "n")
        page.evaluate("location.hash = '#/'")
        at(page, "On this phone")
        page.click(f".choice[lang={language}]")
        if mode == "night":
            page.click("#top .mode")
        work = [f"#/{ID}/{screen.name}" for screen in screens.SCREENS]
        return page, ["#/", f"#/{ID}", *work, *cards, f"#/{ID}/withdraw", "#/hand-over"]

    return made


HOME = {"drug": "female", "reading": "female", "mark": "female", "cub": "cubs", "sample": "samples", "check": "leaving"}


# Colours hang on the mode and names on the language: two ways through all screens, two through the fullest.
WAYS = [("en", "day", 1), ("es", "night", 1), ("en", "night", 5), ("es", "day", 5)]


@pytest.mark.parametrize(("language", "mode", "every"), WAYS)
def test_no_screen_shuts_anybody_out(every_screen, language, mode, every) -> None:
    """axe-core finds nothing serious or critical on any screen, in both modes and languages, all folds open."""
    page, addresses = every_screen(language, mode)
    found = {}
    for address in addresses[::every]:
        page.evaluate(DRAWN if page.evaluate("location.hash") != address else "() => 0", address)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        told = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
        bad = [(one["id"], one["nodes"][0]["html"][:120]) for one in told if one["impact"] in ("serious", "critical")]
        if bad:
            found[address] = bad
    assert found == {}
    assert page.evaluate("document.documentElement.lang") == language


NAMES = """() => [...document.querySelectorAll("main input, main textarea, main a, main [role=group]")]
  .filter((one) => one.offsetParent)
  .map((one) => one.getAttribute("aria-label") || (document.getElementById(one.getAttribute("aria-labelledby"))
    || (one.labels || [])[0] || one).textContent.trim())"""


def test_each_field_is_told_apart_by_its_name(every_screen) -> None:
    """On no screen do two fields or buttons have the same name when read aloud, but for what is offered."""
    page, addresses = every_screen("en", "day")
    for address in addresses[2:]:
        page.evaluate(DRAWN if page.evaluate("location.hash") != address else "() => 0", address)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        names = page.evaluate(NAMES)
        assert sorted(set(names)) == sorted(names), address
        assert all(name.strip() for name in names), address


TOO_WIDE = """() => [...document.querySelectorAll("h1, h2, .button, .choice, .card, summary, .label, #kept, #turn")]
  .filter((one) => one.offsetParent && one.scrollWidth > one.clientWidth + 1).map((one) => one.textContent)"""


@pytest.mark.parametrize("language", ["en", "es"])
def test_no_word_sticks_out_at_320_pixels(every_screen, language) -> None:
    """With each choice made in turn: a pressed button is as wide as before, and no text is wider than its button."""
    page, addresses = every_screen(language, "day")
    page.set_viewport_size({"width": 320, "height": 740})
    for address in addresses:
        page.evaluate(DRAWN if page.evaluate("location.hash") != address else "() => 0", address)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        page.evaluate("document.querySelectorAll('main .choice[data-value]').forEach((one) => { one.click() })")
        assert page.evaluate(TOO_WIDE) == [], address
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, address


# --- text that means harm


def test_hostile_text_of_every_field_comes_out_as_it_went_in(every_screen) -> None:
    """In Spanish and at night too: nothing of it runs, and the file holds it word for word."""
    page, addresses = every_screen("es", "night")
    typed = HOSTILE.rstrip("\u2028") + "${1}{text}&amp;"  # typing drops U+2028
    for address in addresses[:-1]:
        page.evaluate(DRAWN if page.evaluate("location.hash") != address else "() => 0", address)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        for field in page.locator("main input[type=text]:visible, main textarea:visible").all():
            field.fill(typed)
        assert page.locator("main img, main script, #top img, #bar img").count() == 0, address
    page.evaluate("location.hash = '#/hand-over'")
    at(page, shipped()["es"]["screen.hand_over"])
    on(page)
    with page.expect_download() as download:
        page.click(f"text={shipped()['es']['do.save_file']}")
    features = json.loads(download.value.path().read_text(encoding="utf-8"))["features"]
    texts = [value for one in features for value in one["properties"].values() if value == typed]
    assert len(texts) > 60 and len(features) == 8
    assert "owned" not in page.title().partition(" - ")[0]
