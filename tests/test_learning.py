"""What a file's headings mean is proposed with reasons, by headings and by values; nothing is taken for granted."""

import random

import pytest
from conftest import write
from hypothesis import given
from hypothesis import strategies as st

from densite.animalterms import KINDS
from densite.errors import IntakeError
from densite.intake.habits import Habit, Question, habits_of
from densite.intake.learning import Confidence, learn
from densite.intake.likeness import fit_of, likeness, taken_apart, unit_fits
from densite.intake.sheet import read_sheets
from densite.intake.trial import settled_with, tried
from densite.settings import IntakeSettings
from densite.terms import RECORDED_TERMS, by_name

FIELD = """\
Den label;Tag der Begehung;Breite;Länge;Typ der Höhle;Hang;Canopy cov.;Aspect (mag);Depth (in);ent hgt cm;Bemerkung
D-1;24.02.2026;43,51234;-115,52123;tree;62 %;45;140;30;40;unter Wurzeln
D-2;25.02.2026;43,52234;-115,51123;rock ledge;31,5 %;10;NNE;40;55;am Hang
D-3;26.02.2026;43,53234;-115,50123;brush;12 %;80;200;35;35;
D-4;03.02.2026;43,54234;-115,49123;ground bed;22 %;80;210;35;35;
D-5;03.02.2026;43,55234;-115,49123;cave;22 %;80;210;35;35;
"""


@pytest.fixture
def lesson(tmp_path):
    """What is learned of a table of another crew's."""
    (sheet,) = read_sheets(write(tmp_path / "field.csv", FIELD), IntakeSettings())
    return learn(sheet, {})


def of(lesson, heading):
    """Return the proposal for a heading."""
    return next((p for p in lesson.proposals if p.heading == heading), None)


def test_headings_and_values_together(lesson) -> None:
    """Nearly the same heading and fitting values are sure; values alone are no more than a guess or likely."""
    assert lesson.kind is None
    assert lesson.known == {"Den label": "den_label", "Breite": "latitude"}
    told = {p.heading: (p.column, p.confidence) for p in lesson.proposals}
    assert told["Länge"] == ("longitude", Confidence.SURE)
    assert told["Canopy cov."] == ("canopy_pct", Confidence.SURE)
    assert told["ent hgt cm"] == ("entrance_height_cm", Confidence.SURE)
    assert told["Aspect (mag)"][0] == "aspect"
    assert told["Typ der Höhle"] == ("den_type", Confidence.GUESS)
    assert told["Tag der Begehung"] == ("date", Confidence.GUESS)
    assert "Bemerkung" in lesson.unused
    assert all(p.why for p in lesson.proposals)


def test_a_unit_that_is_not_ours_is_never_mapped(lesson) -> None:
    """Depth in inches is no depth_cm: a mapping converts nothing."""
    assert of(lesson, "Depth (in)") is None
    assert any("'Depth (in)' is like depth_cm, but in in; that column is in cm" in doubt for doubt in lesson.doubts)


def test_words_that_are_no_choice_are_told(lesson) -> None:
    """The cave is named, with the words that are allowed."""
    assert any("'cave' (1); allowed: tree" in doubt for doubt in lesson.doubts)


def test_each_column_is_given_once(lesson) -> None:
    """No column stands for two headings, and none that is known is given again."""
    names = [*lesson.known.values(), *(p.column for p in lesson.proposals)]
    assert len(names) == len(set(names))


def test_other_languages_help(tmp_path) -> None:
    """Names given from elsewhere count like our own."""
    text = FIELD.replace("Hang;", "Pendiente;").replace("Bemerkung", "Notas")
    (sheet,) = read_sheets(write(tmp_path / "f.csv", text), IntakeSettings())
    learned = learn(sheet, {}, other_names={"den.slope_pct": ["Pendiente"], "den.notes": ["Notas"]})
    assert (of(learned, "Pendiente").column, of(learned, "Pendiente").confidence) == ("slope_pct", Confidence.SURE)
    assert (of(learned, "Notas").column, of(learned, "Notas").confidence) == ("notes", Confidence.LIKELY)


