"""Commands for maps."""

from __future__ import annotations

from pathlib import Path

import click

from densite.cli import shared


@click.command("map", short_help="Render the crew's map as one HTML file.")
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="HTML file to write.  [default: out/crew-map.html]",
)
@shared.study_option
def render(output: Path | None, folder: Path) -> None:
    """For the crew: render a map that opens in a browser without a network.

    Example:  densite map --study basin -o basin.html

    It shows exact den locations: not for publication. There is no public map yet.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        click.echo(study.map(output))


COMMANDS = (render,)
