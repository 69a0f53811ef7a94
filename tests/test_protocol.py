"""protocol.toml: no limits of our own, all mistakes at once, and nothing judged without a signature in force."""

import datetime as dt
import hashlib
import re
import tomllib

import pytest
from conftest import write
from made_handlings import SIGNED, protocol

from densite.errors import Level, SettingsError
from densite.protocol import VITALS, load, parse, problems, template

DAY = dt.date(2026, 2, 24)


def test_template_is_blank_and_not_signed() -> None:
    """No number stands in it but that in the name of SpO2; it reads, and judges nothing."""
    text = template()
    assert not re.search(r"\d", re.sub(r"spo2_pct", "", text))
    assert set(tomllib.loads(text)) == {"signed", "intervals"}
    blank = parse(text)
    assert all(blank.limit(vital) is None for vital in VITALS)
    assert blank.intervals.reading_min is None
    assert blank.objection(DAY) == ("the protocol is not signed: veterinarian, version, date left blank under [signed]")


def test_template_filled_in_reads() -> None:
    """Taking the signs away and writing numbers behind the marks gives a protocol with every limit."""
    text = template().replace('veterinarian = ""', 'veterinarian = "N. N."').replace('date = ""', "date = 2026-01-01")
    text = text.replace('version = ""', "version = 3").replace("# [", "[").replace("# low =", "low = 1")
    text = text.replace("# high =", "high = 2").replace("# unit", "unit").replace("# reading_min =", "reading_min = 4")
    for vital, low in (("temperature_c", 40), ("spo2_pct", 50)):
        text = re.sub(rf"(\[limits.{vital}\].*\n)low = 1\nhigh = 2", rf"\1low = {low}\nhigh = {low + 1}", text)
    filled = parse(text)
    assert [filled.limit(vital).low for vital in VITALS] == [1, 1, 40, 50, 1]
    assert (filled.intervals.reading_min, filled.signed.version, filled.objection(DAY)) == (4, "3", "")


def test_no_file_is_none(tmp_path) -> None:
    """A study may work without one; check then says so in a note."""
    assert load(tmp_path / "protocol.toml") is None
    (note,) = problems(None, today=DAY)
    assert note.level is Level.NOTE
    assert "no protocol on file: vitals are shown without judging" in str(note)


def test_fingerprint_is_that_of_the_text(tmp_path) -> None:
    """SHA-256 of the text, however its lines end; one changed sign gives another."""
    path = write(tmp_path / "protocol.toml", SIGNED.replace("\n", "\r\n"))
    read = load(path)
    assert read.fingerprint == hashlib.sha256(SIGNED.encode()).hexdigest() == parse(SIGNED).fingerprint
    assert read.fingerprint[:12] in read.named
    assert "made up 1" in read.named
    assert parse(SIGNED + "\n").fingerprint != read.fingerprint


@pytest.mark.parametrize(
    ("signed", "on", "said"),
    [
        ({}, "2026-01-10", ""),
        ({}, "2026-01-09", "signed 2026-01-10, after 2026-01-09"),
        ({"valid_to": "2026-02-24"}, "2026-02-24", ""),
        ({"valid_to": "2026-02-24"}, "2026-02-25", "expired on 2026-02-24"),
        ({"veterinarian": '" "'}, "2026-02-24", "not signed: veterinarian left blank"),
        ({"version": '"TBD"'}, "2026-02-24", "not signed: version left blank"),
        ({"date": '""'}, "2026-02-24", "not signed: date left blank"),
    ],
)
def test_when_it_judges(signed, on, said) -> None:
    """From the day of the signature to the last day, both included, and only with name, date and version."""
    fields = {"veterinarian": '"N. N."', "date": "2026-01-10", "version": '"a"'} | signed
    text = "[signed]\n" + "\n".join(f"{name} = {value}" for name, value in fields.items())
    objection = parse(text).objection(dt.date.fromisoformat(on))
    assert said in objection
    assert bool(said) == bool(objection)


def test_a_day_that_is_not_known_is_not_judged() -> None:
    """Whether the protocol was in force cannot be said then."""
    assert "not known" in protocol().objection(None)