def test_what_study_toml_says_stands(tmp_path) -> None:
    """A mapped heading is known; one mapped for another kind of record is left alone."""
    (sheet,) = read_sheets(write(tmp_path / "f.csv", FIELD), IntakeSettings())
    learned = learn(sheet, {"Typ der Höhle": "den_subtype", "Canopy cov.": "mass_g"}, told="den")
    assert learned.known["Typ der Höhle"] == "den_subtype"
    assert of(learned, "Canopy cov.") is None


def test_alike_columns_are_told_as_open(tmp_path) -> None:
    """'Slope' without a unit may be degrees or percent: a guess that names the other."""
    (sheet,) = read_sheets(write(tmp_path / "f.csv", "Den,Ground slp\n" + "D,20\n" * 5), IntakeSettings())
    proposal = of(learn(sheet, {}, told="den"), "Ground slp")
    assert proposal.confidence is Confidence.GUESS
    assert "its unit is not told: deg or %?" in proposal.why
    (sheet,) = read_sheets(write(tmp_path / "g.csv", "Den,Ground slp\n" + "D,20 %\n" * 5), IntakeSettings())
    assert (of(learn(sheet, {}, told="den"), "Ground slp").column) == "slope_pct"


CUBS = "Den site,Visited,Cub nr,Sexx,Weight grams,Eyes open?\nD-1,2026-02-24,1,female,820,closed\n" \
       "D-1,2026-02-24,2,male,900,closed\nD-2,2026-03-01,1,female,1310,opening\n"  # fmt: skip


def test_the_kind_of_record_is_found(tmp_path) -> None:
    """A table of cubs is told from its headings and values; a person's word goes first."""
    (sheet,) = read_sheets(write(tmp_path / "cubs.csv", CUBS), IntakeSettings())
    learned = learn(sheet, {})
    assert learned.kind is KINDS["cub"]
    names = {p.heading: p.column for p in learned.proposals}
    assert (names["Cub nr"], names["Sexx"], names["Eyes open?"]) == ("cub_no", "sex", "eyes")
    assert learn(sheet, {}, told="den").kind is None
    with pytest.raises(IntakeError, match="kind of record 'bear'"):
        learn(sheet, {}, told="bear")


def test_the_kind_of_record_is_told_by_what_is_proposed(tmp_path) -> None:
    """Not one heading known and nothing needed there: the kind that explains most of them."""
    text = "Heart rte,Respirtion,Temperatur\n40,8,36.5\n42,9,36.6\n44,8,36.9\n"
    (sheet,) = read_sheets(write(tmp_path / "v.csv", text), IntakeSettings())
    assert learn(sheet, {}).kind is KINDS["reading"]


def test_few_values_prove_little(tmp_path) -> None:
    """One row that fits makes nothing sure."""
    for rows, confidence in ((1, Confidence.LIKELY), (3, Confidence.SURE)):
        (sheet,) = read_sheets(write(tmp_path / "f.csv", "Den,Canopy cov.\n" + "D,20\n" * rows), IntakeSettings())
        assert of(learn(sheet, {}, told="den"), "Canopy cov.").confidence is confidence


def habits(tmp_path, text, **said):
    """Learn a table and its habits, by key."""
    chosen = IntakeSettings(**said)
    (sheet,) = read_sheets(write(tmp_path / "f.csv", text), chosen)
    return {habit.key: habit for habit in habits_of(learn(sheet, chosen.columns), chosen)}


def test_habits_are_told_by_values(tmp_path) -> None:
    """Decimal comma, order of day and month, north from the heading; the datum is asked for."""
    found = habits(tmp_path, FIELD)
    assert (found["decimal"].value, found["date_order"].value) == (",", "day first")
    assert found["aspect_reference"].value == "magnetic"
    assert isinstance(found["datum"], Question)
    assert "never guessed" in found["datum"].why


HEAD = "Den;Date;Latitude;Longitude;Den type;Canopy\n"


