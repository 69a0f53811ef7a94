"""`densite log` on a terminal: one question after the other, each answer weighed at once, then one yes to save."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

import click

from densite.answers import PLACES, Weighed, has_place, weigh
from densite.cli.draft import Answers, Draft
from densite.cli.prompts import ORDER, answer_of, columns, explained, prompt, say, typed, yes
from densite.errors import Level, Problem
from densite.intake.screening import OtherReading, other_reading
from densite.lookout import Ground, Match, NearDen, ground_at, match, nearest_den, said_ground, said_near, said_shape
from densite.pipeline import Study
from densite.places import said_distance
from densite.records import DenSite, folded_label
from densite.settings import TerrainSettings
from densite.terms import OFFSET_TERMS, by_name

BACK = "<"
_NEAR_M = 100.0  # common practice, no source: a den so near is asked about though the uncertainties part the two
_DOUBTS = (Level.CONFIRM, Level.WARNING)
_WAYS = {
    "coordinates": (*PLACES, *(term.name for term in OFFSET_TERMS)),
    "slope_deg": ("slope_deg", "slope_pct"),
    "aspect": ("aspect", "aspect_sighted"),
}
_DEPENDING = {
    "datum": ("coordinates",), "uncertainty_m": ("coordinates",), "aspect_reference": ("aspect",),
    "den_label": ("coordinates", "date"),
}  # fmt: skip


@dataclass(slots=True)
class Talk:
    """A conversation: the study, the answers so far and where they are kept, and what was told already."""

    study: Study
    answers: Answers
    draft: Draft
    extra: tuple[str, ...] = ()
    told: set[str] = field(default_factory=set)
    looked: tuple[float, float] | None = None
    compared: tuple[float | None, float | None] | None = None
    ground: Ground = field(default_factory=Ground)

    @property
    def values(self) -> dict[str, str]:
        """The answers by column."""
        return self.answers.values

    @property
    def today(self) -> dt.date:
        """The day by the study's clock."""
        return dt.datetime.now(self.study.zone).date()

    @property
    def names(self) -> tuple[str, ...]:
        """The questions of this conversation, in order."""
        return (*ORDER, *self.extra)

    def number(self, name: str) -> str:
        """Return which question it is: ``5/15``."""
        return f"{self.names.index(name) + 1}/{len(self.names)}"

    def next(self) -> str | None:
        """Return the next question, None after the last."""
        return next((name for name in self.names if name not in self.answers.done and self.due(name)), None)

    def due(self, name: str) -> bool:
        """Tell whether the answers so far leave a question open."""
        intake, values = self.study.settings.intake, self.values
        if name == "datum":
            return intake.datum is None and not values.get("epsg")
        if name == "den_label":
            return not self.answers.reused
        if name == "aspect_reference":
            flat = values.get("aspect", "").casefold() in ("", "flat", "none", "n/a")
            return not flat and intake.aspect_reference is None
        return True

    def weighed(self, *due: str) -> Weighed:
        """Weigh the answers so far."""
        study = self.study
        area = study.area if has_place(self.values) else None
        return weigh(self.values, register=study.register, settings=study.settings, area=area, today=self.today,
                     due=due)  # fmt: skip

    def put(self, name: str, filled: dict[str, str]) -> None:
        """Take the answer to a question in place of the one before."""
        kept = {k: v for k, v in self.values.items() if k not in _WAYS.get(name, (name,))}
        if name == "coordinates":
            kept |= {k: v for k, v in self.values.items() if k.startswith("offset_")}
        self.answers.values = kept | filled

    def settle(self, name: str) -> None:
        """Count a question as done and keep the answers."""
        if name not in self.answers.done:
            self.answers.done.append(name)
        self.draft.keep(self.answers)

    def reopen(self, name: str) -> None:
        """Ask a question anew; a label that came with the place goes with it."""
        self.answers.done = [done for done in self.answers.done if done != name]
        if self.answers.reused and name in ("coordinates", "datum", "uncertainty_m", "den_label"):
            self.answers.reused = ""
            self.values.pop("den_label", None)
            self.looked = None

    def back(self, name: str) -> None:
        """Go to the question before one."""
        before = [done for done in self.names[: self.names.index(name)] if done in self.answers.done]
        if before:
            self.reopen(before[-1])
        else:
            say("This is the first question.")


