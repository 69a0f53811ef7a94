"""Permits: what they say, what was done under them, what exceeds or lacks one."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite.animals import frame_of
from densite.animalterms import PROCEDURES
from densite.permits import findings, ledger, procedures_done, read_permits
from densite.permits.permit import ALL_MONTHS
from densite.permits.shown import as_json, as_text, near_limits

DAY = dt.date(2026, 2, 24)
NOON = dt.datetime(2026, 2, 24, 19, tzinfo=dt.UTC)
ALL = "; ".join(PROCEDURES)


def permit(**fields):
    """Return one permit's values."""
    return {"record_id": "p", "permit": "P-1", "authority": "Office", "valid_from": dt.date(2026, 1, 1),
            "valid_to": dt.date(2026, 3, 31), "max_animals": 2.0, "max_cubs": 4.0, "procedures": ALL,
            "source_file": "p.csv", "source_line": 2} | fields  # fmt: skip


def handling(animal="OB-031", day=DAY, **fields):
    """Return one handling's values."""
    return {"record_id": f"{animal} {day}", "animal": animal, "date": day, "den_label": f"D-{animal}", "permit": "P-1",
            "source_file": "h.csv", "source_line": 2} | fields  # fmt: skip


def cub(number, female="OB-031", day=DAY, **fields):
    """Return one cub row's values."""
    return {"den_label": f"D-{female}", "date": day, "female": female, "cub_no": float(number),
            "cub_id": f"{female}-26{'abcd'[number - 1]}"} | fields  # fmt: skip


def frames(permits=None, handlings=None, marks=(), drugs=(), samples=(), cubs=()):
    """Return the frames in the order of the functions."""
    permits = [permit()] if permits is None else permits
    handlings = [handling()] if handlings is None else handlings
    rows = (permits, handlings, marks, drugs, samples, cubs)
    kinds = ("permit", "handling", "mark", "drug", "sample", "cub")
    return [frame_of(kind, some) for kind, some in zip(kinds, rows, strict=True)]


def said(**rows) -> list[str]:
    """Return the findings as text."""
    return [str(problem) for problem in findings(*frames(**rows))]


def one(**rows) -> str:
    """Return the only finding."""
    (line,) = said(**rows)
    return line


def counted(today=DAY, **rows):
    """Return the ledger."""
    return ledger(*frames(**rows), today=today)


def done(**rows) -> dict[str, set[str]]:
    """Return for each procedure where it is known from."""
    found: dict[str, set[str]] = {}
    for row in procedures_done(*frames(**rows)[1:]).to_dict("records"):
        found.setdefault(row["procedure"], set()).add(row["known_from"])
    return found


def test_a_sound_handling() -> None:
    """Nothing to say."""
    assert said(handlings=[handling(procedures="immobilise; blood")], cubs=[cub(1), cub(2)]) == []


def test_procedures_known_from_the_records() -> None:
    """The crew's list is joined with times, drugs, marks, samples and cubs; each says where it is from."""
    marks = [{"animal": "ob-031", "date": DAY, "mark_kind": kind, "mark_code": "7", "mark_event": event}
             for kind, event in (("collar", "put on"), ("ear tag", "seen"), ("lip tattoo", "put on"))]  # fmt: skip
    samples = [{"sample_label": label, "animal": animal, "date": DAY, "tissue": tissue}
               for label, animal, tissue in (("S-1", "OB-031", "tooth"), ("S-2", "OB-031-26a", "ear punch"),
                                             ("S-3", "OB-031", "faeces"))]  # fmt: skip
    drugs = [{"animal": "OB-031", "date": DAY, "drug": name, "drug_purpose": what}
             for name, what in (("agent A", "immobilise"), ("ointment", "other"))]  # fmt: skip
    assert done(
        handlings=[handling(procedures="immobilise; Blood", darted_at=NOON, down_at=NOON)], marks=marks, drugs=drugs,
        samples=samples, cubs=[cub(1, transponder="9" * 15, sample_label="s 2")],
    ) == {
        "immobilise": {"the crew's list", "time darted and down", "drug agent A given"},
        "fit collar": {"collar 7 put on"},
        "transponder": {f"transponder {'9' * 15} on the row of OB-031-26a"},
        "lip tattoo": {"lip tattoo 7 put on"},
        "draw tooth": {"sample S-1 (tooth)"},
        "blood": {"the crew's list"},
        "tissue": {"sample S-2 (ear punch)", "sample S-2 (ear punch) on the row of OB-031-26a"},
        "handle cubs": {"row of OB-031-26a"},
    }  # fmt: skip


