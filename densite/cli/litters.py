"""Commands on litters: their size and sexes, when they were born, how their cubs grow."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.pipeline import Study

Command = Callable[..., Any]


def format_option(command: Command) -> Command:
    """Add ``--format`` to a command."""
    return click.option(
        "--format", "kind", type=click.Choice(["txt", "csv", "md", "json"]), default="txt", show_default=True,
        help="For people, spreadsheets, documents, programs.",
    )(command)  # fmt: skip


@click.command(short_help="Print litter size and sex ratio by den type, class and winter.")
@format_option
@shared.study_option
def litters(kind: str, folder: Path) -> None:
    """For the analyst: how many cubs a litter has, and how many of them are males.

    Example:  densite cubs litters --study basin --format csv > litters.csv

    A litter is one female in one winter, however often it was seen. Intervals are taken over females. A
    female without cubs is no litter of size 0.
    """
    from densite.littertables import WRITERS, told_litters
    from densite.pipeline import open_study

    with open_study(folder) as study:
        click.echo(WRITERS[kind](told_litters(study.litter_table())).rstrip("\n"))


@click.command(short_help="Print birth dates by landscape class and winter.")
@format_option
@shared.study_option
def births(kind: str, folder: Path) -> None:
    """For the analyst and the planner: when litters are born, and how sure that is.

    Example:  densite cubs births --study basin

    Birth dates come from the cubs' measurements by the study's calibration file, which is named in the
    output. A figure is written into the study's folder `out`. Visits to dens with cubs: only under permit
    and animal-care protocol; keep cubs warm, have an orphan plan.
    """
    from densite.figures.litters import BIRTHS, births_by_class, told_births_figure
    from densite.littertables import WRITERS, told_births
    from densite.pipeline import open_study

    with open_study(folder) as study:
        table = study.birth_table()
        _draw(study, "litter-births", BIRTHS, births_by_class, told_births_figure, table)
        click.echo(WRITERS[kind](told_births(table)).rstrip("\n"))


@click.command(short_help="Print how cubs grow, and each litter's lightest.")
@format_option
@shared.study_option
def growth(kind: str, folder: Path) -> None:
    """For the analyst: mass against age, each cub beside the study's own cubs.

    Example:  densite cubs growth --study basin

    No outside norm is used. A figure is written into the study's folder `out`. What is to be done about a
    light cub is for the study's veterinarian.
    """
    from densite.figures.litters import GROWTH, growth_figure, told_growth_figure
    from densite.littertables import WRITERS, told_growth
    from densite.pipeline import open_study

    with open_study(folder) as study:
        found = study.growth()
        _draw(study, "cub-growth", GROWTH, growth_figure, told_growth_figure, found)
        click.echo(WRITERS[kind](told_growth(found)).rstrip("\n"))


def _draw(study: Study, name: str, title: str, make: Any, tell: Any, numbers: Any) -> None:
    """Write a figure and say where it is, or why there is none."""
    from densite.figures.files import save
    from densite.figures.look import NothingToDraw

    level = f"{100 * numbers.confidence:g} %"
    about = numbers.ages_from if "INVENTED" in numbers.ages_from else ""
    try:
        figure = make(numbers, level=level, about=about)
    except NothingToDraw as reason:
        click.echo(f"{title}: no figure, because {reason}.", err=True)
        return
    alt = f"{about} {tell(numbers, level=level)}".strip()
    paths = save(figure, study.out / "figures", name=name, title=title, alt=alt)
    click.echo(f"Written: {', '.join(str(path) for path in paths)}", err=True)


COMMANDS = (litters, births, growth)