def test_future_protocol_is_told_by_check() -> None:
    """A signature of a day to come is a slip or a draft."""
    (found,) = problems(protocol(), today=dt.date(2025, 12, 1), file="protocol.toml")
    assert "signed 2026-01-10, after 2025-12-01" in str(found)
    assert problems(protocol(), today=DAY) == []


def test_all_mistakes_at_once_with_the_nearest_key() -> None:
    """Unknown tables and keys, limits that contradict themselves, and wrong units: one message."""
    with pytest.raises(SettingsError) as told:
        parse("""
            [signed]
            veterinarin = "A"
            version = "a"
            date = "soon"
            [limits.temperature]
            low = 1
            [limits.heart_rate]
            low = 9
            high = 9
            [limits.temperature_c]
            high = 101
            unit = "F"
            [limits.spo2_pct]
            low = 0.9
            [limits.respiration]
            hihg = true
            [limits.refill_s]
            high = "two"
            [interval]
            reading_min = 5
            [intervals]
            reading_min = 0
        """)
    message = str(told.value)
    for said in (
        "'signed.veterinarian' is missing", "did you mean 'veterinarian'?",
        "'signed.date' = 'soon': no day; write it as 2026-02-24",
        "did you mean 'temperature_c'?",
        "low 9 is not below high 9", "high 101 reads like degrees Fahrenheit", "unit 'F'", "reads like a share",
        "did you mean 'high'?", "limits.refill_s.high", "did you mean 'intervals'?", "intervals.reading_min",
    ):  # fmt: skip
        assert said in message, said


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("[limits.heart_rate]", "names neither low nor high"),
        ("[limits.heart_rate]\nlow = nan", "finite"),
        ("[limits.heart_rate]\nlow = true", "number"),
        ("[limits.spo2_pct]\nhigh = 101", "not possible in %"),
        ("[limits.heart_rate]\nlow = -1", "not possible in /min"),
    ],
)
def test_impossible_limits(table, said) -> None:
    """Each is refused with its reason."""
    with pytest.raises(SettingsError, match=said):
        parse(f"{SIGNED.split('[limits', 1)[0]}{table}")


@pytest.mark.parametrize(("value", "refused"), [(82.3, False), (82.4, True), (109.4, True), (109.5, False)])
def test_fahrenheit_limits_at_their_break_points(value, refused) -> None:
    """82.4 and 109.4 F are 28 and 43 C, the ends of the entry range; beyond them check asks."""
    text = f"{SIGNED.split('[limits', 1)[0]}[limits.temperature_c]\nhigh = {value}"
    if refused:
        with pytest.raises(SettingsError, match="Fahrenheit"):
            parse(text)
    else:
        (found,) = problems(parse(text), today=DAY)
        assert "lies outside 28 to 43" in found.message


@pytest.mark.parametrize("unit", ["C", "deg C", "°C", "celsius"])
def test_units_as_people_write_them(unit) -> None:
    """All of them are degrees Celsius."""
    assert parse(SIGNED.replace("high = 34", f'high = 34\nunit = "{unit}"')).limit("temperature_c").high == 34


def test_last_day_before_the_signature_and_missing_table() -> None:
    """Neither can be meant."""
    with pytest.raises(SettingsError, match="lies before the signature"):
        parse('[signed]\nveterinarian = "A"\ndate = 2026-01-10\nversion = "1"\nvalid_to = 2026-01-09')
    with pytest.raises(SettingsError, match=r"'signed' is missing: the table .* veterinarian, date, version"):
        parse("")
    with pytest.raises(SettingsError, match="'version' stands outside its table"):
        parse('version = "1"')


def test_broken_files(tmp_path) -> None:
    """Neither ends in a traceback of another kind."""
    path = tmp_path / "protocol.toml"
    for text in (b"[signed\n", b"[limits.heart_rate]\nlow = 3,5\n"):
        path.write_bytes(text)
        with pytest.raises(SettingsError, match=r"not valid TOML.*decimal point"):
            load(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="UTF-8"):
        load(path)
    with pytest.raises(SettingsError, match="cannot be read"):
        load(tmp_path)
