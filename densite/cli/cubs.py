"""Commands about cubs: a calibration from known-age cubs, and the ages and birth dates that follow from one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    import pandas as pd

    from densite.calibration import Calibration
    from densite.knownage import Fit
    from densite.pipeline import Study

LITTER_SHOWN = ("den_label", "date", "female", "cubs", "measured", "age_d", "lower_d", "upper_d",
                "born_on", "born_from", "born_to", "known")  # fmt: skip
CUB_SHOWN = ("den_label", "date", "cub_no", "age_d", "lower_d", "upper_d", "born_on", "born_from", "born_to")
CAUTION = "Ages are estimates. Cubs are handled only under permit and animal-care protocol; keep them warm."


@click.group(short_help="Ages, birth dates and litters of cubs.")
def cubs() -> None:
    """For crew and analyst: what the cubs' measurements tell.

    Example:  densite cubs births --study basin

    Handle cubs only under permit and animal-care protocol. Keep them warm; have an orphan plan; wear gloves.
    """


@cubs.command(short_help="Make a calibration from cubs of known birth date.")
@click.option("--measurements", default="hair_mm,ear_mm", show_default=True, metavar="NAMES",
              help="Of hair_mm, ear_mm, zygomatic_mm, with commas between.")  # fmt: skip
@click.option("--name", help="Name of the calibration.  [default: the study's name]")
@click.option("--species", default="not recorded", help="Species, in the study's words.")
@click.option("--source", default="the study's own cubs of known birth date", help="Whose cubs they are.")
@click.option("--invented", is_flag=True, help="The records are made up: every output will say so.")
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="File to write.")
@click.option("--force", is_flag=True, help="Replace the output if it is there.")
@shared.study_option
def fit(measurements: str, output: Path, force: bool, folder: Path, **told: Any) -> None:
    """For the analyst: fit age on measurements of cubs whose birth date is known from elsewhere.

    Example:  densite cubs fit --study basin --species "black bear" -o basin/calibration.toml

    Known are cubs with born_on, such as from a camera: never an estimated date. Each litter is left out once
    and foretold; the figures beside the file show where a straight line is poor. Then name the file in
    study.toml: calibration = "calibration.toml" under [animals].
    """
    from densite import knownage
    from densite.pipeline import open_study

    _must_be_free(output, force)
    with open_study(folder) as study:
        told["name"] = told["name"] or study.settings.study.name
        columns = [name.strip() for name in measurements.split(",") if name.strip()]
        found = knownage.fit(study.records("cub"), measurements=columns, **told)
    shared.tell(found.left_out)
    click.echo(knownage.summary(found))
    click.echo(f"Written: {', '.join(map(str, _written(found, output)))}. {CAUTION}", err=True)


def _must_be_free(output: Path, force: bool) -> None:
    for path in (output, output.with_suffix(".svg"), output.with_suffix(".png")):
        if path.exists() and not force:
            raise click.UsageError(f"{path} is there already; give another name, or --force to replace it")


def _written(found: Fit, output: Path) -> list[Path]:
    """Write the calibration and, next to it, its figure; return the paths."""
    from densite.calibration import write
    from densite.figures.calibrating import calibrating, title, told_calibrating
    from densite.figures.files import save

    write(found.calibration, output)
    figure = calibrating(found)
    return [output, *save(figure, output.parent, name=output.stem, title=title(found), alt=told_calibrating(found))]


@cubs.command(short_help="Print birth dates of litters with their intervals.")
@click.option("--format", "kind", type=click.Choice(["txt", "csv", "md", "json"]), default="txt", show_default=True,
              help="For people, spreadsheets, documents, programs.")  # fmt: skip
@click.option("--cubs", "each_cub", is_flag=True, help="Print each cub's own age too (as CSV: instead).")
@click.option("--extrapolate", is_flag=True, help="Give ages beyond the calibration's ranges too, marked as such.")
@click.option("--calibration", "path", type=click.Path(dir_okay=False, path_type=Path),
              help="Another calibration than study.toml names.")  # fmt: skip
@shared.study_option
def ages(kind: str, each_cub: bool, extrapolate: bool, path: Path | None, folder: Path) -> None:
    """For crew and analyst: print when litters were born, with 95 % intervals, one row a visit.

    Example:  densite cubs ages --study basin --format csv > births.csv

    Where no age is given the reason stands in its place. Birth dates known from elsewhere come first.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        calibration, records = _calibration(study, path), study.records("cub")
    tables = _aged(records, calibration, each_cub=each_cub, extrapolate=extrapolate)
    click.echo(WRITERS[kind](tables, _said(calibration)).rstrip("\n"))
    click.echo(CAUTION, err=True)


