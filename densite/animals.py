"""Checked records of the animals' side: what a row may hold, how it is kept, and as what frame it comes back."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
import uuid
from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, create_model
from pydantic_core import PydanticCustomError

from densite.animalterms import KINDS, Kind
from densite.records import Text, folded, read_number
from densite.terms import Term

if TYPE_CHECKING:  # it loads where a frame is made: a den that is logged needs none
    import pandas as pd

Row = dict[str, Any]

_RUNS = re.compile(r"[^\W\d_]+|[0-9]+")
SHORT = {"y": "yes", "n": "no", "f": "female", "m": "male", "u": "unknown", "l": "left", "r": "right"}
TOOTH = re.compile(r"(?P<tooth>[ul](?:i[123]|c|p[1234]))(?:=(?P<state>through|felt|absent))?")

# What every record carries besides its kind's columns: whose it is and where it came from.
ENVELOPE: dict[str, Any] = {
    "record_id": (uuid.UUID, ...),
    "den_id": (uuid.UUID | None, None),
    "visit_id": (uuid.UUID | None, None),
    "recorded_at": (dt.datetime, ...),
    "settled": (Text, None),
    "source_file": (str, ""),
    "source_line": (int, 0),
    "row_key": (str, ...),
    "as_recorded": (str, "{}"),
}


@cache
def model_of(kind: Kind) -> type[BaseModel]:
    """Return the pydantic model of a kind of record, made from its terms.

    Parameters
    ----------
    kind : Kind
        One of ``KINDS``.

    Returns
    -------
    type
        A frozen model: the envelope, then the kind's columns; a time ``t`` as ``t_at`` (aware) and ``t_local``.
    """
    needed = {*kind.needed, "sex"}  # sex may be unknown but never blank
    fields = dict(ENVELOPE)
    for term in kind.terms:
        fields |= _fields(term, required=term.name in needed)
    config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)
    return create_model(f"{kind.name.title()}Record", __config__=config, **fields)


def _fields(term: Term, *, required: bool) -> dict[str, Any]:
    if term.kind == "time":
        return {f"{term.name}_at": (dt.datetime | None, None), f"{term.name}_local": (Text, None)}
    default = ... if required else None
    if term.kind == "number":
        checks = (AfterValidator(_within(term)), BeforeValidator(_measured(term)))
        return {term.name: (Annotated[float if required else float | None, *checks], default)}
    if term.kind == "date":
        return {term.name: (dt.date if required else dt.date | None, default)}
    checked = Annotated[Text, AfterValidator(_chosen(term, required)), BeforeValidator(_plain_word(term))]
    return {term.name: (checked, default)}


def _measured(term: Term) -> Any:
    return lambda value: read_number(value, unit=term.unit)


def _within(term: Term) -> Any:
    def checked(value: float | None) -> float | None:
        low, high = term.floor, term.ceiling
        if value is None or ((low is None or value >= low) and (high is None or value <= high)):
            return value
        raise PydanticCustomError("out_of_range", "out of range")

    return checked


def _plain_word(term: Term) -> Any:
    def plain(value: Any) -> Any:
        if not term.choices or not isinstance(value, str):
            return value
        word = folded(value)
        return next((c for c in term.choices if folded(c) == word), SHORT.get(word, word))

    return plain


def _chosen(term: Term, required: bool) -> Any:
    def checked(value: str | None) -> str | None:
        if (required and not value) or (term.choices and value and value not in term.choices):
            raise PydanticCustomError("not_allowed", "not allowed")
        return value

    return checked


def frame_of(kind: str, records: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Return records of one kind as a frame, as every computation of the animals' side takes them.

    Parameters
    ----------
    kind : str
        A name of ``KINDS``.
    records : iterable of mapping
        Values by column; those not given are missing.

    Returns
    -------
    DataFrame
        Indexed by ``record_id`` (text), one column for each of the envelope's and the kind's columns:
        numbers as float in the term's unit, days as ``datetime.date`` or None, a time ``t`` as ``t_at``
        (datetime64[ns, UTC]) and ``t_local`` (ISO 8601 with offset), all else as text or None.
    """
    import pandas as pd

    known = KINDS[kind]
    names = list(dict.fromkeys([*ENVELOPE, *known.columns]))
    rows = [{name: record.get(name) for name in names} for record in records]
    frame = pd.DataFrame(rows, columns=names, dtype=object)
    for term in known.terms:
        if term.kind == "number":
            frame[term.name] = pd.to_numeric(frame[term.name]).astype(float)
        elif term.kind == "time":
            frame[f"{term.name}_at"] = pd.to_datetime(frame[f"{term.name}_at"], utc=True).astype("datetime64[ns, UTC]")
    for name in ("record_id", "den_id", "visit_id"):
        frame[name] = frame[name].map(lambda value: None if value is None else str(value)).astype(object)
    return frame.set_index("record_id")


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Return the rows of a frame with None for whatever pandas uses as missing.

    Parameters
    ----------
    frame : DataFrame
        From :func:`frame_of`.

    Returns
    -------
    list of dict
        Values by column, ``record_id`` among them.
    """
    import pandas as pd

    plain = frame.rename_axis("record_id").reset_index().astype(object)
    rows = plain.where(plain.notna(), None).to_dict("records")
    return [{str(k): v.to_pydatetime() if isinstance(v, pd.Timestamp) else v for k, v in row.items()} for row in rows]


def text_of(value: Any) -> str:
    """Return a cell's text; '' where nothing stands.

    Parameters
    ----------
    value : object
        Text, or None or NaN for a missing value.

    Returns
    -------
    str
    """
    return "" if value is None or _missing(value) else str(value).strip()


def number_of(value: Any) -> float | None:
    """Return a cell's number; None where nothing stands.

    Parameters
    ----------
    value : object
        Number in its term's unit, or None or NaN for a missing value.

    Returns
    -------
    float or None
    """
    return None if value is None or _missing(value) else float(value)


def _missing(value: Any) -> bool:
    """Tell a missing value of pandas from text and numbers, which are most of what is asked about."""
    if isinstance(value, str | int):
        return False
    if isinstance(value, float):
        return math.isnan(value)
    import pandas as pd

    return bool(pd.isna(value))


def runs(text: str) -> list[str]:
    """Split a text into its runs of letters and of digits: capitals, leading zeros dropped.

    Parameters
    ----------
    text : str
        ``OB-031``.

    Returns
    -------
    list of str
        ``['OB', '31']``.
    """
    plain = unicodedata.normalize("NFKC", text).upper()
    return [run.lstrip("0") or "0" if run[0] in "0123456789" else run for run in _RUNS.findall(plain)]


def animal_key(animal: Any) -> str:
    """Return what all spellings of an animal's id share: ``ob 31`` and ``OB-031`` are one.

    Parameters
    ----------
    animal : object
        Id as written, or missing.

    Returns
    -------
    str
        ``OB-31``; '' where it is missing.
    """
    return _key(text_of(animal))


@lru_cache(maxsize=2**16)  # asked for at every record of an animal
def _key(animal: str) -> str:
    return "-".join(runs(animal))


def cub_name(cub: Mapping[Any, Any]) -> str:
    """Name a cub: its id, or its place in a litter where it has none.

    Parameters
    ----------
    cub : mapping
        A cub record.

    Returns
    -------
    str
        ``OB-031-26a``, or ``cub 2 of D-2026-14, 2026-02-24``.
    """
    number = number_of(cub["cub_no"])
    which = "?" if number is None else f"{number:g}"
    return text_of(cub["cub_id"]) or f"cub {which} of {text_of(cub['den_label'])}, {text_of(cub['date'])}"


SETTLED = "all"  # a confirmed correction: whoever wrote it has seen what `densite check` says


def settles(settled: Any, field: str) -> bool:
    """Tell whether a person has confirmed the doubts about a field of a record.

    Parameters
    ----------
    settled : str or missing
        The record's ``settled``: fields separated by commas, or ``all``.
    field : str
        Name of the field.

    Returns
    -------
    bool
    """
    named = [name.strip() for name in settled.split(",")] if isinstance(settled, str) else []
    return field in named or SETTLED in named


def record_uuid(study_id: str, kind: str, key: str) -> uuid.UUID:
    """Make a record's lasting id from the study, its kind and the key of its row.

    Parameters
    ----------
    study_id : str
        ``study.id`` of study.toml.
    kind : str
        A name of ``KINDS``.
    key : str
        From :func:`densite.records.row_key`.

    Returns
    -------
    UUID
        Version 5.
    """
    return uuid.uuid5(uuid.NAMESPACE_OID, f"densite:{study_id}:{kind}:{key}")


def read_teeth(text: str | None) -> dict[str, str]:
    """Read the state of each tooth that was looked at.

    Parameters
    ----------
    text : str or None
        ``uc lc=felt ui3=absent``: u or l for upper or lower; i1 to i3, c, p1 to p4; a tooth alone is
        through the gum.

    Returns
    -------
    dict of str to str
        Tooth to ``through``, ``felt`` or ``absent``; empty where no tooth was looked at.

    Raises
    ------
    ValueError
        A word is no tooth, or a tooth is named twice; the message says which.
    """
    found: dict[str, str] = {}
    for word in re.split(r"[\s,;]+", (text or "").strip().casefold()):
        if not word:
            continue
        match = TOOTH.fullmatch(word)
        if match is None:
            raise ValueError(f"'{word}' is no tooth; write u or l, then i1 i2 i3 c p1 p2 p3 p4: uc lc=felt ui3=absent")
        if match["tooth"] in found:
            raise ValueError(f"names the tooth {match['tooth']} twice")
        found[match["tooth"]] = match["state"] or "through"
    return found


def listed(text: str | None) -> tuple[str, ...]:
    """Split a cell that lists several things by semicolons or commas.

    Parameters
    ----------
    text : str or None
        ``blood; ear tag``.

    Returns
    -------
    tuple of str
        Folded to small letters, blanks left out.
    """
    return tuple(word for part in re.split(r"[;,]", text or "") if (word := " ".join(part.split()).casefold()))