@pytest.mark.parametrize(
    ("rows", "key", "kind", "value"),
    [
        ("D;02/24/2026;43.5;-115.5;tree;1\n", "date_order", Habit, "month first"),
        ("D;03/04/2026;43.5;-115.5;tree;1\n", "date_order", Question, None),
        ("D;24/02/2026;43.5;-115.5;tree;1\nD;02/24/2026;43.5;-115.5;tree;1\n", "date_order", Question, None),
        ("D;2026-02-24;43,512;-115,521;tree;1\n", "decimal", Question, None),
        ("D;2026-02-24;43,51234;-115.5;tree;1\n", "decimal", Question, None),
        ("D;2026-02-24;43,51234;-115,5;tree;1\n", "decimal", Habit, ","),
    ],
)
def test_what_values_do_not_tell_is_asked(tmp_path, rows, key, kind, value) -> None:
    """Both readings, a mixture, or what may be thousands: a question, never a setting."""
    found = habits(tmp_path, HEAD + rows)[key]
    assert isinstance(found, kind)
    assert getattr(found, "value", None) == value


def test_nothing_is_asked_that_is_said(tmp_path) -> None:
    """study.toml's own settings are not proposed again; a file that says all is asked nothing."""
    said = {"datum": "NAD83", "decimal": ",", "date_order": "day first", "aspect_reference": "true"}
    assert habits(tmp_path, FIELD, **said) == {}
    assert habits(tmp_path, HEAD.replace("Canopy", "Datum") + "D;2026-02-24;43.5;-115.5;tree;WGS84\n") == {}


def test_rows_are_read_through_it(lesson, settings) -> None:
    """With all accepted, the three first rows become dens; what is wrong is said; nothing else is changed."""
    columns = {p.heading: p.column for p in lesson.proposals}
    values = {"decimal": ",", "date_order": "day first", "aspect_reference": "true", "datum": "WGS84"}
    through = settled_with(settings, columns=columns, values=values)
    first, second, third = tried(lesson, through)
    assert first.became["latitude"] == "43.51234"
    assert (first.became["den_type"], first.became["date"]) == ("tree", "2026-02-24")
    assert second.became["aspect_deg"] == "22.5"
    assert third.line == 4
    assert settings.intake.columns == {}
    (half, *_) = tried(lesson, settled_with(settings, columns={}, values=values))
    assert half.became == {}
    assert any("date is empty" in p.message for p in half.problems)


def test_records_of_animals_are_read_through_it(tmp_path, settings) -> None:
    """Without a word on whether the den is known, which a trial cannot know."""
    (sheet,) = read_sheets(write(tmp_path / "cubs.csv", CUBS), IntakeSettings())
    learned = learn(sheet, {})
    columns = {p.heading: p.column for p in learned.proposals} | {"Visited": "date", "Den site": "den_label"}
    first = tried(learned, settled_with(settings, columns=columns, values={}))[0]
    assert first.values["sex"] == "female"
    assert not [p for p in first.problems if p.field == "den_label"]


def test_waypoints_words_are_taken_apart(tmp_path) -> None:
    """Keys of a waypoint's description that intake does not know are headings to learn; prose is none."""
    text = """<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">
    <wpt lat="43.5" lon="-115.5"><name>D-1</name><desc>Typ: tree; seen at dusk</desc></wpt>
    <wpt lat="43.6" lon="-115.5"><name>D-2</name><desc>Typ: brush</desc></wpt>
    <wpt lat="43.7" lon="-115.5"><name>D-3</name><desc>Typ: rock ledge</desc></wpt></gpx>"""
    (sheet,) = read_sheets(write(tmp_path / "w.gpx", text), IntakeSettings())
    proposal = of(learn(sheet, {}), "Typ")
    assert (proposal.column, proposal.confidence) == ("den_type", Confidence.SURE)
    assert sheet.datum_known