def _calibration(study: Study, path: Path | None) -> Calibration | None:
    """Read the calibration that was asked for, else the study's; None where there is none yet."""
    from densite.calibration import read

    return read(path) if path else study.calibration


def _aged(
    records: pd.DataFrame, calibration: Calibration | None, *, each_cub: bool, extrapolate: bool
) -> dict[str, pd.DataFrame]:
    """Return the litters' ages and, where they are asked for, each cub's."""
    from densite.cubs import cub_ages, litter_births

    tables = {"litters": litter_births(records, calibration, extrapolate=extrapolate).frame}
    if each_cub:
        own = records[["den_label", "date", "female", "cub_no"]].join(
            cub_ages(records, calibration, extrapolate=extrapolate)
        )
        own["cub_no"] = own["cub_no"].astype(int)
        tables["cubs"] = own.sort_values(["date", "den_label", "cub_no"]).reset_index()
    return tables


def _said(calibration: Calibration | None) -> str:
    """Say by which calibration ages were had and whether it is invented, or how to make one where there is none."""
    from densite.calibration import ages_from

    if calibration is None:
        return f"{ages_from(None)} Make one with `densite cubs fit`."
    limits = calibration.no_interval or "limits are 95 % intervals; the youngest and oldest come out nearer its middle"
    return f"{ages_from(calibration)} {limits[:1].upper()}{limits[1:]}."


def _as_csv(tables: dict[str, pd.DataFrame], said: str) -> str:
    from densite.intake.rejects import guarded_csv

    return guarded_csv(list(tables.values())[-1].round(3).assign(ages_from=said))


def _as_json(tables: dict[str, pd.DataFrame], said: str) -> str:
    rows = {name: [{k: _plain(v) for k, v in row.items()} for row in frame.to_dict("records")]
            for name, frame in tables.items()}  # fmt: skip
    return json.dumps({"ages_from": said, **rows}, indent=2, ensure_ascii=False)


def _as_markdown(tables: dict[str, pd.DataFrame], said: str) -> str:
    """Write each table as Markdown, with what is to be said of a row in its last column."""
    from densite.tables import escaped, piped

    lines = [escaped(said)]
    for name, frame in tables.items():
        heads = [*SHOWN[name], "reason", "remarks"]
        cells = ([_cell(value) for value in row] for row in frame[heads].to_numpy(object))
        lines += ["", piped(heads), piped(["---"] * len(heads)), *map(piped, cells)]
    return "\n".join(lines)


def _plain(value: Any) -> Any:
    """Return a value that JSON has: missing ones as null, dates as text, numbers to a thousandth."""
    if value is None or value != value:
        return None
    return round(value, 3) if isinstance(value, float) else value if isinstance(value, str | int) else str(value)


def _as_text(tables: dict[str, pd.DataFrame], said: str) -> str:
    """Write each table with what is to be said of a row below it."""
    from densite.tables import WIDTH, wrapped

    return "\n\n".join(["\n".join(wrapped(said, WIDTH)), *(_columns(f, SHOWN[name]) for name, f in tables.items())])


def _columns(frame: pd.DataFrame, shown: tuple[str, ...]) -> str:
    if frame.empty:
        return "No cubs on record."
    cells = [shown, *(tuple(_cell(value) for value in row) for row in frame[list(shown)].to_numpy(object))]
    widths = [max(len(row[n]) for row in cells) for n in range(len(shown))]
    head, *lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in cells]
    below = [[f"    {word}: {row[word]}" for word in ("reason", "remarks") if row[word]]
             for row in frame.to_dict("records")]  # fmt: skip
    return "\n".join([head, *(text for line, more in zip(lines, below, strict=True) for text in (line, *more))])


def _cell(value: Any) -> str:
    if value is None or value != value:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.1f}" if isinstance(value, float) else str(value)


SHOWN = {"litters": LITTER_SHOWN, "cubs": CUB_SHOWN}
WRITERS = {"txt": _as_text, "csv": _as_csv, "md": _as_markdown, "json": _as_json}
COMMANDS = (cubs,)
