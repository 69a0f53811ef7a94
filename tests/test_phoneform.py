"""The phone form: its screens and words, that it holds no den, and that nothing written into it is lost."""

import datetime as dt
import json
import re
from collections.abc import Iterator

import pytest
from click.testing import CliRunner
from conftest import STUDY_TOML

from densite.animals import frame_of
from densite.animalterms import KINDS
from densite.cli.form import content_of, form
from densite.phoneform import FormContent, FormError, form_content, read_words, render, screens, shipped, write_form
from densite.phoneform.form import DATA_ID, SCRIPTS, page_data
from densite.phoneform.rules import needed_of, reading_of
from densite.phoneform.wording import WordsError
from densite.settings import parse
from densite.terms import DEN_TERMS
from densite.visitsheet.layout import CAUTIONS
from densite.webmap.page import digest

DAY = dt.date(2026, 2, 24)
HOSTILE = "</script><script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">\u2028"
ID = "0ad5a000-0000-4000-8000-000000000001"


def content(**changes) -> FormContent:
    """Return the study's part of a form."""
    return FormContent(**{
        "study_id": "7e570000-0000-4000-8000-000000000001", "label": "Ondra Basin bear study",
        "time_zone": "America/Boise", "made_on": DAY, "crew": ("A", "B"), "observers": ("Q.V.",),
        "reading": reading_of(parse(STUDY_TOML)),
        "females": tuple(f"OB-{n:03d}" for n in range(25, 45)), "declination_deg": 12, **changes,
    })  # fmt: skip


# --- what stands on which screen


def test_screens_follow_the_work_and_hold_known_terms() -> None:
    """Six stretches of work; each field is a term, none stands twice."""
    assert [screen.name for screen in screens.SCREENS] == [
        "arriving", "den", "female", "cubs", "samples", "leaving"
    ]  # fmt: skip
    placed = [key for screen in screens.SCREENS for section in screen.sections for key in section.terms]
    assert len(placed) == len(set(placed))
    assert all(screens.term_of(key).name == key.split(".")[1] for key in screens.shown_keys())


def test_each_column_of_a_den_can_be_written_down() -> None:
    """Only what densite gives itself has no field."""
    without = {"den_id", "study"}
    assert {f"den.{term.name}" for term in DEN_TERMS if term.name not in without} <= set(screens.shown_keys())


@pytest.mark.parametrize("kind", [screens.DEN, "handling", *screens.CARDS])
def test_what_is_needed_can_be_written_or_comes_from_the_den(kind) -> None:
    """No record could be sent back for a field that the form does not have."""
    for name in needed_of(kind):
        assert f"{kind}.{name}" in screens.shown_keys() or name in screens.INHERITED[kind], name


def test_every_heading_has_its_words() -> None:
    """Screens, sections, cards, and each key that a script asks for."""
    words = shipped()["en"]
    named = [f"screen.{screen.name}" for screen in screens.SCREENS]
    named += [f"part.{section.name}" for screen in screens.SCREENS for section in screen.sections]
    named += [f"{start}{kind}" for kind in screens.CARDS for start in ("kind.", "do.add_", "told.none_", "told.count_")]
    scripts = re.findall(r"<script>(.*)</script>", render(content()), re.DOTALL)[0]
    named += re.findall(r'say\("([a-z_.]+)"', scripts)
    assert [key for key in named if key not in words] == []
    assert len(named) > 100


def test_reminders_say_all_that_the_sheet_says() -> None:
    """The cautions of the printed sheet stand on the first screen too."""
    said = " ".join(text for key, text in shipped()["en"].items() if key.startswith("care."))
    for sentence in re.findall(r"[^.]+\.", " ".join(CAUTIONS)):
        assert sentence.strip() in said


# --- the file


def test_the_study_is_in_it_and_no_den_is(ondra) -> None:
    """Names, permits and north of the study; no label, no coordinate of any den, none of its marks' numbers."""
    study, _ = ondra
    made = content_of(study)
    text = render(made)
    assert len(made.females) > 10
    assert set(made.females) <= set(study.records("animal")["animal"])
    assert set(made.observers) <= set(study.register.visits()["observer"])
    assert made.declination_deg == 12  # the demo's declination is about +12.5 degrees
    dens = study.dens
    assert len(dens) > 200
    for label, point in zip(dens["label"], dens.geometry, strict=True):
        assert label not in text
        assert f"{point.x:.3f}" not in text and f"{point.y:.3f}" not in text
    assert not any(str(code) in text for code in study.records("mark")["mark_code"] if len(str(code)) > 5)


