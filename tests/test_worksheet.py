"""The page of open questions, used in a real browser as a crew does."""

from collections.abc import Iterator
from dataclasses import replace

import pandas as pd
import pytest
from made_questions_of_dens import dens_at, visits_to
from test_webmap import HOSTILE
from test_webmap_page import Reader, policy_of, sha256

from densite.review import Held, look_again
from densite.review.worksheet import worksheet
from densite.settings import CheckSettings
from densite.webmap import write_map

REASONS = pd.DataFrame(columns=["den_id", "covariate", "radius_m", "reason"])


def page_text(count=6, *, labels=None, **chosen) -> str:
    """Return the page of a study whose every den was visited out of season and lacks all but its type."""
    dens = dens_at(count, xy=[(-115.5 + 0.01 * i, 43.5) for i in range(count)])
    if labels:
        dens["label"] = dens["notes"] = dens["source_file"] = labels
    visits = visits_to(*((f"d{i}", f"2024-07-0{1 + i % 3}", labels[i] if labels else "OB-001") for i in range(count)))
    held = Held(dens, visits.assign(crew=labels or "B"), pd.DataFrame(index=dens.index), REASONS, {}, {})
    settings = CheckSettings(**{"season": ("11-01", "05-15"), "expected": ("slope_deg",), "same_day_m": 100.0} | chosen)
    review = look_again(held, chosen=settings, area=None)
    asked = tuple(f for f in review.findings if f.kind != "doubt")  # that short ids are no UUIDs
    review = replace(review, findings=asked)
    return worksheet(review, dens, title="Ondra Basin", study_id="7e57", layers={})


@pytest.fixture
def show(chromium, tmp_path) -> Iterator:
    """Open a page from its file; complain of any request, error or policy breach."""
    contexts, complaints = [], []

    def opened(text: str, *, width: int = 1280, height: int = 800):
        file = tmp_path / "questions.html"
        write_map(text, file)
        context = chromium.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce")
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: complaints.append(f"console {message.type}: {message.text}"))
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("request", lambda asked: asked.url == file.as_uri() or asked.url.startswith("data:")
                or complaints.append(f"asked: {asked.url}"))  # fmt: skip
        page.goto(file.as_uri())
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


def test_the_page_says_to_whom_it_may_go() -> None:
    """The banner, and a policy that allows only the scripts and styles in it."""
    read = Reader(page_text())
    assert "Exact den locations: not for publication" in page_text()
    policy = policy_of(read)
    assert policy["default-src"] == ["'none'"]
    assert policy["script-src"] == [sha256(script) for script in read.inside("script") if not script.startswith("{")]


def test_worked_through_by_mouse(show) -> None:
    """Filter, tick, hide what is done; ticks are there after a reload; from question to point and back."""
    page = show(page_text())
    questions = page.locator(".question")
    # each of six dens: season and slope; a pair on each of three days
    assert page.locator("#count").inner_text() == "0 of 15 done, 15 shown"
    page.locator("[data-kind=missing]").uncheck()
    assert page.locator("#count").inner_text() == "0 of 15 done, 9 shown"
    page.locator("[data-kind=missing]").check()
    questions.first.locator("input").check()
    page.locator("#open-only").check()
    assert not questions.first.is_visible()
    page.reload()
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    assert page.locator("#count").inner_text() == "1 of 15 done, 15 shown"
    where = page.locator(".question .where").nth(3)
    where.click()
    popup = page.locator(".leaflet-popup .at")
    assert popup.locator("h2").inner_text() == where.inner_text()
    popup.locator("button").last.click()
    assert page.evaluate("document.activeElement.className").startswith("question")
    page.locator(".leaflet-popup").wait_for(state="detached")


def test_by_keyboard_on_a_phone(show) -> None:
    """At 360 px nothing sticks out; Enter goes to the point, Escape back to the question's button."""
    page = show(page_text(), width=360, height=640)
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    where = page.locator(".question .where").nth(2)
    where.focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.className") == "at"
    page.wait_for_timeout(600)  # the map moves until the card is in sight
    box, card = page.locator("#place").bounding_box(), page.locator(".leaflet-popup").bounding_box()
    assert card["y"] >= box["y"] - 1
    page.keyboard.press("Escape")
    assert where.evaluate("node => node === document.activeElement")
    small = page.evaluate("""[...document.querySelectorAll('#work button, #work .tick, #work .kind')]
        .filter((n) => n.offsetParent && n.getBoundingClientRect().height < 43).length""")
    assert small == 0


def test_every_control_has_a_name(show) -> None:
    """What a screen reader says of boxes, buttons and regions."""
    page = show(page_text())
    names = page.get_by_role("checkbox", name="Done: question 1")
    assert names.count() >= 1
    assert page.get_by_role("region", name="Questions", exact=True).count() == 1
    assert page.locator("button:not([aria-label])").evaluate_all("all => all.every((b) => b.textContent.trim())")
    assert page.locator("html").get_attribute("lang") == "en"


def test_hostile_text_stays_text(show) -> None:
    """Labels, crews, females and file names hold markup; nothing of it runs, on the page or in a popup."""
    page = show(page_text(labels=list(HOSTILE)))
    assert page.title() == "Ondra Basin: open questions"
    for place in range(page.locator(".question .where").count()):
        page.locator(".question .where").nth(place).click()
    assert page.title() == "Ondra Basin: open questions"
    assert page.locator("#questions img, #questions script, #questions svg, .at img, .at svg").count() == 0


def test_nothing_to_ask(show) -> None:
    """No question: the page says so."""
    dens = dens_at(0)
    held = Held(dens, visits_to(("d0", "2024-01-01", "")).iloc[:0], pd.DataFrame(), REASONS, {}, {})
    review = look_again(held, chosen=CheckSettings(), area=None)
    page = show(worksheet(review, dens, title="Ondra Basin", study_id="7e57", layers={}))
    assert "There are no open questions." in page.locator("#questions").inner_text()