def converse(talk: Talk, decide: Callable[[Talk], bool | None]) -> bool:
    """Ask until everything is answered and a person decides.

    Parameters
    ----------
    talk : Talk
        With what was given by options or kept from before.
    decide : callable
        Asked when no question is left: True to save, False to stop, None where one was reopened.

    Returns
    -------
    bool
        False where the person stops; the answers stay in the draft.
    """
    _given(talk)
    while True:
        if _look_round(talk) or _against_dem(talk):
            continue
        name = talk.next()
        if name is not None:
            _ask(talk, name)
            continue
        said = decide(talk)
        if said is not None:
            return said


def _given(talk: Talk) -> None:
    """Count what is given already as answered, but for what is wrong with it."""
    for problem in talk.weighed().problems:
        if problem.level is Level.ERROR:
            name = question_of(problem)
            say(f"Not taken: {_said(problem)}")
            talk.put(name, {})
            talk.reopen(name)
            talk.extra += () if name in talk.names else (name,)
    asked = (name for name in talk.names if answer_of(name, talk.values))
    talk.answers.done += [name for name in asked if name not in talk.answers.done]


def question_of(problem: Problem) -> str:
    """Return the question whose answer a problem is about.

    Parameters
    ----------
    problem : Problem
        Of a weighed row.

    Returns
    -------
    str
        The place, for what belongs to no column.
    """
    if problem.field in ("slope_pct", "aspect_sighted"):
        return {"slope_pct": "slope_deg", "aspect_sighted": "aspect"}[problem.field]
    return problem.field if problem.field in by_name() and problem.field not in PLACES else "coordinates"


def _ask(talk: Talk, name: str) -> None:
    """Ask one question until its answer stands, or the person goes back."""
    while True:
        present = answer_of(name, talk.values)
        text = typed(prompt(name, number=talk.number(name), present=present))
        if text == "?":
            click.echo(explained(name), err=True)
        elif text == BACK:
            talk.back(name)
            return
        else:
            if text or not present:
                talk.put(name, {} if text == "-" else columns(name, text, today=talk.today))
            if _stands(talk, name):
                talk.settle(name)
                return


def _stands(talk: Talk, name: str) -> bool:
    """Weigh the answer just given; say what is wrong or unusual, and ask what may be meant."""
    weighed = talk.weighed(name)
    if name == "coordinates" and _turned_round(talk, weighed):
        weighed = talk.weighed(name)
    about = [p for p in weighed.problems if question_of(p) in (name, *_DEPENDING.get(name, ()))]
    wrong = [p for p in about if p.level is Level.ERROR]
    if wrong:
        for problem in wrong:
            say(f"Not taken: {_said(problem)}")
        talk.put(name, {})
        return False
    fresh = [p for p in about if p.message not in talk.told and not _parted(p, talk)]
    talk.told |= {p.message for p in fresh}
    for problem in fresh:
        say(f"{'Look again' if problem.level in _DOUBTS else 'Note'}: {_said(problem)}")
    doubted = any(p.level in _DOUBTS and question_of(p) == name for p in fresh)
    return not (doubted and answer_of(name, talk.values))


def _parted(problem: Problem, talk: Talk) -> bool:
    """Tell whether a problem asks about a den that was said to be another one."""
    return problem.field == "den_label" and any(f" den {label}, " in problem.message for label in talk.answers.apart)


def _said(problem: Problem) -> str:
    hint = problem.hint.replace("Then use the column slope_pct", "Then type it with %")  # no columns in a conversation
    return problem.message + (f" ({hint})" if hint else "")


def _turned_round(talk: Talk, weighed: Weighed) -> bool:
    """Ask about a usual slip where the place lies outside the study area, or is none; tell whether it was one."""
    wrong = [p for p in weighed.problems if question_of(p) == "coordinates" and p.level is not Level.NOTE]
    other = other_reading(talk.values, talk.study.area) if wrong and talk.study.area is not None else None
    if other is None or (asked := f"{other.said} {sorted(other.columns.items())}") in talk.told:
        return False
    talk.told.add(asked)
    say(f"As typed: {wrong[0].message.rstrip('?')}. It would lie inside {other.said}")
    if not yes(f"Did you mean {_written(other)}?"):
        return False
    talk.put("coordinates", other.columns)
    return True


def _written(other: OtherReading) -> str:
    if "easting" in other.columns:
        return f"zone {other.columns['utm_zone']}"
    return said_place(other.place.longitude, other.place.latitude)


def said_place(longitude: float, latitude: float) -> str:
    """Write a place as people read it.

    Parameters
    ----------
    longitude, latitude : float
        WGS 84. [deg]

    Returns
    -------
    str
        ``44.51000 N, 118.22000 W``.
    """
    return f"{abs(latitude):.5f} {'NS'[latitude < 0]}, {abs(longitude):.5f} {'EW'[longitude < 0]}"