def test_a_workbook_has_a_lesson_for_each_sheet(tmp_path) -> None:
    """Sheets without a single known heading are looked at too."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["Tipo"])
    for kind in ("tree", "brush", "unknown", "tree"):
        book.active.append([kind])
    book.create_sheet("two").append(["Den"])
    book["two"].append(["D-1"])
    book.save(tmp_path / "b.xlsx")
    one, two = read_sheets(tmp_path / "b.xlsx", IntakeSettings())
    assert learn(one, {}).proposals[0].column == "den_type"
    assert two.headings == ("Den",)


def test_a_sheet_of_headings_alone_says_so(tmp_path) -> None:
    """That its headings are not known is no news to who would have them learned."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["Tipo", "Dia"])
    book.save(tmp_path / "b.xlsx")
    with pytest.raises(IntakeError, match="has headings but no rows"):
        read_sheets(tmp_path / "b.xlsx", IntakeSettings())


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [("a.csv", "Den,Date\n", "no rows"), ("a.jpg", "x", "no headings"), ("a.doc", "x", "kind not known"),
     ("b.zip", "x", "one by one"), ("a.csv", "Den,den\n1,2\n", "all mean")],
)  # fmt: skip
def test_what_cannot_be_learned_is_told(tmp_path, name, content, said) -> None:
    """One clear error."""
    with pytest.raises(IntakeError, match=said):
        read_sheets(write(tmp_path / name, content), IntakeSettings())


@pytest.mark.parametrize(
    ("heading", "words", "unit"),
    [("Slope (%)", "slope", "%"), ("depth_in", "depth", "in"), ("Entrance hgt [cm]", "entrance hgt", "cm"),
     ("m", "m", ""), ("Den (old no)", "den", ""), ("(%)", "(%)", "%")],
)  # fmt: skip
def test_headings_are_taken_apart(heading, words, unit) -> None:
    """Words and unit; a single word is no unit."""
    apart = taken_apart(heading)
    assert (apart.words, apart.unit) == (words, unit)


def test_units_and_values_speak_against() -> None:
    """Percent is no degrees; a steep slope is no number; a text column has nothing to say."""
    slope = by_name()["slope_deg"]
    assert not unit_fits(taken_apart("slope (%)"), slope)
    assert unit_fits(taken_apart("slope (deg)"), slope)
    fit = fit_of(slope, ["20", "steep", "95", "31 deg"])
    assert (fit.fitting, fit.of, fit.odd) == (2, 4, "steep")
    assert fit_of(by_name()["notes"], ["a"]) is None
    assert likeness(taken_apart("Ent. hgt"), ["entrance height"]) > 0.9
    assert likeness(taken_apart("Weather"), ["den type", "slope"]) < 0.62


@given(st.lists(st.tuples(st.text(max_size=12), st.text(max_size=12)), min_size=1, max_size=4))
def test_any_text_is_judged(pairs) -> None:
    """Wild headings and values never end in anything but a number and a count."""
    for heading, cell in pairs:
        for term in RECORDED_TERMS[::7]:
            assert 0 <= likeness(taken_apart(heading), (term.name, *term.also)) <= 1
            fit = fit_of(term, [cell])
            assert fit is None or fit.fitting in (0, 1)


def test_every_column_of_ours_is_found_by_its_own_values(tmp_path) -> None:
    """Each heading of a den row, shortened by two letters at its end, is still proposed for its own column."""
    chance = random.Random(3)  # noqa: S311 - made-up rows, no secret
    values = {"entrance_height_cm": 60, "entrance_width_cm": 70, "depth_cm": 200, "tree_diameter_cm": 90,
              "entrance_above_ground_m": 3, "concealment_pct": 40}  # fmt: skip
    heads = {by_name()[name].heading[:-2] + " " + by_name()[name].unit: name for name in values}
    rows = [",".join(str(values[name] + chance.randrange(9)) for name in heads.values()) for _ in range(9)]
    (sheet,) = read_sheets(write(tmp_path / "f.csv", "\n".join([",".join(heads), *rows])), IntakeSettings())
    learned = learn(sheet, {}, told="den")
    assert learned.columns() == heads
