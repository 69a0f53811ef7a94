"""Labels: what is one label in two spellings, and what is a slip of the pen."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite.samples.labels import LabelBook, folded_label, one_slip_apart

LABELS = st.from_regex(r"[A-Za-z]{1,3}[- _./]?[0-9]{1,4}([- ][0-9]{1,3})?[a-d]?", fullmatch=True)


@pytest.mark.parametrize(
    ("one", "other"),
    [("OB-017", "ob 017"), ("OB-017", "0B_017"), ("S-1-I2", "s.1-12"), ("S\u20137", "S-7"), (" S-7 ", "S7")],
)
def test_one_label_in_two_spellings(one, other) -> None:
    """Case, blanks, dashes, 0 and O, 1 and I do not tell labels apart."""
    assert folded_label(one) == folded_label(other)
    assert not one_slip_apart(one, other)


@pytest.mark.parametrize(("one", "other"), [("26-1-12", "26-11-2"), ("S-1", "S-2"), ("26 001", "2 6001"), ("S", "T")])
def test_labels_that_differ(one, other) -> None:
    """A separator between two digits counts: without it two labels would become one."""
    assert folded_label(one) != folded_label(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("S-014", "S-041"), ("S-014", "S-074"), ("S-014", "S-14"), ("S-014", "S-0014"), ("S-14", "S-14b")],
)
def test_one_slip(one, other) -> None:
    """Swapped neighbours, a wrong, missing or additional character, lost zeros."""
    assert one_slip_apart(one, other)
    assert LabelBook([one]).near(other) == [one]


def test_two_slips_are_another_label() -> None:
    """Far labels are not offered."""
    assert not one_slip_apart("S-014", "S-135")
    assert LabelBook(["S-014"]).near("S-135") == []


@given(LABELS, st.randoms(use_true_random=False))
def test_spelling_never_changes_a_label(label, random) -> None:
    """Any mixture of case, kinds of separators and look-alikes is found as the same label."""
    swap = {"0": "0O", "O": "0O", "o": "0O", "1": "1I", "I": "1I", "i": "1I", " ": "-_ ", "-": "- \u2013", "_": "_- "}
    spelled = "".join(random.choice(swap.get(sign, sign)) for sign in label)
    spelled = random.choice([spelled, spelled.upper(), spelled.lower(), f" {spelled} "])
    assert folded_label(spelled) == folded_label(label)
    assert LabelBook([label]).find(spelled) == label


@given(st.text(max_size=12), st.text(max_size=12))
def test_any_text_is_folded(one, other) -> None:
    """No text breaks the folding; slips are mutual, and the book offers just those."""
    assert one_slip_apart(one, other) == one_slip_apart(other, one)
    if one != other and folded_label(one) != folded_label(other):
        assert LabelBook([one]).near(other) == ([one] if one_slip_apart(one, other) else [])


@given(LABELS, st.integers(0, 20), st.sampled_from("x7"))
def test_every_single_slip_is_near(label, place, sign) -> None:
    """Whatever single character is put in is found again."""
    whole = folded_label(label)
    slipped = whole[: place % len(whole)] + sign + whole[place % len(whole) :]
    assert LabelBook([label]).near(slipped) == [label]


def test_two_records_of_one_label_are_never_chosen_between() -> None:
    """An ambiguous spelling finds nothing; its own spelling does."""
    book = LabelBook(["S-1", "s 1"])
    assert book.find("S1") is None
    assert book.find("s 1") == "s 1"
    assert book.near("S1") == ["S-1", "s 1"]


def test_what_may_be_meant_stands_in_one_order() -> None:
    """By name, whichever label was handed in first: the same text on every run."""
    labels = [f"S-{number}" for number in (24, 12, 15, 41, 18, 13)]
    assert LabelBook(labels).near("S-14") == ["S-12", "S-13", "S-15", "S-18", "S-24", "S-41"]


def test_nothing_is_no_label() -> None:
    """Blank labels and mere separators find nothing."""
    book = LabelBook(["S-1", "--"])
    assert [book.find(text) for text in (None, "", " ", "-")] == [None] * 4
