"""The phone form treated roughly: full store, two tabs, wrong clock, bouncing glove, lost photograph."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page
from test_phone_used import PHONE, photograph, stored, until
from test_phoneform import ID, at, content, handed, held, on, ready, write

from densite.phoneform import render

OTHER = ID[:-1] + "2"
REFUSE = """() => {
  const put = IDBObjectStore.prototype.put;
  window.refused = () => true;
  IDBObjectStore.prototype.put = function (value) {
    if (window.refused(this.name, value)) throw new DOMException("full", "QuotaExceededError");
    return put.call(this, value);
  };
}"""


@pytest.fixture
def phone(chromium, tmp_path) -> Iterator:
    """Open the form on a phone without a network; before says what is done to the browser before the form runs."""
    file, contexts = tmp_path / "form.html", []
    file.write_text(render(content()), encoding="utf-8")

    def opened(address: str = "#/", *, before: str = "", **options) -> Page:
        contexts.append(chromium.new_context(**{**PHONE, "offline": True, **options}))
        page = contexts[-1].new_page()
        page.set_default_timeout(5000)
        if before:
            page.add_init_script(f"({before})()")
        page.goto(Path(file).as_uri() + address)
        if options.get("java_script_enabled", True):
            ready(page)
        return page

    yield opened
    for context in contexts:
        context.close()


def go(page: Page, address: str, title: str) -> None:
    """Go to a screen."""
    page.evaluate("address => { location.hash = address }", address)
    at(page, title)


def test_a_full_store_does_not_keep_the_form_from_opening(phone) -> None:
    """What is stored can be read and handed over, and what is refused is said."""
    page = phone(f"#/{ID}/den")
    write(page, "den_label", "D-1")
    page.wait_for_timeout(300)
    page.add_init_script(f"({REFUSE})()")
    page.reload()
    ready(page)
    assert held(page, "den_label") == "D-1"
    write(page, "notes", "more")
    assert "NOT kept" in page.wait_for_selector("#kept.loud").text_content()
    assert handed(page)["features"][0]["properties"]["notes"] == "more"


def test_what_was_refused_is_said_until_it_is_kept(phone) -> None:
    """Another entry that goes through does not hide it, and it is tried again with the next writing."""
    page = phone(f"#/{ID}/den")
    page.evaluate(REFUSE)
    page.evaluate(f"() => {{ window.refused = (shelf, value) => value.id === '{ID}' }}")
    write(page, "den_label", "D-1")
    page.wait_for_selector("#kept.loud")
    go(page, f"#/{OTHER}/den", "Den")
    write(page, "den_label", "D-2")
    assert [entry["values"]["den_label"] for entry in stored(page)] == ["D-2"]
    assert page.locator("#kept.loud").count() == 1
    page.evaluate("() => { window.refused = () => false }")
    write(page, "notes", "more")
    page.wait_for_selector("#kept:not(.loud)")
    assert sorted(entry["values"]["den_label"] for entry in stored(page)) == ["D-1", "D-2"]


def test_who_types_without_a_pause_is_written_down(phone) -> None:
    """The store is not put off until the last letter."""
    page = phone(f"#/{ID}/den")
    typing = """() => { const field = document.querySelector("#at-notes textarea");
      window.typing = setInterval(() => { field.value += "a"; field.dispatchEvent(new Event("input")); }, 50); }"""
    page.evaluate(typing)
    until(page, "async () => (await indexedDB.databases()).length", None)
    assert len(stored(page)[0]["values"]["notes"]) > 1


def test_a_clock_set_back_hides_no_change(phone) -> None:
    """What was changed after it was handed over is handed over again, whatever the phone's clock says."""
    page = phone(f"#/{ID}/den")
    write(page, "den_label", "D-1")
    handed(page)
    page.click("text=Yes, it has arrived")
    page.wait_for_selector("text=Everything here has been handed over.")
    page.clock.set_fixed_time("2026-03-01T08:00:00Z")
    go(page, f"#/{ID}/den", "Den")
    write(page, "notes", "more")
    go(page, "#/hand-over", "Hand over")
    assert "Den visits to hand over: 1" in page.text_content("main")
    assert page.locator("text=Delete what was handed over").count() == 0


