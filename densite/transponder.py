"""The code of an animal's transponder: 15 digits by ISO 11784, read as people and readers write it."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from densite.errors import TransponderError

DIGITS = 15
NUMBER_BITS = 38
LARGEST_NUMBER = 2**NUMBER_BITS - 1  # 274 877 906 943
SHARED, TEST = 900, 999
_ANIMAL = 1 << 63

_LOOKALIKES = str.maketrans({"O": "0", "Q": "0", "D": "0", "I": "1", "L": "1", "S": "5", "B": "8", "Z": "2"})
_SCIENTIFIC = re.compile(r"[+-]?\d+(?:[.,]\d+)?E\+?\d+", re.IGNORECASE)
_HEX_DOT = re.compile(r"(?P<prefix>[0-9A-F]{3})\.(?P<number>[0-9A-F]{10})")
_PANEL_LINE = re.compile(r"^L[AR][\s_]+(?:\d{5}[\s_]+\d[\s_]+)?")  # word and reserved field before a reader's code
_SHORT_NUMBER = re.compile(r"(?P<prefix>\d{3})[\s._-]+(?P<number>\d{1,11})")
_SEPARATORS = re.compile(r"[\s._:/'’#*-]+")


@dataclass(frozen=True, slots=True, order=True)
class Transponder:
    """A transponder's code: three digits for a country or a manufacturer, twelve for the number.

    Raises
    ------
    TransponderError
        The code is not 15 digits, its prefix is 000, or its number needs more than 38 bits.

    Notes
    -----
    ISO 11784:1996 from memory; the widths of the fields are those of ICAR's slides on ISO 11784
    (10 bits prefix, 38 bits number, 274 877 906 944 numbers).
    """

    code: str

    def __post_init__(self) -> None:
        """Refuse what is no code."""
        if not re.fullmatch(r"[0-9]{15}", self.code):
            raise TransponderError(f"transponder '{self.code}' is not 15 digits")
        if self.prefix == 0:
            raise TransponderError(f"transponder {self.code} begins with 000, which is no country and no manufacturer")
        if self.number > LARGEST_NUMBER:
            raise TransponderError(
                f"transponder {self.code}: its last 12 digits are over {LARGEST_NUMBER}, the largest number that "
                "38 bits hold (ISO 11784), so a digit is wrong"
            )

    @property
    def prefix(self) -> int:
        """First three digits: 1 to 899 a country, 900 to 998 a manufacturer, 999 a test."""
        return int(self.code[:3])

    @property
    def number(self) -> int:
        """Last twelve digits, at most 274 877 906 943."""
        return int(self.code[3:])

    @property
    def kind(self) -> str:
        """Who gave the number: ``country``, ``manufacturer``, ``shared`` (900) or ``test`` (999)."""
        if self.prefix in (SHARED, TEST):
            return "shared" if self.prefix == SHARED else "test"
        return "country" if self.prefix < SHARED else "manufacturer"

    @property
    def issuer(self) -> str:
        """The prefix in words. Country codes are those of ISO 3166-1, manufacturers' those of ICAR."""
        if self.kind == "shared":
            return f"manufacturer code 900, shared, range {self.code[3:6]}"
        return "test code 999" if self.kind == "test" else f"{self.kind} code {self.code[:3]}"

    @property
    def telegram(self) -> int:
        """The 64 bits that it sends, first bit highest: animal, nothing reserved, no more data, prefix, number."""
        return _ANIMAL | self.prefix << NUMBER_BITS | self.number

    def __str__(self) -> str:
        """Read as readers show it, in groups that a person can compare: ``985 112 003 456 781``."""
        return " ".join(self.code[at : at + 3] for at in range(0, DIGITS, 3))


def from_telegram(bits: int) -> Transponder:
    """Read the 64 bits of a transponder's identification code.

    Parameters
    ----------
    bits : int
        Bit 1 of the standard (the animal bit) is the highest: 1 animal, 14 reserved, 1 more data follow,
        10 prefix, 38 number.

    Returns
    -------
    Transponder

    Raises
    ------
    TransponderError
        The animal bit is not set, the prefix is 000 or over 999, or there are more than 64 bits.
    """
    prefix = bits >> NUMBER_BITS & 0x3FF
    if not 0 <= bits < 1 << 64 or not bits & _ANIMAL:
        raise TransponderError(f"{bits:016X} is no animal's telegram: its first bit must be 1 and it has 64 bits")
    if prefix > TEST:
        raise TransponderError(f"{bits:016X} has the prefix {prefix}, but 999 is the highest")
    return Transponder(f"{prefix:03d}{bits & LARGEST_NUMBER:012d}")