def test_records_of_another_day_show_nothing() -> None:
    """A mark put on a day later is not of this handling; it stands alone, without a permit."""
    mark = {"animal": "OB-031", "date": DAY + dt.timedelta(1), "mark_kind": "collar", "mark_code": "7",
            "mark_event": "put on"}  # fmt: skip
    assert done(marks=[mark]) == {}
    assert "fit collar: OB-031 on 2026-02-25, without a handling record of that day" in one(marks=[mark])


def test_cubs_belong_to_their_mothers_handling_or_their_dens() -> None:
    """By mother first, by den where no mother is written; else they lack a permit, told once a den."""
    assert counted(cubs=[cub(1, den_label="elsewhere")]).loc["p", "cubs_handled"] == 1
    assert counted(cubs=[cub(1, female=None, den_label="d ob 031")]).loc["p", "cubs_handled"] == 1
    line = one(handlings=[], cubs=[cub(1), cub(2, transponder="1")])
    assert "transponder, handle cubs: OB-031-26a, OB-031-26b on 2026-02-24, without a handling record" in line
    rows = [cub(1, source_file="c.csv"), cub(2)]
    sample = {"sample_label": "S-1", "animal": "ob-031-26B", "date": DAY, "tissue": "ear punch", "source_file": "s.csv"}
    line = one(handlings=[], cubs=rows, samples=[sample])
    assert line.startswith("c.csv: warning: tissue, handle cubs: OB-031-26b, OB-031-26a on")


def test_hair_needs_no_handling() -> None:
    """Hair from a bed is no handling; blood is."""
    rows = [{"sample_label": "S-1", "animal": "OB-040", "date": DAY, "tissue": "hair"}]
    assert said(samples=rows) == []
    assert "blood: OB-040" in one(samples=[rows[0] | {"tissue": "blood"}])


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"permit": None}, "handling of OB-031 on 2026-02-24 names no permit"),
        ({"permit": "P-2"}, "permit P-2 is not on file (is P-1 meant?)"),
        ({"permit": "Z 99; p\u20131; z99"}, "permit z99 is not on file (hand in the permit"),
        ({"procedures": "immobilise; colar"}, "'colar' is no procedure that densite knows (did you mean 'fit collar'?"),
    ],
)
def test_handlings(fields, word) -> None:
    """What one handling lacks, at its own line."""
    line = one(handlings=[handling(**fields)])
    assert word in line
    assert line.startswith("h.csv line 2: warning: ")


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"valid_to": DAY}, None),
        ({"valid_from": DAY}, None),
        ({"valid_to": DAY - dt.timedelta(1)}, "outside permit P-1: valid 2026-01-01 to 2026-02-23"),
        ({"valid_from": DAY + dt.timedelta(1)}, "outside permit P-1: valid 2026-02-25 to 2026-03-31"),
        ({"months": "2; 03, 12"}, None),
        ({"months": "1; 3"}, "outside the months of permit P-1: 1, 3"),
        ({"procedures": "hair"}, "'immobilise' is not among the procedures of P-1 (known from: the crew's list)"),
    ],
)
def test_days_months_and_procedures(fields, word) -> None:
    """First and last day count; what is outside says what the permit says, and does not count there."""
    rows = {"permits": [permit(**fields)], "handlings": [handling(procedures="immobilise")]}
    assert [word in line for line in said(**rows)] == ([True] if word else [])
    assert counted(**rows).loc["p", "handlings"] == (0 if word else 1)


@pytest.mark.parametrize(
    ("fields", "word"),
    [
        ({"procedures": f"{ALL}; dance"}, "permit P-1: 'dance' is no procedure"),
        ({"procedures": f"{ALL}; tattoo"}, "did you mean 'lip tattoo'?"),
        ({"procedures": None}, "permit P-1 lists no procedures"),
        ({"months": "2; Feb"}, "'feb' is no month (write numbers"),
        ({"months": "2; 13"}, "'13' is no month"),
    ],
)
def test_what_a_permit_says_wrongly(fields, word) -> None:
    """Told once at the permit, not at each handling under it."""
    line = one(permits=[permit(**fields)], handlings=[handling(procedures="immobilise")])
    assert word in line
    assert line.startswith("p.csv line 2")


def test_a_permit_that_ends_before_it_starts() -> None:
    """It covers no day, and says so."""
    rows = {"permits": [permit(valid_from=dt.date(2026, 6, 1))], "handlings": []}
    assert "permit P-1 ends on 2026-03-31, before it starts on 2026-06-01" in one(**rows)


def test_a_permit_renewed_under_its_number() -> None:
    """Nothing to tell while only one of them is valid; a handling counts against the one of its day."""
    rows = [
        permit(),
        permit(record_id="q", permit="p- 1", valid_from=dt.date(2025, 1, 1), valid_to=dt.date(2025, 2, 1)),
    ]
    assert said(permits=rows) == []
    assert counted(permits=rows)["handlings"].to_dict() == {"q": 0, "p": 1}