def test_it_is_small_and_can_reach_nothing() -> None:
    """Under 300 kB; script and style by hash, no connection, no address of any host but a namespace."""
    text = render(content())
    assert len(text.encode()) < 300_000
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    script, style = (re.search(f"<{tag}>(.*)</{tag}>", text, re.DOTALL)[1] for tag in ("script", "style"))
    assert policy == (
        f"default-src 'none'; script-src {digest(script)}; style-src {digest(style)}; img-src blob: data:; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )
    assert set(re.findall(r"https?://[^\"' )]+", text)) == {"http://www.w3.org/2000/svg"}
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function", script)


def test_served_it_may_have_a_manifest_and_a_worker() -> None:
    """Only then does the policy allow them, and still no connection."""
    text = render(content(), manifest="form.webmanifest", worker="worker.js")
    assert '<link rel="manifest" href="form.webmanifest">' in text
    assert "worker-src 'self'" in text and "manifest-src 'self'" in text and "connect-src 'none'" in text


def test_scripts_share_one_scope_without_a_clash() -> None:
    """A name that two files define would make the whole form dead."""
    text = render(content())
    found = re.findall(r"^(?:async )?(?:function|const|let) (\w+)", text, re.MULTILINE)
    assert len(found) == len(set(found)) > 80
    assert all(f"// {name}\n" in text for name in SCRIPTS)


def test_languages() -> None:
    """An unknown one is refused, one from a file is there."""
    with pytest.raises(FormError, match="no words in language 'xx'"):
        render(content(), language="xx")
    data = page_data(content(), language="fr", words=shipped() | {"fr": {"do.done": "Fini"}})
    assert data["words"]["fr"] == {"do.done": "Fini"}


def test_words_that_are_no_words_are_refused(tmp_path) -> None:
    """The message says what was expected."""
    for text in ("[1]", '{"a": {"b": "c"}}', "{"):
        (tmp_path / "fr.json").write_text(text, encoding="utf-8")
        with pytest.raises(WordsError, match=r"fr\.json"):
            read_words(tmp_path / "fr.json")


def test_the_command_writes_the_file(ondra, tmp_path) -> None:
    """Where asked, readable by its owner only."""
    study, _ = ondra
    done = CliRunner().invoke(form, ["-o", str(tmp_path / "f.html"), "--study", str(study.folder)])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "f.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "f.html").stat().st_mode & 0o077 == 0
    with pytest.raises(FormError, match="cannot be written"):
        write_form("x", tmp_path / "none" / "f.html")


# --- the study's part


def gathered(toml: str = "", *, permits: tuple = (), middle=None, on: dt.date = DAY) -> FormContent:
    """Gather the part of a small study."""
    import pandas as pd

    marks = [{"animal": animal, "date": dt.date(2025, 3, day), "mark_kind": kind, "mark_code": code,
              "mark_event": event, "record_id": f"{animal}{day}", "row_key": code}
             for animal, day, kind, code, event in (
        ("OB-031", 1, "collar", "C1", "put on"), ("OB-032", 1, "collar", "C2", "put on"),
        ("OB-032", 9, "collar", "C2", "removed"), ("OB-033", 1, "ear tag", "14", "put on"),
        ("OB-050", 1, "collar", "C3", "put on"),
    )]  # fmt: skip
    animals = [{"record_id": a, "animal": a, "sex": s, "row_key": a} for a, s in
               (("OB-031", "female"), ("OB-032", "female"), ("OB-033", "female"), ("OB-050", "male"))]  # fmt: skip
    visits = pd.DataFrame({"observed_on": [dt.date(2020, 3, 1), dt.date(2025, 3, 1), dt.date(2025, 3, 9)],
                           "crew": ["old", "B", "A"], "observer": ["O.O.", "Q.V.", None]})  # fmt: skip
    return form_content(
        parse(STUDY_TOML + toml), visits=visits, animals=frame_of("animal", animals), marks=frame_of("mark", marks),
        permits=frame_of("permit", permits), middle=middle, on=on,
    )  # fmt: skip


def test_females_are_those_with_a_collar_and_names_the_recent_ones() -> None:
    """A collar that came off, a tag and a male make no female to expect."""
    made = gathered()
    assert (made.females, made.crew, made.observers) == (("OB-031",), ("A", "B"), ("Q.V.",))


def test_study_toml_goes_first() -> None:
    """What the study names is offered instead of what is on file."""
    made = gathered('[form]\ncrew = ["N"]\nfemales = ["OB-090"]\n[intake]\naspect_reference = "magnetic"\n')
    assert (made.females, made.crew, made.observers, made.aspect_reference) == (
        ("OB-090",), ("N",), ("Q.V.",), "magnetic"
    )  # fmt: skip


def test_permits_that_have_ended_are_left_out() -> None:
    """With the counts as they are written, whole."""
    common = {"record_id": "1", "row_key": "1", "valid_from": DAY, "authority": "X", "procedures": "blood; hair"}
    made = gathered(permits=(
        {**common, "permit": "BL-25", "valid_to": DAY - dt.timedelta(1)},
        {**common, "permit": "BL-26", "valid_to": DAY, "max_animals": 15.0},
    ))  # fmt: skip
    assert [(p.number, p.animals, p.cubs, p.procedures) for p in made.permits] == [("BL-26", "15", "", "blood; hair")]


def test_north_is_only_said_where_it_is_known() -> None:
    """No middle, or a year of no model: none."""
    assert gathered().declination_deg is None
    assert gathered(middle=(-117.0, 42.5), on=dt.date(2150, 1, 1)).declination_deg is None
    assert gathered(middle=(-117.0, 42.5)).declination_deg in (12, 13)


# --- readable


def _luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _colours() -> dict[str, dict[str, str]]:
    style = re.search("<style>(.*)</style>", render(content()), re.DOTALL)[1]
    blocks = re.findall(r'^:root(?:\[data-mode="night"\])? \{(.*?)\n\}', style, re.DOTALL | re.MULTILINE)
    return dict(zip(("day", "night"), (dict(re.findall(r"--([\w-]+): (#\w{6})", b)) for b in blocks), strict=True))


@pytest.mark.parametrize("mode", ["day", "night"])
def test_text_has_a_contrast_of_seven_to_one(mode) -> None:
    """WCAG 2.2: 1.4.6 (AAA) for all text, 1.4.11 (3 to 1) for the edges of what is touched."""
    held = _colours()[mode]
    pairs = [(text, ground) for text in ("ink", "soft", "mark", "error", "doubt") for ground in ("ground", "sheet")]
    pairs += [("on-act", "act"), ("on-pick", "pick"), ("on-loud", "loud")]
    assert {p: round(c, 1) for p in pairs if (c := _contrast(held[p[0]], held[p[1]])) < 7} == {}
    edges = [(line, ground) for line in ("line", "focus") for ground in ("ground", "sheet")]
    assert {p: round(c, 1) for p in edges if (c := _contrast(held[p[0]], held[p[1]])) < 3} == {}


def test_night_is_red() -> None:
    """Every colour of the night has more red than green or blue."""
    for colour in _colours()["night"].values():
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert red > 1.2 * max(green, blue) - 1, colour


# --- in a browser


@pytest.fixture
def phone(chromium, tmp_path) -> Iterator:
    """Open the form from its file on a phone; complain of any request, error or breach of the policy."""
    contexts, complaints = [], []

    def opened(address: str = "#/", *, width: int = 360, made: FormContent | None = None, **options):
        file = tmp_path / "form.html"
        write_form(render(made or content()), file)
        context = chromium.new_context(viewport={"width": width, "height": 740}, is_mobile=True, has_touch=True,
                                       offline=True, **options)  # fmt: skip
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(5000)
        page.on("console", lambda message: complaints.append(f"console {message.type}: {message.text}"))
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("request", lambda asked: asked.url.split("#")[0] in (file.as_uri(),)
                or asked.url.startswith(("data:", "blob:")) or complaints.append(f"asked: {asked.url}"))  # fmt: skip
        page.goto(file.as_uri() + address)
        ready(page)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


def ready(page) -> None:
    """Wait until the form has opened its store."""
    page.wait_for_selector("html[data-ready=yes]", state="attached")


def at(page, title: str) -> None:
    """Wait for a screen."""
    page.wait_for_function("text => document.querySelector('h1')?.textContent === text", arg=title)


def held(page, name: str) -> str:
    """Return what a field holds."""
    return page.input_value(f"#at-{name} input, #at-{name} textarea")


def write(page, name: str, text: str) -> None:
    """Write into a field."""
    page.fill(f"#at-{name} input, #at-{name} textarea", text)


def choose(page, name: str, value: str) -> None:
    """Touch a choice."""
    page.click(f"#at-{name} [data-value='{value}']")


def on(page) -> None:
    """Touch the main action at the bottom."""
    page.click("#bar .main")


def handed(page) -> dict:
    """Make the file and read it."""
    page.evaluate("location.hash = '#/hand-over'")
    at(page, "Hand over")
    on(page)
    with page.expect_download() as download:
        page.click("text=Save the file on this phone")
    return json.loads(download.value.path().read_text(encoding="utf-8"))


def test_a_den_and_two_cubs_survive_a_reload(phone) -> None:
    """Written in the order of the work, read back after a reload in mid-entry, handed over as one file."""
    page = phone()
    page.click("text=New den")
    at(page, "Arriving")
    page.click("#at-crew .offer >> text=A")
    write(page, "female", "31")
    page.click("#at-female .offer >> text=OB-031")
    on(page)
    at(page, "Den")
    write(page, "den_label", "D-2026-77")
    assert page.locator("#section-tree").is_hidden()
    choose(page, "den_type", "tree")
    assert page.locator("#section-tree").is_visible()
    write(page, "aspect", "112")
    choose(page, "aspect_reference", "magnetic")
    assert "about 124 degrees from true" in page.text_content("#section-facing")
    for screen in ("Female", "Cubs"):
        on(page)
        at(page, screen)
    for number, sex in ((1, "male"), (2, "female")):
        page.click("text=Add a cub")
        at(page, f"Cub {number}")
        choose(page, "sex", sex)
        write(page, "mass_g", f"{number}850")
        if number == 1:
            on(page)
            at(page, "Cubs")
    page.reload()  # at once, while the last figure is still on its way
    ready(page)
    at(page, "Cub 2")
    assert held(page, "mass_g") == "2850"
    page.go_back()
    at(page, "Cubs")
    assert page.locator(".card").all_inner_texts() == ["Cub 1\nmale, 1850 g", "Cub 2\nfemale, 2850 g"]
    file = handed(page)
    rows = {(f["properties"]["record"], f["properties"].get("cub_no")): f["properties"] for f in file["features"]}
    assert set(rows) == {("den", None), ("cub", "1"), ("cub", "2")}
    den = rows["den", None]
    wanted = {"crew": "A", "female": "OB-031", "den_label": "D-2026-77", "den_type": "tree", "aspect": "112",
              "aspect_reference": "magnetic"}  # fmt: skip
    assert {name: den[name] for name in wanted} == wanted
    cub = rows["cub", "2"]
    assert (cub["mass_g"], cub["sex"], cub["female"], cub["den_label"]) == ("2850", "female", "OB-031", "D-2026-77")
    assert cub["date"] == den["date"] != ""


def test_handed_over_only_after_the_person_says_so(phone) -> None:
    """Made is not arrived; a change afterwards counts as changed; what has arrived can be cleared."""
    page = phone(f"#/{ID}/den")
    write(page, "den_label", "D-1")
    state = ".card .state"
    handed(page)
    page.click("#bar >> text=On this phone")
    at(page, "On this phone")
    assert page.text_content(state) == "not handed over"
    page.go_back()
    handed(page)
    page.click("text=Yes, it has arrived")
    page.wait_for_selector("text=Everything here has been handed over.")
    page.click("#bar >> text=On this phone")
    at(page, "On this phone")
    assert page.text_content(state) == "handed over"
    page.evaluate(f"location.hash = '#/{ID}/den'")
    at(page, "Den")
    write(page, "notes", "more")
    page.evaluate("location.hash = '#/'")
    at(page, "On this phone")
    assert page.text_content(state) == "changed since handed over"
    handed(page)
    page.click("text=Yes, it has arrived")
    page.click("text=Delete what was handed over")
    page.wait_for_timeout(800)  # a touch that comes at once is a bounce
    page.click("text=Really delete")
    page.click("#bar >> text=On this phone")
    page.wait_for_selector("text=Nothing is stored here yet.")


def test_withdrawing_needs_a_reason_and_can_be_taken_back(phone) -> None:
    """The den goes with its cubs; both stay in the file with the reason."""
    page = phone(f"#/{ID}/cubs")
    page.click("text=Add a cub")
    at(page, "Cub 1")
    page.evaluate(f"location.hash = '#/{ID}/withdraw'")
    at(page, "Withdraw")
    on(page)
    assert "Write a reason" in page.text_content("#reason-said")
    page.fill("#reason", "wrong den")
    on(page)
    at(page, "On this phone")
    assert page.text_content(".card .state") == "withdrawn"
    page.click(".card")
    assert "wrong den" in page.text_content(".note")
    page.click("text=Bring it back")
    page.wait_for_function("() => !document.querySelector('.note')")
    page.evaluate(f"location.hash = '#/{ID}/cubs'")
    at(page, "Cubs")
    assert page.locator(".card.gone").count() == 0


def test_hostile_text_stays_text(phone) -> None:
    """In names that the study gives and in each field that can be typed into; the title stays ours."""
    page = phone(f"#/{ID}/arriving", made=content(label=HOSTILE, crew=(HOSTILE,), females=(HOSTILE,)))
    for screen in ("arriving", "den", "female", "leaving"):
        page.evaluate(f"location.hash = '#/{ID}/{screen}'")
        at(page, screen.title())
        for field in page.locator("main input[type=text]:visible, main textarea:visible").all():
            field.fill(HOSTILE)
    page.evaluate(f"location.hash = '#/{ID}/cubs'")
    at(page, "Cubs")
    page.click("text=Add a cub")
    at(page, "Cub 1")
    for field in page.locator("main input, main textarea").all():
        field.fill(HOSTILE)
    for address in ("", f"{ID}", f"{ID}/cubs", f"{ID}/leaving", "hand-over"):
        page.evaluate("address => { location.hash = '#/' + address }", address)
        page.wait_for_timeout(60)
        assert page.locator("main img, main script, #top img").count() == 0
        assert page.evaluate("document.title").endswith(f" - {HOSTILE}")
    page.evaluate(f"location.hash = '#/{ID}'")
    at(page, HOSTILE[:-1])  # typing drops U+2028


def test_nothing_is_kept_of_a_den_that_was_only_opened(phone) -> None:
    """A touch on the wrong button leaves no den without a label behind."""
    page = phone()
    page.click("text=New den")
    at(page, "Arriving")
    page.go_back()
    at(page, "On this phone")
    assert page.locator(".card").count() == 0


def test_a_second_position_asks_before_it_replaces_the_first(phone) -> None:
    """At the den it is kept as it comes; taken again in the office it is not."""
    there = {"longitude": -118.22, "latitude": 44.51, "accuracy": 6}
    page = phone(f"#/{ID}/den", geolocation=there, permissions=["geolocation"])
    page.click("text=Take the position here")
    page.wait_for_selector("#section-place >> text=44.510000, -118.220000")
    page.reload()  # not even stopped
    ready(page)
    page.wait_for_selector("#section-place >> text=44.510000, -118.220000")
    page.context.set_geolocation({"longitude": -118.0, "latitude": 44.0, "accuracy": 6})
    page.click("text=Take the position again")
    page.wait_for_selector("#section-place >> text=44.000000")
    page.click("text=Leave the old one")
    page.wait_for_selector("#section-place >> text=44.510000, -118.220000")
    page.click("text=Take the position again")
    page.wait_for_selector("#section-place >> text=44.000000")
    page.click("text=Use this one instead")
    page.wait_for_selector("#section-place >> text=44.000000, -118.000000")


def test_gloves_type_figures_only(phone) -> None:
    """814 is a time; what is no time stays as it was typed."""
    page = phone(f"#/{ID}/female")
    write(page, "approached", "814")
    page.press("#at-approached input", "Tab")
    assert held(page, "approached") == "08:14"
    write(page, "darted", "noonish")
    page.press("#at-darted input", "Tab")
    assert held(page, "darted") == "noonish"


def test_what_is_missing_leads_to_its_field(phone) -> None:
    """Also to one on another screen or card, and leaving is free."""
    page = phone(f"#/{ID}/cubs")
    page.click("text=Add a cub")
    page.evaluate(f"location.hash = '#/{ID}/leaving'")
    at(page, "Leaving")
    assert page.locator("#section-missing").get_by_text("Cub 1: Sex").count() == 1
    page.click("text=Den type")
    at(page, "Den")
    assert page.evaluate("document.activeElement.closest('.field').id") == "at-den_type"
    assert page.locator("#bar a, #bar button:enabled").count() == 2


SIZES = """() => [...document.querySelectorAll('a, button, input:not(.unseen), textarea, summary')]
    .filter(one => one.offsetParent !== null)
    .map(one => [one.textContent.slice(0, 30), one.offsetHeight, one.closest('#bar') ? 56 : 48])
    .filter(([, height, least]) => height < least)"""


def test_targets_are_big_and_nothing_is_cut_off(phone) -> None:
    """At 320 pixels no screen is wider than the phone; each target is 48 pixels high, at the bottom 56."""
    page = phone(f"#/{ID}/cubs", width=320)
    page.click("text=Add a cub")
    card = page.evaluate("location.hash")
    for address in ("#/", f"#/{ID}", *(f"#/{ID}/{screen.name}" for screen in screens.SCREENS), card, "#/hand-over"):
        page.evaluate("address => { location.hash = address }", address)
        page.wait_for_timeout(40)
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, address
        assert page.evaluate(SIZES) == [], address


def test_where_nothing_can_be_stored_it_says_so(phone) -> None:
    """Loud, on each screen, and the form works all the same."""
    page = phone()
    page.add_init_script("Object.defineProperty(window, 'indexedDB', { value: { open() { throw new Error('no') } } })")
    page.reload()
    ready(page)
    assert "stores nothing" in page.text_content("#kept.loud")
    page.click("text=New den")
    at(page, "Arriving")
    write(page, "observer", "Q.V.")
    page.click("#bar >> text=Overview")
    at(page, "Den without a label")
    page.click("#bar >> text=On this phone")
    at(page, "On this phone")
    assert page.locator(".card").count() == 1


def test_two_tabs_say_so(phone) -> None:
    """Both, until one is closed."""
    page = phone()
    other = page.context.new_page()
    other.goto(page.url)
    for one in (page, other):
        assert "open in two tabs" in one.wait_for_selector("#kept.loud").text_content()
    other.close(run_before_unload=True)
    page.wait_for_selector("#kept:not(.loud)")


def test_night_stays_night(phone) -> None:
    """The mode is kept over a reload, and the turning-back time is loud once it has passed."""
    page = phone(f"#/{ID}/arriving")
    page.click("#top .mode")
    page.fill("#turn-back", "0000")
    page.press("#turn-back", "Tab")
    assert page.text_content("#turn.loud") == "It is past 00:00: turn back"
    look = page.evaluate("(({ color, backgroundColor }) => [color, backgroundColor])(getComputedStyle(turn))")
    assert _contrast(*("#" + "".join(f"{int(part):02x}" for part in re.findall(r"\d+", one)) for one in look)) >= 7
    page.reload()
    ready(page)
    assert page.evaluate("document.documentElement.dataset.mode") == "night"
    assert page.text_content("#turn.loud") == "It is past 00:00: turn back"
    write(page, "date", "2026-01-01")
    page.click("#top .mode")
    assert page.locator("#turn").is_hidden()


def test_data_stands_in_the_page_as_json() -> None:
    """What the scripts read is what was put in, whatever it holds."""
    text = render(content(label=HOSTILE))
    data = json.loads(re.search(f'id="{DATA_ID}">(.*?)</script>', text, re.DOTALL)[1])
    assert data["study"]["label"] == HOSTILE
    assert data["cards"]["cub"][0] == "cub.cub_no" and set(data["cards"]) < set(KINDS)