def read_transponder(text: str) -> Transponder:
    """Read a transponder's code as people, readers and spreadsheets write it.

    Parameters
    ----------
    text : str
        15 digits, in groups or not (``985.112.003.456.781``), a panel reader's line (``LA_982_000001088420``),
        prefix and number in hexadecimal (``3E7.1CBE991A14``), or the 64 bits in hexadecimal, first bit first
        or last.

    Returns
    -------
    Transponder

    Raises
    ------
    TransponderError
        The text leaves a doubt: too few or too many digits, a letter O for a zero, digits that a
        spreadsheet cut. Nothing is mended in silence; ``meant`` offers what it may stand for.
    """
    plain = unicodedata.normalize("NFKC", text).strip().strip("'\"’").upper()
    if coded := _hexadecimal(plain):
        return coded
    if _SCIENTIFIC.fullmatch(plain):
        raise TransponderError(
            f"transponder '{text}' was cut short by a spreadsheet, its last digits are lost; take the code from the "
            "reader or the paper again, and make the column text before it is typed in"
        )
    plain = re.sub(r"^ISO\s+", "", _PANEL_LINE.sub("", plain))
    plain = re.sub(r"^(\d{15})[.,]0+$", r"\1", plain)  # a number column's decimal; 15 digits survive it
    packed = _SEPARATORS.sub("", plain)
    if re.fullmatch(r"[0-9]{15}", packed):
        return Transponder(packed)
    raise _doubt(text, plain, packed)


def _hexadecimal(plain: str) -> Transponder | None:
    """Read the two hexadecimal forms; only letters show that a text is hexadecimal."""
    if not re.search(r"[A-F]", plain):
        return None
    if match := _HEX_DOT.fullmatch(plain):
        prefix, number = int(match["prefix"], 16), int(match["number"], 16)
        if prefix > TEST or number > LARGEST_NUMBER:
            raise TransponderError(f"transponder '{plain}': 3E7.3FFFFFFFFF is the highest in hexadecimal")
        return Transponder(f"{prefix:03d}{number:012d}")
    if not re.fullmatch(r"[0-9A-F]{16}", plain):
        return None
    sent = int(plain, 16)
    ways = [bits for bits in (sent, int(f"{sent:064b}"[::-1], 2)) if _plain_telegram(bits)]
    return from_telegram(ways[0]) if len(ways) == 1 else None


def _plain_telegram(bits: int) -> bool:
    """Whether bits are an animal's with nothing reserved set, as far as it goes for telling the two directions."""
    return bits >> 48 in (0x8000, 0x8001) and 0 < (bits >> NUMBER_BITS & 0x3FF) <= TEST


def _doubt(text: str, plain: str, packed: str) -> TransponderError:
    """Say why a text is no code, and what it may stand for."""
    if letters := sorted(set(re.findall(r"[^0-9]", packed))):
        said = f"transponder '{text}' holds {', '.join(letters)}: a code is 15 digits and nothing else"
        return TransponderError(said, meant=_valid(packed.translate(_LOOKALIKES)))
    if len(packed) == 2 * DIGITS:
        return TransponderError(f"transponder '{text}' holds two codes: write one row for each")
    said = f"transponder '{text}' has {len(packed)} digits instead of 15"
    if len(packed) > DIGITS:
        return TransponderError(said)
    if match := _SHORT_NUMBER.fullmatch(plain):
        return TransponderError(f"{said}, zeros after the prefix lost?", meant=_valid(_filled(match)))
    if len(packed) in (13, 14):
        return TransponderError(f"{said}, a digit or a zero in front lost?", meant=_valid(packed.zfill(DIGITS)))
    older = "; an older kind of transponder has 9 or 10: confirm it if so" if len(packed) in (9, 10) else ""
    return TransponderError(said + older)


def _filled(match: re.Match[str]) -> str:
    return match["prefix"] + match["number"].zfill(DIGITS - len(match["prefix"]))


def _valid(code: str) -> str:
    """Return a code if there could be such a transponder, else ''."""
    try:
        return Transponder(code).code
    except TransponderError:
        return ""
