"""What a crew hands in, whatever it holds: each part taken into the register in a transaction of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from densite.animalfiles import take_records
from densite.deliveries import Delivery, Tick, hand_in, take_visits
from densite.errors import IntakeError, Level, Problem
from densite.exports.comeback import is_export
from densite.fieldphotos import keep_photographs
from densite.intake.parts import Part, parts_in
from densite.register import Register
from densite.settings import Settings


def hand_in_all(
    path: Path, *, register: Register, settings: Settings, out: Path, photographs: Path, area: Any | None = None,
    records: str | None = None, dry_run: bool = False, tick: Tick = lambda _: None,
) -> list[Delivery]:  # fmt: skip
    """Take a file, a folder or an archive into the register, dens first.

    Parameters
    ----------
    path : Path
        What was handed in.
    register, settings, out, area, dry_run, tick
        As for :func:`densite.deliveries.hand_in`.
    photographs : Path
        Folder for photographs that come with a field file.
    records : str, optional
        The kind of record, where headings do not tell.

    Returns
    -------
    list of Delivery
        One a part; of several, one that cannot be read says why under ``failed`` and stops nothing.

    Raises
    ------
    IntakeError
        It cannot be read at all; the register is unchanged.
    RegisterError
        The register cannot be written; parts before are in.
    """
    options: dict[str, Any] = {"register": register, "settings": settings, "out": out}
    options |= {"dry_run": dry_run, "tick": tick}
    if is_export(path):
        return [hand_in(path, area=area, **options)]
    made: list[Delivery] = []
    for part in parts_in(path, settings, records, labels=lambda: register.dens(only=("label",))["label"]):
        delivery = _taken(part, path, area, options)
        if part.photographs and not dry_run and not delivery.failed:
            _keep(part, delivery, register, photographs)
        if dry_run and delivery.held_back and any(earlier.dens for earlier in made):
            said = "dens that this file brings are not recorded in a dry run, so what hangs on them is not found yet"
            delivery.problems.append(Problem(Level.NOTE, said, file=part.file))
        made.append(delivery)
    if len(made) == 1 and made[0].failed:
        raise IntakeError(made[0].failed)
    for delivery in made:
        if delivery.failed and delivery.file not in delivery.failed:
            delivery.failed = f"{delivery.file}: {delivery.failed}"
    return made


def _keep(part: Part, delivery: Delivery, register: Register, folder: Path) -> None:
    """Keep the photographs of a part whose rows are in; that they cannot be written takes nothing back."""
    try:
        delivery.photographs, problems = keep_photographs(
            part.photographs, register=register, folder=folder, file=part.file
        )
    except OSError as error:
        said = f"the photographs cannot be written to {folder.name} ({error.strerror}); the rows are in"
        hint = "mend it and hand in the file again: only the photographs are then added"
        problems = [Problem(Level.ERROR, said, "photos", file=part.file, hint=hint)]
    delivery.problems.extend(problems)


def _taken(part: Part, path: Path, area: Any | None, options: dict[str, Any]) -> Delivery:
    delivery = Delivery(part.file, failed=part.failed, rowless=part.rowless, dry_run=options["dry_run"])
    if not part.rowless:
        try:
            if part.kind is None:
                delivery = take_visits(part, path, area=area, **options)
            else:
                delivery = take_records(part, part.kind, path, **options)
        except IntakeError as error:
            delivery.failed = str(error)
    delivery.problems[:0] = part.remarks
    return delivery
