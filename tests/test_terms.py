"""The table of terms and everything that reads it say the same."""

from densite.records import DenSite, Visit, columns
from densite.terms import (
    DEN_TYPES,
    DERIVED_TERMS,
    KEPT_TERMS,
    RECORDED_TERMS,
    by_name,
    recognised,
    spelled,
)


def test_every_field_of_a_record_is_a_term() -> None:
    """No column without unit and meaning."""
    named = by_name()
    fields = {*columns(DenSite), *columns(Visit)}
    assert fields - named.keys() == set()


def test_no_name_or_heading_stands_for_two_terms() -> None:
    """A heading is understood in one way."""
    names = [t.name for t in (*RECORDED_TERMS, *KEPT_TERMS, *DERIVED_TERMS)]
    assert len(names) == len(set(names))
    pairs = {(spelled(h), t.name) for t in RECORDED_TERMS for h in (t.name, t.heading, *t.also)}
    assert len({heading for heading, _ in pairs}) == len(pairs)
    assert recognised()["den no"] == "den_label"


def test_numbers_have_units_and_ordered_bounds() -> None:
    """Every measured number says its unit; plausible lies within possible."""
    for term in RECORDED_TERMS:
        if term.kind == "number" and term.name not in ("x", "y"):
            assert term.unit, term.name
        bounds = [b for b in (term.floor, term.low, term.high, term.ceiling) if b is not None]
        assert bounds == sorted(bounds), term.name
        assert term.source or term.low is None, f"{term.name} has a range without source"


def test_types_of_the_trade() -> None:
    """The four types, and unknown."""
    assert DEN_TYPES == ("tree", "ground bed", "rock ledge", "brush", "unknown")
