"""Which kind of record a crew file holds, told by its headings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from densite.animalterms import KINDS, Kind
from densite.errors import IntakeError
from densite.intake.csvfile import headings_of
from densite.intake.rawrow import meanings
from densite.settings import IntakeSettings
from densite.terms import DEN_TERMS, PLACE_TERMS, RECORDED_TERMS, spelled

DEN_VISITS = "den"
_OF_DENS = {"den_type", *(t.name for t in PLACE_TERMS)} | {t.name for t in DEN_TERMS if t.name.startswith("aspect")}


def kind_in(path: Path, settings: IntakeSettings, *, told: str | None = None) -> Kind | None:
    """Tell which kind of record a file holds.

    Parameters
    ----------
    path : Path
        A crew file.
    settings : IntakeSettings
        Mapping and encoding from study.toml.
    told : str, optional
        The kind as a person named it: ``den`` or a name of ``KINDS``.

    Returns
    -------
    Kind or None
        None for den visits, the only kind that GPX and GeoJSON files hold.

    Raises
    ------
    IntakeError
        The file cannot be read, or a kind that was named does not exist.
    """
    _refuse_unknown(told)
    if told is not None:
        return KINDS.get(told)
    if path.suffix.lower() not in (".csv", ".tsv", ".txt") or not path.is_file():
        return None
    headings = headings_of(path, encoding=settings.encoding)
    try:
        return kind_of_headings(headings, settings.columns)
    except IntakeError as error:
        raise IntakeError(f"{path.name}: {error}") from None


def _refuse_unknown(told: str | None) -> None:
    if told is not None and told not in (DEN_VISITS, *KINDS):
        raise IntakeError(f"kind of record '{told}'; allowed: {', '.join((DEN_VISITS, *KINDS))}")


def kind_of_headings(headings: Sequence[str], mapping: Mapping[str, str], *, told: str | None = None) -> Kind | None:
    """Tell the kind of record from the headings of a table, or as a person named it.

    Parameters
    ----------
    headings : sequence of str
        As they stand in the table.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml.
    told : str, optional
        The kind as a person named it: ``den`` or a name of ``KINDS``.

    Returns
    -------
    Kind or None
        None for den visits.

    Raises
    ------
    IntakeError
        They fall short of a kind that they come near to, or a kind that was named does not exist.
    """
    _refuse_unknown(told)
    kind = kind_of(headings, mapping) if told is None else KINDS.get(told)
    if kind is None and told is None and (said := _falls_short(headings, mapping)):
        raise IntakeError(said)
    return kind


def kind_of(headings: Sequence[str], mapping: Mapping[str, str]) -> Kind | None:
    """Tell the kind of record from a file's headings.

    Parameters
    ----------
    headings : sequence of str
        As they stand in the file.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml.

    Returns
    -------
    Kind or None
        The kind all of whose needed columns are there, the one with most of them if several fit;
        None for den visits, which have a den type, a place or an aspect.
    """
    folded = {spelled(heading) for heading in headings}
    if _of_den_columns(folded, mapping):
        return None
    fits = [(len(kind.needed), _known(kind, folded, mapping), kind) for kind in KINDS.values()]
    fits = [fit for fit in fits if _has_needed(fit[2], fit[1])]
    return max(fits, key=lambda fit: (fit[0], len(fit[1])))[2] if fits else None


def _falls_short(headings: Sequence[str], mapping: Mapping[str, str]) -> str:
    """Say which kind of record a file without den columns comes nearest to, and what it lacks; blank if to none."""
    folded = {spelled(heading) for heading in headings}
    if _of_den_columns(folded, mapping):
        return ""
    near = max(KINDS.values(), key=lambda kind: (len(_known(kind, folded, mapping).intersection(kind.needed)),
                                                 len(_known(kind, folded, mapping))))  # fmt: skip
    known = _known(near, folded, mapping)
    if len(known) < 2:
        return ""
    missing = [name for name in near.needed if name not in known]
    needs = f"misses {' and '.join(missing)}" if missing else f"needs one of {', '.join(near.telling)}"
    return (
        f"its headings are those of no kind of record; {near.heading} come nearest, which {needs}. Mend the headings "
        f"(`densite columns --records {near.name}` lists them), or say what the file holds with --records"
    )


def _of_den_columns(folded: set[str], mapping: Mapping[str, str]) -> bool:
    of_dens = meanings(mapping, RECORDED_TERMS)
    return bool({of_dens.get(heading) for heading in folded} & _OF_DENS)


def _known(kind: Kind, folded: set[str], mapping: Mapping[str, str]) -> set[str]:
    names = meanings(mapping, kind.terms)
    return {names[heading] for heading in folded if heading in names}


def _has_needed(kind: Kind, names: set[str]) -> bool:
    return names.issuperset(kind.needed) and (not kind.telling or bool(names.intersection(kind.telling)))
