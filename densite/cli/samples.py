"""Commands of the samples: the laboratory's list, custody, results."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    import pandas as pd

    from densite.pipeline import Study


@click.group(short_help="Samples to the laboratory and back.")
def samples() -> None:
    """For the crew: list vials for the laboratory, follow their custody, take its results in.

    Example:  densite samples manifest --study basin > manifest.csv
    """


@samples.command(short_help="Write the list that goes with the vials.")
@click.option("--laboratory", help="Only samples meant for this laboratory.")
@click.option("--shipment", help="Only samples that custody records name under this shipment.")
@click.option("--all", "everything", is_flag=True, help="List samples that were sent or discarded as well.")
@click.option("--with-sex", is_flag=True, help="Tell the laboratory the animals' sex.")
@shared.study_option
def manifest(laboratory: str | None, shipment: str | None, everything: bool, with_sex: bool, folder: Path) -> None:
    """For the crew: write the laboratory's list as CSV, one row a vial, on stdout.

    Example:  densite samples manifest --study basin --laboratory "Lab A" > vials.csv

    Samples may carry diseases that people catch: gloves; pack and declare them as carrier and law ask.
    Left out on purpose: dens and their places, and the animals' ids. Exit code 1: labels need a look
    before the vials leave; they are listed on stderr.
    """
    from densite.pipeline import open_study
    from densite.samples.review import label_findings
    from densite.samples.vials import as_csv, manifest

    with open_study(folder) as study:
        taken, custody, animals, cubs = (study.records(kind) for kind in ("sample", "custody", "animal", "cub"))
    listed = manifest(taken, custody, laboratory=laboratory, shipment=shipment, only_unsent=not everything,
                      animals=animals, cubs=cubs, with_sex=with_sex)  # fmt: skip
    click.echo(as_csv(listed), nl=False)
    _say_unassigned(taken, laboratory)
    problems = label_findings(taken)
    shared.tell(problems)
    sys.exit(bool(problems))


def _say_unassigned(taken: pd.DataFrame, laboratory: str | None) -> None:
    free = int(taken["laboratory"].isna().sum())
    if laboratory and free:
        click.echo(f"Samples that name no laboratory and are not listed: {free}", err=True)


@samples.command(short_help="Say where each sample is, and where its custody has gaps.")
@click.option("--today", type=click.DateTime(["%Y-%m-%d"]), help="Day from which days are counted.  [default: now]")
@shared.json_option
@shared.study_option
def custody(today: dt.datetime | None, as_json: bool, folder: Path) -> None:
    """For the crew: the last custody step of each sample, who has it, where, and since how many days.

    Example:  densite samples custody --study basin

    Gaps are listed on stderr, and then the exit code is 1.
    """
    from densite.pipeline import open_study
    from densite.samples.chain import gaps, whereabouts

    with open_study(folder) as study:
        taken, steps = study.records("sample"), study.records("custody")
    known = whereabouts(taken, steps, today=today.date() if today else dt.date.today())
    click.echo(_listed(known, as_json))
    problems = gaps(taken, steps)
    shared.tell(problems)
    sys.exit(bool(problems))


def _listed(known: pd.DataFrame, as_json: bool) -> str:
    """Write the whereabouts as JSON, or as lines that a terminal shows."""
    import json

    from densite.animals import rows_of

    rows = rows_of(known.assign(sample_label=known.index))
    if as_json:
        plain = [{k: v for k, v in row.items() if k != "record_id"} for row in rows]
        return json.dumps(plain, indent=2, ensure_ascii=False, default=str)
    lines = []
    for row in rows:
        since = f"{row['step']} {row['on']}, {row['days_since']:g} d ago" if row["step"] else "no custody step"
        where = ", ".join(str(part) for part in (row["holder"], row["place"], row["shipment"]) if part)
        lines.append(f"{row['sample_label']}  {row['animal']}  {row['tissue']}: {since}{'; ' + where if where else ''}")
    return "\n".join(lines) or "No samples on file."


@samples.command(short_help="Turn a laboratory's file into records, or show the results on file.")
@click.argument("file", required=False, type=click.Path(dir_okay=False, exists=True, path_type=Path))
@click.option("--label-column", help="Heading of the column that holds the labels, such as 'Sample ID'.")
@click.option("--only", multiple=True, help="Heading of a determination that is wanted; may be given again.")
@click.option("--laboratory", help="Who determined it.")
@click.option("--reported-on", type=click.DateTime(["%Y-%m-%d"]), help="Day of the laboratory's report.")
@click.option("--joined", is_flag=True, help="Add animal, date and tissue: to look at, not to hand in.")
@shared.study_option
def results(file: Path | None, folder: Path, joined: bool, **given: Any) -> None:
    """For the analyst: write the results of a laboratory's file as rows that `densite intake` takes.

    \b
    Example:  densite samples results --study basin lab.csv --label-column "Sample ID" > results.csv
              densite intake --study basin results.csv

    Labels are matched in any spelling of case, blanks, dashes, 0 and O, 1 and I. A label that is not in
    the register, or a determination with two values, is told and left out: exit code 1. Without FILE,
    the results on file are shown with their animals.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        sys.exit(_read(study, file, with_animals=joined, **given) if file else _on_file(study))


def _read(
    study: Study, file: Path, *, label_column: str | None, only: tuple[str, ...], laboratory: str | None,
    reported_on: dt.datetime | None, with_animals: bool,
) -> int:  # fmt: skip
    """Print a laboratory's rows; return 1 if some of them are in doubt and left out."""
    from densite.placed import listing
    from densite.samples.labfile import read_laboratory_file
    from densite.samples.laboratory import joined, returned
    from densite.samples.vials import as_csv

    determinations = read_laboratory_file(file, label_column=label_column, only=only)
    taken, day = study.records("sample"), reported_on.date() if reported_on else None
    back = returned(determinations, taken, study.records("result"), file=file.name, laboratory=laboratory,
                    reported_on=day)  # fmt: skip
    click.echo(as_csv(joined(back.rows, taken) if with_animals else back.rows), nl=False)
    shared.tell(back.problems)
    click.echo(f"Rows written: {len(back.rows)}; left out: {shared.counted(back.problems)}", err=True)
    if back.missing:
        click.echo(f"Samples without any result: {listing(back.missing, most=20)}", err=True)
    return int(bool(back.problems))


def _on_file(study: Study) -> int:
    """Print the results on file with their animals."""
    from densite.animalterms import COMMON_TERMS, KINDS
    from densite.samples.laboratory import joined
    from densite.samples.vials import as_csv

    columns = [term.name for term in KINDS["result"].terms if term not in COMMON_TERMS]
    click.echo(as_csv(joined(study.records("result")[columns], study.records("sample"))), nl=False)
    return 0


COMMANDS = (samples,)