def test_a_clock_before_the_form_was_made_is_asked_about(phone) -> None:
    """Days are filled in from it; the day before is a matter of zones."""
    page = phone()
    for day, count in (("2019-01-01", 1), ("2026-02-23", 0)):
        page.clock.set_fixed_time(f"{day}T12:00:00Z")
        go(page, f"#/{OTHER if count else ID}/arriving", "Arriving")
        assert page.locator("text=Is this phone's clock right?").count() == count


def test_two_tabs_do_not_write_over_each_other(phone) -> None:
    """Back in a tab, what another one wrote is there first; what waits to be written here stays."""
    page = phone(f"#/{ID}/den")
    write(page, "den_label", "D-1")
    page.wait_for_timeout(300)
    other = page.context.new_page()
    other.set_default_timeout(5000)
    other.goto(page.url)
    ready(other)
    write(other, "notes", "from the other tab")
    other.wait_for_timeout(300)
    page.evaluate("dispatchEvent(new Event('focus'))")
    page.wait_for_function("() => document.querySelector('#at-notes textarea').value === 'from the other tab'")
    write(page, "depth_cm", "120")
    assert stored(page)[0]["values"] == {
        "date": stored(page)[0]["values"]["date"], "den_label": "D-1", "notes": "from the other tab", "depth_cm": "120",
    }  # fmt: skip


def test_two_of_three_tabs_still_say_so(phone) -> None:
    """One of them closed is not all of them."""
    page = phone()
    tabs = [page.context.new_page() for _ in range(2)]
    for tab in tabs:
        tab.goto(page.url)
        ready(tab)
    tabs[0].close(run_before_unload=True)
    page.wait_for_timeout(300)
    assert "open in two tabs" in page.wait_for_selector("#kept.loud").text_content()
    tabs[1].close(run_before_unload=True)
    page.wait_for_selector("#kept:not(.loud)")


def test_a_bouncing_glove_deletes_nothing(phone) -> None:
    """The second touch counts only when it comes after a look."""
    page = phone(f"#/{ID}/den")
    page.set_input_files("#photo-input", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photograph()})
    page.wait_for_selector("figure")
    page.eval_on_selector("figure button", "button => { button.click(); button.click(); }")
    page.wait_for_timeout(200)
    assert page.text_content("figure button") == "Really delete"
    page.wait_for_timeout(800)
    page.click("figure button")
    page.wait_for_selector("figure", state="detached")


def test_a_photograph_without_room_is_said_in_words(phone) -> None:
    """And the den is written down all the same."""
    page = phone(f"#/{ID}/den")
    page.evaluate(REFUSE)
    page.evaluate("() => { window.refused = (shelf) => shelf === 'photos' }")
    page.set_input_files("#photo-input", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photograph()})
    page.wait_for_selector("text=Not added: a.jpg: There is no room left")
    write(page, "den_label", "D-1")
    assert stored(page)[0]["values"]["den_label"] == "D-1"


def test_a_lost_photograph_holds_no_den_back(phone) -> None:
    """A browser may lose a picture's bytes; the file is made without it, and says so."""
    page = phone(f"#/{ID}/den")
    write(page, "den_label", "D-1")
    page.set_input_files("#photo-input", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photograph()})
    page.wait_for_selector("figure")
    page.evaluate("() => { Blob.prototype.arrayBuffer = async () => { throw new DOMException('gone') } }")
    file = handed(page)
    assert file["features"][0]["properties"]["den_label"] == "D-1"
    assert "photos" not in file["features"][0]["properties"]
    assert page.locator("text=not in the file: 1").count() == 1


FED = """() => {
  let tell; window.feed = (coords, timestamp) => tell({coords, timestamp});
  Object.defineProperty(navigator, "geolocation", {value: {clearWatch() {}, watchPosition(take, fail) {
    tell = take; window.fail = fail; return 1; }}});
}"""


