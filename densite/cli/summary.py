"""The end of `densite log` on a terminal: what will be saved in plain words, and one yes."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import click

from densite.cli.dialogue import Talk, converse, question_of, said_place
from densite.cli.draft import Answers, Draft, open_draft
from densite.cli.prompts import answer_of, heading, say, typed, yes
from densite.errors import Level
from densite.terms import by_name

if TYPE_CHECKING:
    from densite.deliveries import Delivery
    from densite.pipeline import Study
    from densite.records import DenSite, Visit


def log_by_asking(study: Study, given: dict[str, str], save: Callable[[dict[str, str]], Delivery]) -> None:
    """Ask, show, save; what is not saved stays in the draft.

    Parameters
    ----------
    study : Study
        Open study.
    given : dict of str to str
        What was given by options.
    save : callable
        Records a row and says so; leaves the program where it could not.
    """
    draft = open_draft(study.out)
    talk = Talk(study, Answers(begun_at=dt.datetime.now(study.zone).isoformat(timespec="minutes")), draft)
    try:
        if not _taken_up(talk):
            sys.exit(1)
        talk.answers.values |= given
        say("Enter skips a question, ? explains it, < goes back one. Ctrl-C stops; answers are kept.", indent="")
        if not converse(talk, save_or_change):
            raise click.Abort
    except (click.Abort, KeyboardInterrupt):
        _stop(talk)
    if not save(talk.values).dry_run:
        draft.remove()


def _taken_up(talk: Talk) -> bool:
    """Offer the answers of a session that was cut off; false where the person wants neither them nor new ones."""
    if not talk.draft.path.exists():
        return True
    kept = talk.draft.read()
    if kept is None:
        say(f"A draft could not be read. It is kept as {talk.draft.set_aside()}.", indent="")
        talk.draft = Draft(talk.draft.path, None)
        return True
    told = ", ".join(text for name in ("date", "female", "den_label") if (text := kept.values.get(name)))
    say(f"A visit is not saved yet: begun {kept.begun_at}{f' ({told})' if told else ''}, "
        f"{len(kept.done)} questions done.", indent="")  # fmt: skip
    if yes("Go on with it? n: begin a new one."):
        talk.answers = kept
        return True
    if yes("Throw those answers away for good?"):
        talk.draft.remove()
        talk.draft = open_draft(talk.study.out)
        return True
    say("They stay as they are. Nothing was done.", indent="")
    talk.draft.let_go()
    return False


def _stop(talk: Talk) -> None:
    kept = f"Answers are kept in {talk.draft.path}: `densite log` offers them next time."
    click.echo("", err=True)
    say(f"Stopped, nothing recorded. {kept if talk.draft.path.exists() else ''}".strip(), indent="")
    talk.draft.let_go()
    sys.exit(130)


def save_or_change(talk: Talk) -> bool | None:
    """Show what will be saved and ask once.

    Parameters
    ----------
    talk : Talk
        With every question answered or skipped.

    Returns
    -------
    bool or None
        True to save; False to stop; None where a question was reopened.
    """
    weighed = talk.weighed(*talk.names)
    wrong = [p for p in weighed.problems if p.level is Level.ERROR]
    if wrong or weighed.den is None:  # the register has changed meanwhile
        for problem in wrong:
            say(str(problem))
            talk.reopen(question_of(problem))
        return None if wrong else False
    click.echo("\nThis will be saved:", err=True)
    for line in _lines(talk, weighed.den, weighed.visit):
        say(line, indent="  ")
    doubts = [p for p in weighed.problems if p.level in (Level.CONFIRM, Level.WARNING)]
    if doubts:
        click.echo("Please look at this once more:", err=True)
    for problem in doubts:
        say(f"- {problem.message}", indent="  ")
    return _decided(talk, bool(doubts))


def _decided(talk: Talk, doubtful: bool) -> bool | None:
    """Take the one yes, or go to the question whose number is typed."""
    right = " Yes also says that the points above are right." if doubtful else ""
    say(f"Save it?{right} y: save, n: stop (answers are kept), a number: change that answer.", indent="")
    while True:
        text = typed("Save (y, n, number) ").casefold()
        if text in ("y", "yes", "n", "no"):
            if text[0] == "y" and doubtful:
                talk.values["confirmed"] = "yes"
            return text[0] == "y"
        if text == "<":
            talk.back(talk.names[-1]) if talk.names[-1] not in talk.answers.done else talk.reopen(talk.names[-1])
            return None
        if text.isdecimal() and 1 <= int(text) <= len(talk.names):
            _change(talk, talk.names[int(text) - 1])
            return None
        say(f"Type y, n, or a number from 1 to {len(talk.names)}.")


def _change(talk: Talk, name: str) -> None:
    """Reopen a question, and those of whose answer it is a part."""
    if talk.due(name) or name == "den_label":
        talk.reopen(name)
    else:
        say(f"{heading(name)} is not asked here.")


def _lines(talk: Talk, den: DenSite, visit: Visit | None) -> Iterator[str]:
    """Say each answer, with the number of its question."""
    special = {
        "coordinates": lambda: f"At {said_place(den.longitude, den.latitude)} (WGS 84){_spread(den)}",
        "female": lambda: f"Female: {(visit and visit.female) or talk.values['female']}",
        "aspect": lambda: f"The entrance faces {answer_of('aspect', talk.values)}{_true(den)}",
        "slope_deg": lambda: f"The ground slopes {den.slope_deg:.0f} deg{_percent(den)}",
    }
    skipped = []
    for number, name in enumerate(talk.names, start=1):
        text = answer_of(name, talk.values)
        if name in ("datum", "uncertainty_m", "aspect_reference") and text:
            continue  # said with the place and the aspect
        if text:
            term = by_name()[name]
            said = special[name]() if name in special else f"{heading(name)}: {text} {term.unit}".rstrip()
            yield f"{number:2}  {said}"
        elif talk.due(name):
            skipped.append(f"{heading(name)} ({number})")
    if skipped:
        yield f"Not given: {', '.join(skipped)}."


def _spread(den: DenSite) -> str:
    return "" if den.uncertainty_m is None else f", give or take {den.uncertainty_m:g} m"


def _true(den: DenSite) -> str:
    north = f" {den.aspect_reference}" if den.aspect_reference else ""
    return f"{north}, {den.aspect_deg:.0f} deg from true north" if den.aspect_deg is not None else north


def _percent(den: DenSite) -> str:
    return f" ({den.slope_read})" if den.slope_read and "%" in den.slope_read else ""
