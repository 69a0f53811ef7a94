"""The form's words: both languages say the same, all of it; a language from a file tells what it lacks."""

import json
import re

import pytest

from densite import animalterms
from densite.phoneform import read_words, screens, shipped
from densite.phoneform.rules import MESSAGES
from densite.phoneform.wording import WordsError, lacking

OWN = ("term", "choice")  # English has the first from the terms themselves, the second where the value is no word
VALUES = {value for key in screens.all_keys() for value in screens.term_of(key).choices} | set(animalterms.PROCEDURES)
SAME = {  # words that are the same in both languages
    "choice.no", "choice.gps", "choice.vhf", "choice.collar", "do.way_utm", "do.way_mgrs",
    *(f"unit.{unit}" for unit in ("m", "cm", "mm", "kg", "g", "mL", "C")),
}  # fmt: skip


def placeholders(text: str) -> set[str]:
    """Return the names in braces."""
    return set(re.findall(r"\{(\w+)\}", text))


def test_both_languages_have_the_same_keys_and_placeholders() -> None:
    """Headings and choices apart, which English takes from the terms."""
    english, spanish = shipped()["en"], shipped()["es"]
    plain = {key for key in spanish if key.partition(".")[0] not in OWN}
    assert plain == {key for key in english if key.partition(".")[0] not in OWN}
    assert {k for k in english if placeholders(english[k]) != placeholders(spanish[k])} == set()


def test_every_heading_choice_and_unit_of_the_screens_is_said_in_spanish() -> None:
    """Nothing English is left on a Spanish screen."""
    spanish = shipped()["es"]
    wanted = {f"term.{key}" for key in screens.shown_keys()} | {f"choice.{value}" for value in VALUES}
    wanted |= {f"unit.{unit}" for key in screens.all_keys() if (unit := screens.term_of(key).unit)}
    assert wanted - spanish.keys() == set()
    english = shipped()["en"]
    assert {key for key, text in spanish.items() if english.get(key) == text} <= SAME
    headings = {f"term.{key}": screens.term_of(key).heading for key in screens.shown_keys()}
    assert {key for key, text in headings.items() if spanish[key] == text} == {
        "term.den.datum", "term.den.mgrs", "term.reading.spo2_pct", "term.sample.animal", "term.sample.vial",
    }  # fmt: skip


def test_every_message_has_its_words_and_no_other_placeholder() -> None:
    """A message never shows a brace, nor hides what a check found."""
    for words in shipped().values():
        for key, names in MESSAGES.items():
            assert placeholders(words[key]) <= set(names), key


@pytest.mark.parametrize("code", ["en", "es"])
def test_words_are_plain_and_short(code) -> None:
    """No markup, no doubled space, no word left from the other language's codes; buttons of at most 60 letters."""
    for key, text in shipped()[code].items():
        assert text == text.strip() and "  " not in text and "<" not in text, key
        if key.startswith(("do.", "screen.", "part.")):
            assert len(text) <= 60, key
        if key.startswith(("told.", "check.", "care.")) and key not in {"told.more"}:
            assert len(text) <= 160, key


def test_words_are_known_terms() -> None:
    """A heading of Spanish that no term has would never be seen."""
    said = {key for key in shipped()["es"] if key.startswith("term.")}
    assert said <= {f"term.{key}" for key in screens.all_keys()}


def test_a_language_from_a_file_tells_what_it_lacks(tmp_path) -> None:
    """Those keys are said in English."""
    (tmp_path / "fr.json").write_text(json.dumps({"do.done": "Fini"}), encoding="utf-8")
    code, words = read_words(tmp_path / "fr.json")
    assert code == "fr"
    lack = lacking(words)
    assert "do.done" not in lack and "do.new_den" in lack and "term.den.aspect" in lack and "choice.tree" in lack
    assert lacking(shipped()["es"]) == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"told.waiting": "Visites"}', "told.waiting: {count} is missing"),
        ('{"told.waiting": "{count} {nombre}"}', "told.waiting: {nombre} is not filled in"),
        ('{"told.wating": "x"}', "told.wating: no such key"),
    ],
)
def test_slips_in_a_file_of_words_are_told(tmp_path, text, told) -> None:
    """A placeholder that got lost or misspelt would hide a number from the crew."""
    (tmp_path / "fr.json").write_text(text, encoding="utf-8")
    with pytest.raises(WordsError, match=re.escape(told)):
        read_words(tmp_path / "fr.json")


@pytest.mark.parametrize("name", ["français", "en", "x", "fr_FR extra"])
def test_a_name_that_is_no_language_is_refused(tmp_path, name) -> None:
    """It would become the page's language, and English is what the others fall back to."""
    (tmp_path / f"{name}.json").write_text("{}", encoding="utf-8")
    with pytest.raises(WordsError, match="language"):
        read_words(tmp_path / f"{name}.json")


def test_saying_in_the_browser(chromium) -> None:
    """Falls back to English, to the term, to the value; says units in words; an empty one leaves no gap."""
    from importlib import resources

    script = resources.files("densite.phoneform").joinpath("browser", "words.js").read_text(encoding="utf-8")
    page_data = {"language": "fr", "words": {**shipped(), "fr": {"do.done": "Fini"}},
                 "terms": {"den.aspect": {"heading": "Entrance aspect"}}}  # fmt: skip
    asked = """[say('do.done'), say('do.new_den'), say('none.such'), termHeading('den', 'aspect'), choiceWord('tree'),
        choiceWord('gps'), say('check.under', {text: '-1', floor: 0, unit: 'deg'}),
        say('check.unusual', {text: '7', low: 1, high: 5, unit: ''}), say('told.waiting', {})]"""
    scope = f"(() => {{ const PAGE = {json.dumps(page_data)}; {script}; const french = {asked}; "
    said = chromium.new_page().evaluate(
        scope + "setLanguage('es'); return [...french, choiceWord('tree'), say('unit.deg')]; })()"
    )
    assert said == [
        "Fini", "New den", "none.such", "Entrance aspect", "tree", "GPS", "-1 is under 0 degrees.",
        "7 is unusual (1 to 5).", "Den visits to hand over: {count}", "árbol", "grados",
    ]  # fmt: skip
