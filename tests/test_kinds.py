"""Kinds of record told by headings."""

import pytest

from densite.animalterms import KINDS
from densite.errors import IntakeError
from densite.intake.kinds import kind_in, kind_of
from densite.settings import IntakeSettings
from densite.terms import spelled


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_kind_is_known_by_all_its_columns(kind) -> None:
    """A file with all columns of a kind holds that kind."""
    assert kind_of([term.name for term in kind.terms], {}) == kind


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_kind_is_known_by_its_needed_columns(kind) -> None:
    """The fewest columns that can hold a record are enough."""
    assert kind_of([*kind.needed, *kind.telling[:1]], {}) == kind


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_no_heading_of_a_kind_means_two_things(kind) -> None:
    """Each documented heading stands for one column of its kind."""
    meant: dict[str, str] = {}
    for term in kind.terms:
        for heading in {spelled(h) for h in (term.name, term.heading, *term.also)}:
            assert meant.setdefault(heading, term.name) == term.name, heading


@pytest.mark.parametrize(
    ("headings", "name"),
    [
        (["Bear", "Date", "Time", "HR", "RR", "Temp"], "reading"),
        (["Den", "Date", "Mother", "Cub", "Sex", "Hair length"], "cub"),
        (["den_label", "date", "female", "den_type", "latitude", "longitude"], None),
        (["animal", "date", "mark_kind", "code", "event", "side"], "mark"),
        (["animal", "date"], None),
        ([], None),
    ],
)
def test_headings_as_crews_write_them(headings, name) -> None:
    """Other headings that the terms list; den visits are None."""
    assert kind_of(headings, {}) == (KINDS[name] if name else None)


def test_the_studys_own_headings_count(tmp_path) -> None:
    """A mapping for a column of one kind leaves the others alone."""
    settings = IntakeSettings(columns={"Puls": "heart_rate", "Animal": "female"})
    path = tmp_path / "v.csv"
    path.write_text("animal,date,time,Puls\n", encoding="utf-8")
    assert kind_in(path, settings) == KINDS["reading"]


@pytest.mark.parametrize(
    ("headings", "said"),
    [
        ("animal,date,time,hart rate", "Vitals come nearest, which needs one of heart_rate, respiration"),
        ("animal,mark kind,code,colour", "Marks come nearest, which misses mark_event"),
    ],
)
def test_a_file_of_no_kind_is_told_what_it_lacks(tmp_path, headings, said) -> None:
    """The nearest kind, the missing column, and the way out."""
    path = tmp_path / "file.csv"
    path.write_text(f"{headings}\n", encoding="utf-8")
    with pytest.raises(IntakeError, match=said):
        kind_in(path, IntakeSettings())


def test_a_kind_that_is_told_need_not_be_guessed(tmp_path) -> None:
    """The word is checked."""
    path = tmp_path / "v.csv"
    assert kind_in(path, IntakeSettings(), told="cub") == KINDS["cub"]
    assert kind_in(path, IntakeSettings(), told="den") is None
    with pytest.raises(IntakeError, match="kind of record 'bears'; allowed: den, animal"):
        kind_in(path, IntakeSettings(), told="bears")
