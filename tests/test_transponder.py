"""Transponder codes by ISO 11784, and what people make of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite.errors import DensiteError, TransponderError
from densite.transponder import LARGEST_NUMBER, Transponder, from_telegram, read_transponder

# One code in four forms, worked out by others: Diack, ISO11784Tools 1.2.0 (CRAN, 2025), its README and vignette,
# doi:10.32614/CRAN.package.ISO11784Tools.
WORKED = "999123456789012"
WORKED_SENT, WORKED_TURNED, WORKED_DOT = "8000F9DCBE991A14", "2858997D3B9F0001", "3E7.1CBE991A14"


def refused(text: str) -> TransponderError:
    """Return the error that a text meets."""
    with pytest.raises(TransponderError) as caught:
        read_transponder(text)
    return caught.value


def test_worked_code_of_others() -> None:
    """Decimal, 64 bits and hexadecimal of one code agree with a published conversion."""
    code = Transponder(WORKED)
    assert f"{code.telegram:016X}" == WORKED_SENT
    assert from_telegram(int(WORKED_SENT, 16)) == code
    assert (code.prefix, code.number) == (0x3E7, 0x1CBE991A14)


@pytest.mark.parametrize("text", [WORKED, WORKED_SENT, WORKED_TURNED, WORKED_DOT, WORKED_DOT.lower()])
def test_four_forms_are_one_code(text) -> None:
    """A reader may be set to any of them."""
    assert read_transponder(text).code == WORKED


def test_more_data_may_follow() -> None:
    """Bit 16 says that a data block follows; the code is the same."""
    assert read_transponder(f"{int(WORKED_SENT, 16) | 1 << 48:016X}").code == WORKED


def test_fields_of_the_telegram() -> None:
    """Bits by place (ICAR's slides on ISO 11784): bit 1 animal, 17 to 26 prefix, 27 to 64 number; 276 is Germany."""
    bits = f"{Transponder('276000312312345').telegram:064b}"
    assert bits[0] == "1"
    assert int(bits[1:16], 2) == 0
    assert int(bits[16:26], 2) == 276
    assert int(bits[26:], 2) == 312312345


def test_largest_number_of_38_bits() -> None:
    """274 877 906 943 is the last: 2 to the 38th less one."""
    assert LARGEST_NUMBER == 274877906943
    assert Transponder("985274877906943").number == LARGEST_NUMBER
    assert "38 bits" in str(refused("985274877906944"))


@pytest.mark.parametrize(
    ("code", "kind", "issuer"),
    [
        ("001000000000001", "country", "country code 001"),
        ("840003123456789", "country", "country code 840"),
        ("899000000000001", "country", "country code 899"),
        ("900215000000001", "shared", "manufacturer code 900, shared, range 215"),
        ("901000000000001", "manufacturer", "manufacturer code 901"),
        ("998000000000001", "manufacturer", "manufacturer code 998"),
        ("999000000000001", "test", "test code 999"),
    ],
)
def test_prefixes_at_their_breaks(code, kind, issuer) -> None:
    """1 to 899 country, 900 shared, 901 to 998 manufacturer, 999 test."""
    assert (Transponder(code).kind, Transponder(code).issuer) == (kind, issuer)


def test_prefix_000_is_refused() -> None:
    """ICAR lists tags coded 000 as invalid."""
    assert "000" in str(refused("000112003456781"))


@pytest.mark.parametrize(
    "text",
    [
        "985112003456781", " 985 112 003 456 781 ", "985.112.003.456.781", "985-112003456781", "985_112003456781",
        "'985112003456781", "985112003456781.0", "985\u00a0112\u2009003456781", "９８５112003456781",
        "LA_985_112003456781", "LA_00000_0_985_112003456781", "ISO 985112003456781",
    ],
)  # fmt: skip
def test_ways_to_write_it(text) -> None:
    """Spaces, dots, dashes, a reader's line, a spreadsheet's quote or decimal."""
    assert read_transponder(text).code == "985112003456781"


@pytest.mark.parametrize(
    ("text", "said", "meant"),
    [
        ("98511200345678", "14 digits", ""),
        ("36000123456789", "zero in front", "036000123456789"),
        ("9851120034567811", "16 digits", ""),
        ("985.3456781", "zeros after the prefix", "985000003456781"),
        ("985.1234567890", "13 digits", "985001234567890"),
        ("985O12003456781", "holds O", "985012003456781"),
        ("98511200345678l", "holds L", "985112003456781"),
        ("985112003456", "12 digits", ""),
        ("98511200345678?", "holds ?", ""),
        ("9.85112E+14", "spreadsheet", ""),
        ("9,85112E+14", "spreadsheet", ""),
        ("123456789", "older kind", ""),
        ("985112003456781 985112003456782", "two codes", ""),
        ("", "0 digits", ""),
    ],
)
def test_doubts_are_told_and_never_mended(text, said, meant) -> None:
    """Each slip by its name, with what it may stand for."""
    error = refused(text)
    assert said in str(error)
    assert error.meant == meant
    assert isinstance(error, DensiteError) and isinstance(error, ValueError)


def test_telegrams_of_no_animal() -> None:
    """Industrial tags, prefixes over 999, too many bits, hexadecimal beyond the fields."""
    for bits in (int(WORKED_SENT, 16) ^ 1 << 63, 1 << 63 | 1000 << 38, 1 << 64 | 1 << 63 | 985 << 38, -1):
        with pytest.raises(TransponderError):
            from_telegram(bits)
    assert "highest" in str(refused("3E8.1CBE991A14"))
    assert "highest" in str(refused("3E7.4CBE991A14"))


@given(st.integers(1, 999), st.integers(0, LARGEST_NUMBER))
def test_there_and_back(prefix, number) -> None:
    """Every code survives its telegram, both directions of the bits, and its own words."""
    code = Transponder(f"{prefix:03d}{number:012d}")
    assert from_telegram(code.telegram) == code
    assert read_transponder(str(code)) == code
    sent, turned = f"{code.telegram:016X}", f"{int(f'{code.telegram:064b}'[::-1], 2):016X}"
    for form in (sent, turned):
        both_ways = number & 0xFFFF in (0x0001, 0x8001)  # ends as it begins: nobody can tell the direction
        if any(letter in form for letter in "ABCDEF") and not both_ways:
            assert read_transponder(form) == code


@given(st.text(max_size=40))
def test_any_text_ends_in_a_code_or_one_error(text) -> None:
    """No other exception, and a code that is read is a valid one."""
    try:
        assert len(read_transponder(text).code) == 15
    except TransponderError as error:
        assert error.meant == "" or Transponder(error.meant)