def test_two_permits_with_one_number_at_one_time() -> None:
    """Told once, at the later one, also where the two share only a day."""
    rows = [permit(), permit(record_id="q", permit="p- 1", valid_from=dt.date(2026, 3, 31), source_line=3)]
    assert one(permits=rows).startswith("p.csv line 3: warning: permit p- 1: another permit of this number is valid on")
    rows[1] |= {"valid_from": dt.date(2026, 4, 1), "valid_to": dt.date(2026, 5, 1)}
    assert said(permits=rows) == []
    assert said(permits=[rows[0], permit(record_id="q", settled="permit")]) == []


def test_a_permit_for_cubs_only() -> None:
    """The mother counts against the permit for her, the cubs and their chips against theirs."""
    rows = {
        "permits": [permit(procedures="immobilise"),
                    permit(record_id="q", permit="P-2", max_animals=0.0,
                           procedures="handle cubs; transponder; tissue")],
        "handlings": [handling(permit="P-1; P-2", procedures="immobilise; handle cubs; transponder; tissue")],
        "cubs": [cub(1, transponder="9" * 15)],
        "samples": [{"sample_label": "S-1", "animal": "ob 31 26A", "date": DAY, "tissue": "ear punch"}],
    }  # fmt: skip
    assert said(**rows) == []
    assert counted(**rows)[["animals_handled", "cubs_handled"]].to_numpy().tolist() == [[1, 0], [0, 1]]
    mark = {"animal": "OB-031", "date": DAY, "mark_kind": "transponder", "mark_code": "7", "mark_event": "put on"}
    assert "OB-031 on 2026-02-24 is beyond permit P-2: animal 1 of 0 allowed" in one(**rows, marks=[mark])


def test_months_over_new_year() -> None:
    """December to February, in a permit of two years' dates."""
    winter = permit(valid_from=dt.date(2025, 12, 1), months="12; 1; 2")
    days = [dt.date(2025, 12, 31), dt.date(2026, 1, 1), dt.date(2026, 3, 1)]
    lines = said(permits=[winter], handlings=[handling(day=day) for day in days])
    assert ["2026-03-01 lies outside the months of permit P-1: 1, 2, 12" in line for line in lines] == [True]


def test_handled_twice_a_day() -> None:
    """Two handlings, one animal; what was done belongs to both."""
    rows = [handling(), handling(record_id="second")]
    assert counted(handlings=rows, permits=[permit(max_animals=1.0)]).loc[
        "p", ["animals_handled", "handlings"]
    ].tolist() == [1, 2]


def test_several_permits_for_one_handling() -> None:
    """One of them must cover each procedure; it counts against each that covers a part."""
    rows = {
        "permits": [permit(procedures="immobilise"), permit(record_id="q", permit="P-2", procedures="handle cubs"),
                    permit(record_id="r", permit="P-3", procedures="hair")],
        "handlings": [handling(permit="P-1; P-2;P-3", procedures="immobilise")],
        "cubs": [cub(1)],
    }  # fmt: skip
    assert said(**rows) == []
    frame = counted(**rows)
    assert frame["handlings"].to_dict() == {"p": 1, "q": 1, "r": 0}
    assert frame["cubs_handled"].to_dict() == {"p": 0, "q": 1, "r": 0}
    line = one(**(rows | {"handlings": [handling(permit="P-1; P-2; P-3", procedures="immobilise; blood")]}))
    assert "'blood' is not among the procedures of P-1, P-2, P-3" in line


def test_more_animals_than_allowed() -> None:
    """Each handling beyond the number is named, in order of date, however the rows stand; animals count once."""
    days = [DAY + dt.timedelta(n) for n in range(4)]
    animals = ["OB-031", "OB-032", "OB-031", "OB-033"]
    rows = [handling(animal, day) for animal, day in zip(animals, days, strict=True)][::-1]
    assert "handling of OB-033 on 2026-02-27 is beyond permit P-1: animal 3 of 2 allowed" in one(handlings=rows)
    row = counted(handlings=rows).loc["p"]
    assert row[["animals_allowed", "animals_handled", "animals_left", "handlings"]].tolist() == [2, 2 + 1, -1, 4]
    assert said(handlings=rows, permits=[permit(max_animals=None)]) == []


def test_more_cubs_than_allowed() -> None:
    """A cub counts once over its visits; the visit that goes beyond is named."""
    later = DAY + dt.timedelta(7)
    rows = {
        "handlings": [handling(), handling("OB-032", later), handling("OB-031", later)],
        "cubs": [cub(1), cub(2), cub(1, day=later), *(cub(n, "OB-032", later) for n in (1, 2, 3))],
    }
    assert "cubs handled with OB-032 on 2026-03-03 are beyond permit P-1: up to cub 5 of 4 allowed" in one(**rows)
    assert counted(**rows).loc["p", ["cubs_handled", "cubs_left"]].tolist() == [5, -1]
    unnamed = [cub(n, cub_id=None) for n in (1, 2, 3)] + [cub(n, cub_id=None, day=later) for n in (1, 2)]
    assert counted(handlings=rows["handlings"], cubs=unnamed).loc["p", "cubs_handled"] == 5