def _look_round(talk: Talk) -> bool:
    """Show a place once it is answered: the ground there and the nearest den; true where a question was reopened."""
    place = ("coordinates", "datum", "uncertainty_m")
    if any(name not in talk.answers.done and talk.due(name) for name in place):
        return False
    den = talk.weighed(*place).den
    if den is None or (den.longitude, den.latitude) == talk.looked:
        return False
    talk.looked, talk.compared = (den.longitude, den.latitude), None
    say(f"The place: {said_place(den.longitude, den.latitude)} (WGS 84).")
    talk.ground = ground_at(den.longitude, den.latitude, settings=talk.study.settings, folder=talk.study.folder)
    if told := said_ground(talk.ground):
        say(f"There: {told}.")
    return _neighbour(talk, den)


def _neighbour(talk: Talk, den: DenSite) -> bool:
    """Show the nearest known den, and ask whether it is this one where it may be."""
    near = nearest_den(talk.study.register, den.longitude, den.latitude)
    if near is None:
        say("No den is known yet.")
        return False
    say(f"Nearest known den: {said_near(near)}.")
    label = talk.values.get("den_label", "")
    assumed = talk.study.settings.intake.assumed_uncertainty_m
    if near.distance_m > max(_NEAR_M, assumed + (den.uncertainty_m or assumed)) or near.label in talk.answers.apart:
        return False
    if folded_label(label) == folded_label(near.label):
        return False
    return _again_or_another(talk, near)


def _again_or_another(talk: Talk, near: NearDen) -> bool:
    """Ask whether a den close by is meant; its label is taken then."""
    label, away = near.label, said_distance(near.distance_m)
    given = talk.values.get("den_label", "")
    question = f"Is it {label} again, {away} from its recorded place?"
    again = yes(question + (f" n: another den, {given}." if given else " n: another den."))
    if again is None:
        talk.back("den_label")
        talk.looked = None
        return True
    if again:
        say(f"A visit to {label}, which is recorded as {near.den_type}.")
        talk.values["den_label"] = talk.answers.reused = label
    else:
        talk.answers.apart.append(label)
    talk.draft.keep(talk.answers)
    return False


def _against_dem(talk: Talk) -> bool:
    """Hold slope and aspect against the DEM once both were asked; true where a question was reopened."""
    asked = ("aspect", "aspect_reference", "slope_deg")
    if talk.looked is None or any(name not in talk.answers.done and talk.due(name) for name in asked):
        return False
    den = talk.weighed(*asked).den
    if den is None or talk.ground.slope_deg is None or (den.slope_deg, den.aspect_deg) == talk.compared:
        return False
    talk.compared = (den.slope_deg, den.aspect_deg)
    ground, chosen = talk.ground, talk.study.settings.terrain
    say(f"The DEM says {said_shape(ground.slope_deg, ground.aspect_deg)}.")
    held = match(ground, den.slope_deg, den.aspect_deg, chosen)
    if held.slope_difference_deg is None and held.aspect_difference_deg is None:
        return False
    say(f"You read {said_shape(den.slope_deg, den.aspect_deg)}{'' if den.aspect_deg is None else ', true north'}.")
    off = _differences(held, chosen)
    if not off:
        say("They match.")
        return False
    say(f"They differ: {' and '.join(off)}. A den may differ from the slope round it; a slip of the compass, too.")
    return _read_again(talk, slope=held.slope_off, aspect=held.aspect_off)


def _differences(held: Match, chosen: TerrainSettings) -> list[str]:
    """Say what differs by more than the study's tolerances."""
    return [
        f"the {what} by {abs(difference):.0f} deg (the study allows {allowed:g})"
        for what, difference, flagged, allowed in (
            ("slope", held.slope_difference_deg, held.slope_off, chosen.slope_tolerance_deg),
            ("aspect", held.aspect_difference_deg, held.aspect_off, chosen.aspect_tolerance_deg),
        )
        if flagged and difference is not None
    ]


def _read_again(talk: Talk, *, slope: bool, aspect: bool) -> bool:
    """Ask whether what was read at the den stands; reopen what differs where it does not."""
    if yes("Is yours right, as read at the den?"):
        return False
    for name in (*(("aspect", "aspect_reference") if aspect else ()), *(("slope_deg",) if slope else ())):
        talk.reopen(name)
    talk.compared = None
    return True