def test_fixes_by_another_clock_are_taken_and_stored_ones_are_not(phone) -> None:
    """Old by the phone's clock but going on at the pace of time: live. Old and at once: out of a store."""
    page = phone(f"#/{ID}/den", before=FED)
    page.click("text=Take the position here")
    feed = "([off, longitude]) => feed({longitude, latitude: 44.5, accuracy: 6}, Date.now() - off)"
    page.evaluate(feed, [3600e3, -118.0])
    page.evaluate(feed, [3500e3, -118.0])
    assert page.text_content("#section-place .reading") == ""
    for _ in range(2):
        page.wait_for_timeout(600)
        page.evaluate(feed, [3500e3, -118.221])
    page.wait_for_selector("#section-place .reading:text-is('44.500000, -118.221000')")


def test_a_poor_fix_says_that_it_is_poor(phone) -> None:
    """A position is shown and kept, with what is wrong with it, also when the sky is lost afterwards."""
    page = phone(f"#/{ID}/den", before=FED)
    page.click("text=Take the position here")
    page.evaluate("feed({longitude: -118.2, latitude: 44.5, accuracy: 900}, Date.now())")
    page.wait_for_selector("text=Only to 900 m: no clear sky yet")
    page.evaluate("fail({code: 3})")
    page.wait_for_selector("text=No position within a minute")
    assert "good to about" in page.text_content("#section-place [role=status]")


def test_without_a_position_the_fields_to_type_it_stand_open(phone) -> None:
    """Nobody has to find out what to do next; and one missing place is one line, however it may be written."""
    page = phone(f"#/{ID}/den")
    page.click("text=Take the position here")
    page.wait_for_selector("text=The phone does not give its position")
    assert page.is_visible("#at-latitude input")
    assert page.text_content("#section-place .instrument .strong") == "Done"
    write(page, "den_label", "D-1")
    missing = ".missing >> text=/^(Place|Latitude|Longitude)$/"
    go(page, f"#/{ID}/leaving", "Leaving")
    assert page.locator(missing).all_text_contents() == ["Place"]
    go(page, f"#/{ID}/den", "Den")
    page.click("summary:has-text('Type it from a GPS unit')")
    page.click("[data-way=mgrs]")
    write(page, "mgrs", "11TLK4414084706")
    go(page, f"#/{ID}/leaving", "Leaving")
    assert page.locator(missing).count() == 0


def test_a_vital_sign_is_asked_about_without_a_range(phone) -> None:
    """A range shown beside an animal would be read as a clinical limit."""
    page = phone(f"#/{ID}/female")
    page.click("text=Add a reading")
    at(page, "Reading 1")
    for name, text in (("temperature_c", "20"), ("temperature_c", "101"), ("heart_rate", "900"), ("spo2_pct", "3")):
        write(page, name, text)
        said = page.text_content(f"#at-{name} .said")
        assert said.startswith("Sure?") and "slips of the pen" in said
        assert " to " not in said and "unusual" not in said


def test_after_a_card_its_section_is_at_hand(phone) -> None:
    """Vitals stand in the middle of a long screen: the next reading is one touch away."""
    page = phone(f"#/{ID}/female")
    page.click("text=Add a reading")
    at(page, "Reading 1")
    write(page, "heart_rate", "40")
    on(page)
    at(page, "Female")
    box = page.locator("text=Add a reading").bounding_box()
    assert 0 < box["y"] < PHONE["viewport"]["height"] - 150
    assert page.evaluate("document.activeElement.textContent") == "Add a reading"


def test_the_time_to_turn_back_stays_in_sight(phone) -> None:
    """Once it has passed it does not scroll away; what is no time is said to be none."""
    page = phone(f"#/{ID}/arriving")
    page.fill("#turn-back", "2 pm")
    page.press("#turn-back", "Tab")
    assert "no time" in page.text_content("#turn-back-said")
    page.fill("#turn-back", "0000")
    page.press("#turn-back", "Tab")
    assert page.text_content("#turn-back-said") == ""
    write(page, "observer", "Q.V.")
    go(page, f"#/{ID}/den", "Den")
    page.evaluate("scrollTo(0, 1500)")
    assert 0 <= page.locator("#turn.loud").bounding_box()["y"] < 100
    go(page, "#/", "On this phone")
    assert page.text_content("#turn.loud") == "It is past 00:00: turn back"


def test_without_scripts_it_says_what_to_do(phone) -> None:
    """A phone's preview of files shows a page and runs nothing."""
    page = phone(java_script_enabled=False)
    assert "open the file in a browser" in page.text_content("main")
