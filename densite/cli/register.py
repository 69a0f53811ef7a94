"""Commands for whoever keeps the register: roles of a database."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.register import Register
    from densite.register.roles import Roles

_NAMES = ("owner", "analyst", "crew", "planner")


def _named(command: shared.Command) -> shared.Command:
    """Add an option for the name of each role."""
    for name in reversed(_NAMES):
        command = click.option(f"--{name}", metavar="ROLE", help=f"Name of the {name}'s role.")(command)
    return command


@click.command(short_help="Print the SQL of roles on PostgreSQL, and run it with --apply.")
@click.option("--apply", "applied", is_flag=True, help="Run the SQL after it was printed.")
@click.option("--publish", is_flag=True, help="Tell planners the numbers of now.")
@click.option("--yes", is_flag=True, help="Run it without a question.")
@_named
@shared.study_option
def roles(applied: bool, publish: bool, yes: bool, folder: Path, **names: str | None) -> None:
    """For the owner of a register on PostgreSQL: who may add, read all, or see generalised counts only.

    \b
    Example:  densite roles --study basin > roles.sql
              densite roles --study basin --apply
              densite roles --study basin --publish

    crew: adds records and fills blanks. analyst: reads all, stores derived values. planner: reads counts of den
    types by cells of 0.1 degree and three winters, never fewer than three females. owner: owns everything,
    corrects and withdraws. No role gets a password: make each person's own login a member of a role.

    Planners see what --publish told them last, and a group's numbers anew only when dens and females differ by
    three or more, so that the difference of two days never tells one den. What remains: that a group came to three
    females or fell below, and how many rows each table has, which PostgreSQL tells every login.
    """
    with _opened(folder) as register:
        if applied or not publish:
            _give_rights(register, names, applied=applied, yes=yes)
        if publish:
            _publish(register, yes=yes)


def _give_rights(register: Register, names: dict[str, str | None], *, applied: bool, yes: bool) -> None:
    """Print the SQL of roles, and run it where asked."""
    from densite.register.roles import apply, statements

    chosen = _chosen(register, names)
    click.echo("\n".join(f"{statement};" for statement in statements(register, chosen)))
    click.echo(f"-- then, for each person: GRANT {chosen.crew} TO their_login;")
    if not applied:
        click.echo("Nothing was run: --apply runs it.", err=True)
        return
    if not yes:
        click.confirm(f"Run this in {register.where}?", abort=True, err=True)
    apply(register, chosen)
    click.echo(f"Done: roles {chosen.owner}, {chosen.analyst}, {chosen.crew}, {chosen.planner}.", err=True)
    click.echo("Planners see what was published last: --publish tells them the numbers of now.", err=True)


def _publish(register: Register, *, yes: bool) -> None:
    """Print the SQL that tells planners the numbers of now, and run it."""
    from densite.register.roles import publish, publishing

    click.echo(f"{publishing(register)};")
    if not yes:
        click.confirm(f"Tell planners these numbers of {register.where}?", abort=True, err=True)
    click.echo(f"Done: planners are told {publish(register)} groups of dens.", err=True)


def _opened(folder: Path) -> Register:
    from densite import settings
    from densite.register import open_register
    from densite.register.databaseurl import target_of

    chosen = settings.load(folder)
    return open_register(target_of(chosen.register_, folder), study_id=chosen.study.id)


def _chosen(register: Register, names: dict[str, str | None]) -> Roles:
    from dataclasses import replace

    from densite.register.roles import default_roles

    return replace(default_roles(register), **{key: value for key, value in names.items() if value})


COMMANDS = (roles,)