def test_days_left_and_order() -> None:
    """To the last day, negative after it; the first to end stands first."""
    rows = [permit(), permit(record_id="q", permit="P-2", valid_to=dt.date(2026, 3, 1))]
    assert counted(permits=rows)["days_left"].to_dict() == {"q": 5, "p": 35}
    assert counted(permits=rows, today=dt.date(2026, 3, 2)).loc["q", "days_left"] == -1


def test_counts_by_procedure() -> None:
    """Handlings in which it was done and which the permit covers."""
    rows = [handling(procedures="immobilise; blood"), handling("OB-032", procedures="immobilise")]
    frame = counted(handlings=rows, permits=[permit(procedures="immobilise")])
    assert frame.loc["p", ["immobilise", "blood", "handlings"]].tolist() == [2, 0, 2]


def test_nothing_on_file() -> None:
    """An empty study has an empty ledger; handlings without permits are told."""
    assert counted(permits=[], handlings=[]).empty
    assert said(permits=[], handlings=[]) == []
    assert "not on file" in one(permits=[])


def test_confirmed_doubts_are_left_out() -> None:
    """A handling whose permit a person confirmed."""
    assert said(handlings=[handling(permit=None, settled="permit,date")]) == []


def test_for_people_and_programs() -> None:
    """Numbers used of allowed, what is nearly used up, and whose word counts."""
    rows = {"permits": [permit(), permit(record_id="q", permit="P-22", max_animals=None, max_cubs=None,
                                         valid_to=dt.date(2026, 2, 1))],
            "handlings": [handling(procedures="immobilise")], "cubs": [cub(1), cub(2), cub(3)]}  # fmt: skip
    frame, cubs = counted(**rows), frames(**rows)[-1]
    near = near_limits(frame, cubs)
    assert near_limits(frame.assign(days_left=[-1, -1]), cubs) == []
    assert near == ["permit P-1: 1 of 2 animals left", "permit P-1: 1 of 4 cubs left; the largest litter on file has 3"]
    text = as_text(frame, near, today="2026-02-24")
    assert "P-1     2026-01-01 to 2026-03-31         35     1 of 2     3 of 4          1" in text
    assert "P-22    2026-01-01 to 2026-02-01      ended          0          0          0" in text
    assert "immobilise 1; handle cubs 1" in text
    assert "animal-care protocol and local law" in text
    assert '"cubs_left": 1.0' in as_json(frame)
    assert '"animals_allowed": null' in as_json(frame)


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_of_a_permit_is_read(procedures, months) -> None:
    """Whatever is written, what is understood is known, and the rest is told."""
    made, problems = read_permits(frame_of("permit", [permit(procedures=procedures, months=months)]))
    assert made[0].procedures <= set(PROCEDURES)
    assert made[0].months <= ALL_MONTHS
    assert bool(made[0].procedures) or problems


@given(
    st.lists(st.sampled_from(PROCEDURES), min_size=1), st.lists(st.integers(1, 12), min_size=1), st.sampled_from(";,")
)
def test_what_is_written_is_understood(procedures, months, mark) -> None:
    """Lists in any order, with repeats, in any case."""
    row = permit(procedures=f" {mark} ".join(procedures).upper(), months=mark.join(map(str, months)))
    made, problems = read_permits(frame_of("permit", [row]))
    assert (made[0].procedures, made[0].months, problems) == (set(procedures), set(months), [])


@given(st.lists(st.tuples(st.integers(1, 6), st.integers(0, 60), st.sampled_from(["P-1", "P-2", "p-1; P-2", ""]))),
       st.integers(0, 5))  # fmt: skip
def test_what_is_beyond_agrees_with_the_ledger(visits, allowed) -> None:
    """Handlings are told as beyond the limit if and only if the ledger has more animals than allowed."""
    rows = [handling(f"OB-{n:03}", dt.date(2026, 1, 20) + dt.timedelta(day), permit=named) for n, day, named in visits]
    rows = {"permits": [permit(max_animals=float(allowed)), permit(record_id="q", permit="P-2", max_animals=None)],
            "handlings": rows}  # fmt: skip
    frame, lines = counted(**rows), said(**rows)
    assert any("beyond permit P-1" in line for line in lines) == (frame.loc["p", "animals_left"] < 0)
    assert not any("beyond permit P-2" in line for line in lines)
    inside = {n for n, _, named in visits if "1" in named}
    assert frame.loc["p", "animals_handled"] == len(inside)
