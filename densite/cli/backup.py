"""Commands that copy the register to a safe place and bring a copy back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.settings import Settings


@click.command(short_help="Make a verified copy of the register, while it is in use.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path),
              help="File to make.  [default: backups/register-TIME.gpkg in the study folder]")  # fmt: skip
@shared.study_option
def backup(output: Path | None, folder: Path) -> None:
    """For everybody: copy the register as it is now, and read the copy back.

    \b
    Example:  densite backup --study basin
              densite backup --study basin -o /media/stick/basin.gpkg

    Others may go on reading and writing. No file is ever written over. Keep copies on another disk, in
    another house. A backup holds exact den places; photographs lie in photos/ and are copied by hand.
    """
    from densite.register.backup import back_up, place_for, stamp
    from densite.register.opening import look_up

    chosen = _settings(folder)
    with look_up(_target(chosen, folder), study_id=chosen.study.id) as register:
        made = back_up(register, output or place_for(folder, f"register-{stamp()}"))
    click.echo(f"{made.path}: {made.holds}")


@click.command(short_help="Put a backup in the register's place.")
@click.argument("backup", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask; for scripts.")
@shared.study_option
def restore(backup: Path, yes: bool, folder: Path) -> None:
    """For whoever keeps the register: check a backup, say what would be lost, and put it in place.

    \b
    Example:  densite restore basin/backups/register-20260301T123015Z.gpkg --study basin

    The register that is there, sound or damaged, is kept as register-before-restore-TIME.gpkg. Close the
    register in all other programs first. What it holds beyond the backup can be taken back by densite merge.
    """
    from densite.errors import RegisterError
    from densite.register.restore import plan
    from densite.register.restore import restore as put_back

    chosen = _settings(folder)
    target = _target(chosen, folder)
    if not isinstance(target, Path):
        raise RegisterError("the register is in PostgreSQL: pg_restore brings a backup made by pg_dump back")
    planned = plan(backup, target, study_id=chosen.study.id)
    shared.tell(planned.doubts)
    for line in planned.lines():
        click.echo(line)
    if target.exists() and not yes:
        click.confirm(f"Put {backup} in the place of {target}?", abort=True, err=True)
    kept = put_back(planned)
    click.echo(f"Restored: {target}.{f' What was there is kept as {kept}' if kept else ''}")


def _settings(folder: Path) -> Settings:
    from densite import settings

    return settings.load(folder)


def _target(chosen: Settings, folder: Path) -> str | Path:
    from densite.register.databaseurl import target_of

    return target_of(chosen.register_, folder)


COMMANDS = (backup, restore)
