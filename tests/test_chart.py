"""A handling as text and as data: nothing left out in silence, nothing judged without saying by what."""

import json

from made_handlings import DRUGS, SOUND, event, handling, protocol, reading
from scipy import stats

from densite.chart import CAUTION, data, line, told
from densite.handlingreview import of_event
from densite.vitals import judge

READ = [*SOUND, reading(20, "09:09", heart_rate=112.0, spo2_pct=90.0, airway="obstructed", action="turned her")]


def page(one, protocol_=None) -> str:
    """Return the text of a handling."""
    return told(one, judge(one, protocol_), of_event(one))


def test_page_without_protocol() -> None:
    """Times, minutes and the cautions; why nothing is judged stands where the limits would."""
    text = page(event(read=READ))
    for words in (
        "Handling of OB-031 on 2026-02-24, den D-2026-14", CAUTION,
        "Approach       08:02  -12", "induction: darted to down: 7 min",
        "08:14  +0  agent A, immobilise, volume not recorded", "longest: 7 min between readings, 08:26 to 08:33",
        "common practice, no source: a reading every 5 to 10 minutes; not judged: no protocol on file",
        "no protocol on file: shown without judging", "obstructed; turned her", "Eyes covered: not recorded",
    ):  # fmt: skip
        assert words in text, words
    assert "beyond" not in text


def test_page_with_protocol() -> None:
    """Excursions stand with version and fingerprint; a vital without limits is said not to be judged."""
    hours, celsius = [n * 7 / 60 for n in range(7)], [row["temperature_c"] for row in SOUND]
    slope = stats.linregress(hours, celsius).slope
    text = page(event([handling(eyes_covered="no", mass_kg=80.5)], read=READ), protocol())
    for words in (
        "Eyes covered: no", "Mass: 80.5 kg",
        "version made up 1", protocol().fingerprint[:12], "Heart rate above 111 /min",
        "no limit in the protocol, not judged: SpO2", "longer than the 7 min of the protocol: none",
        f"all readings (7 readings): {slope:+.2f} C per hour (95 % interval",
    ):  # fmt: skip
        assert words in text, words


def test_page_of_little() -> None:
    """Vitals alone, and a handling without anything: each part says what is missing."""
    text = page(event([], [], SOUND))
    assert "no handling record" in text
    assert text.count("none recorded") == 2
    text = page(event(drugs=[], read=[]))
    assert "longest: 49 min without any reading, 08:21 to 09:10" in text
    assert "Slope" not in text
    assert "not known: no two times" in page(event([], DRUGS, []))


def test_left_out_and_look_again() -> None:
    """A value in another unit is told under the limits and once more for the record."""
    text = page(event(read=[*SOUND, reading(20, "09:09", temperature_c=98.6)]), protocol())
    assert "left out until corrected: Temperature at 09:09: 98.6 C is 37.0 C" in text
    assert "Look again" in text


def test_a_line_a_handling() -> None:
    """Judged or not, with the reason."""
    one = event(read=READ)
    assert line(one, judge(one, None)) == (
        "2026-02-24  OB-031  D-2026-14  8 readings  longest gap 7 min  not judged: no protocol on file"
    )
    assert line(one, judge(one, protocol())).endswith(
        f"1 excursion by protocol version made up 1, fingerprint {protocol().fingerprint[:12]}"
    )
    alone = event([], [], [reading(1, None)])
    assert "no den  0 readings  gap not known" in line(alone, judge(alone, None))


def test_data_for_scripts() -> None:
    """JSON with times in UTC and by the clock, the whole fingerprint, and None for what is not known."""
    one = event(read=[*READ, reading(30, "09:09", temperature_c=98.6)])
    found = json.loads(json.dumps(data(one, judge(one, protocol()), of_event(one))))
    assert found["times"]["darted"] == {"utc": "2026-02-24T15:14:00+00:00", "local": "2026-02-24T08:14:00-07:00"}
    assert found["elapsed_min"]["induction: darted to down"] == 7
    assert found["protocol"]["fingerprint"] == protocol().fingerprint
    assert (found["judged"], found["why_not_judged"]) == (True, None)
    (beyond,) = found["excursions"]
    assert (beyond["vital"], beyond["worst"]["value"], beyond["at_most_min"]) == ("heart_rate", 112.0, None)
    assert beyond["first"]["local"].endswith("09:09:00-07:00")
    assert [left["value"] for left in found["left_out"]] == [98.6]
    assert found["readings"][0]["temperature_c"] == 33.9
    assert found["readings"][0]["heart_rate"] is None
    unjudged = data(one, judge(one, None))
    assert (unjudged["judged"], unjudged["protocol"], unjudged["excursions"]) == (False, None, [])
    assert unjudged["caution"] == CAUTION
