"""What the crews wrote of each handling: times, drugs, readings, cubs, checks afterwards, and permits."""

from __future__ import annotations

import datetime as dt

import numpy as np
from bears import LINES, OBSERVERS, TRAGUS_EXTRA, Bear, Event, eyes_of, teeth_of
from slips import Row

BLOOD_APART = 2024  # from this winter on blood needs a permit of its own
CLOCKS_CHANGE = dt.date(2019, 3, 10)  # a visit in the night in which the clocks were set forward
# Volumes are the same for every animal, whatever her mass: numbers without meaning, never to be used.
VOLUMES = {"agent A": "1.11", "agent B": "2.22", "top up": "0.33", "antagonist A": "3.33"}
AUTHORITY, STUDY, SPECIES = "Ondra Basin Wildlife Board", "Ondra Basin bear study", "black bear"
TRAPPING = "immobilise; fit collar; ear tag; transponder; lip tattoo; draw tooth"
DENNING = "immobilise; fit collar; ear tag; transponder; lip tattoo; hair; tissue; handle cubs"
STEPS = ("darted", "down", "first_handled", "last_handled", "reversed", "head_up", "left")
# Shortest and longest time since the step before, in minutes: in a trap, in a den.
MINUTES = {
    "darted": (8, 25), "down": (5, 12), "first_handled": (2, 6), "last_handled": (32, 58), "reversed": (1, 4),
    "head_up": (5, 14), "left": (6, 20),
}  # fmt: skip


def winter_permit(winter: int, *, blood: bool) -> str:
    """Permits under which a den visit was made."""
    return f"DV-{winter}; BL-{winter}" if blood and winter >= BLOOD_APART else f"DV-{winter}"


def make_permits(bears: list[Bear]) -> list[Row]:
    """One permit a year for trapping, one for den visits, and in later winters one for blood."""
    years = range(min(b.first_winter for b in bears), max(b.last_winter for b in bears) + 1)
    rows = []
    for winter in years:
        months = {"valid_from": f"{winter - 1}-06-01", "valid_to": f"{winter - 1}-10-31", "months": "6; 7; 8; 9; 10"}
        rows.append(months | {"permit": f"TR-{winter - 1}", "max_animals": "40", "procedures": TRAPPING})
        months = {"valid_from": f"{winter - 1}-12-01", "valid_to": f"{winter}-04-30", "months": "12; 1; 2; 3; 4"}
        apart = winter >= BLOOD_APART
        rows.append(months | {
            "permit": f"DV-{winter}", "max_animals": "15", "max_cubs": "45",
            "procedures": DENNING + ("" if apart else "; blood"),
        })  # fmt: skip
        if apart:
            rows.append(months | {"permit": f"BL-{winter}", "max_animals": "15", "procedures": "blood"})
    return [row | {"authority": AUTHORITY, "holder": STUDY, "species": SPECIES} for row in rows]


def moments(event: Event, night: dt.date, rng: np.random.Generator) -> dict[str, dt.datetime]:
    """Times of a handling in order, as a clock that is never set would show them."""
    hour, minute = int(rng.integers(7, 14)), int(rng.integers(0, 60))
    if event.day == CLOCKS_CHANGE:
        hour, minute = 1, 2
    elif event.day == night and event.in_den:
        hour, minute = 23, 5
    at = {"approached": dt.datetime.combine(event.day, dt.time(hour, minute))}
    for step in STEPS:
        low, high = MINUTES[step]
        at[step] = list(at.values())[-1] + dt.timedelta(minutes=int(rng.integers(low, high + 1)))
    return at


def clock(at: dt.datetime) -> str:
    """The time as the clock at the den shows it: an hour more once the clocks are set forward at 2:00."""
    if at.date() == CLOCKS_CHANGE and at.hour >= 2:
        at += dt.timedelta(hours=1)
    return f"{at:%H:%M}"


def make_handling(bear: Bear, event: Event, at: dict[str, dt.datetime], rng: np.random.Generator) -> Row:
    """One handling; masses and measures are plausible, with no truth behind them."""
    mass = max(48.0, bear.mass + float(rng.normal(4 if not event.in_den else 0, 4)))
    row = {step: clock(moment) for step, moment in at.items()}
    cubs = event.litter.cubs if event.litter else ()
    blood = event.in_den and bool(rng.random() < 0.6)
    row |= {
        "animal": event.female, "date": event.day.isoformat(), "den_label": event.den,
        "permit": winter_permit(event.winter, blood=blood) if event.in_den else f"TR-{event.day.year}",
        "procedures": procedures(bear, event, blood=blood),
        "estimated_mass_kg": f"{5 * round(mass * rng.normal(1, 0.08) / 5)}", "mass_kg": f"{mass:.1f}",
        "eyes_lubricated": "yes", "eyes_covered": "yes" if rng.random() < 0.97 else "no", "airway_checked": "yes",
        "condition_score": f"{np.clip(round(3 + (mass - 76) / 14 + rng.normal(0, 0.4)), 1, 5)}",
        "lactating": ("yes" if rng.random() < 0.95 else "not known") if cubs else "no" if event.yearlings else "",
        "injuries": "none" if rng.random() < 0.9 else "old scar on the left shoulder",
        "zygomatic_mm": f"{172 + 0.4 * (mass - 76) + rng.normal(0, 4):.0f}",
        "body_length_cm": f"{146 + 0.45 * (mass - 76) + rng.normal(0, 4):.0f}",
        "girth_cm": f"{88 + 0.5 * (mass - 76) + rng.normal(0, 2.5):.0f}",
        "cubs_counted": f"{len(cubs)}" if event.in_den else "",
        "observer": str(rng.choice(OBSERVERS)), "notes": "with yearlings" if event.yearlings else "",
    }  # fmt: skip
    return row


def procedures(bear: Bear, event: Event, *, blood: bool) -> str:
    """What was done, in the words of the permits; marks add theirs later."""
    done = ["immobilise"]
    if not event.in_den:
        done += ["fit collar", "ear tag", "transponder", "lip tattoo", "draw tooth" if bear.tooth_age else ""]
    done += ["hair" if event.in_den else "", "blood" if blood else ""]
    if event.litter and event.litter.reached:
        done += ["handle cubs", "tissue"]
    return "; ".join(word for word in done if word)


def make_drugs(event: Event, at: dict[str, dt.datetime], rng: np.random.Generator) -> list[Row]:
    """Two agents with the dart, in one handling of ten a top-up, and the antagonist."""
    year = event.day.year % 100
    first, later = ("pole", "hand") if event.in_den else ("dart", "hand")
    given = [("darted", "agent A", f"LOT-A{year}", "agent A", first, "immobilise"),
             ("darted", "agent B", f"LOT-B{year}", "agent B", first, "immobilise")]  # fmt: skip
    if rng.random() < 0.1:
        given.append(("first_handled", "agent A", f"LOT-A{year}", "top up", later, "top up"))
    given.append(("reversed", "antagonist A", f"LOT-R{year}", "antagonist A", later, "reverse"))
    return [
        {
            "animal": event.female, "date": event.day.isoformat(), "given": clock(at[step]), "drug": drug, "lot": lot,
            "planned_ml": VOLUMES[volume], "volume_ml": VOLUMES[volume], "route": route, "drug_purpose": purpose,
        }
        for step, drug, lot, volume, route, purpose in given
    ]  # fmt: skip


def make_readings(event: Event, at: dict[str, dt.datetime], rng: np.random.Generator) -> list[Row]:
    """A reading every four to nine minutes, once in fifty after 12 to 20, on smooth, invented courses."""
    warm, fast, breath = rng.normal(36.5 if event.in_den else 38.3, 0.4), rng.normal(62, 8), rng.normal(14, 3)
    cooling, slowing, rows = rng.normal(-0.010, 0.005), rng.normal(-0.12, 0.05), []
    moment = at["first_handled"] + dt.timedelta(minutes=1)
    while moment < at["head_up"]:
        since = (moment - at["first_handled"]).total_seconds() / 60
        rows.append({
            "animal": event.female, "date": event.day.isoformat(), "read": clock(moment),
            "heart_rate": f"{max(20.0, fast + slowing * since + rng.normal(0, 1)):.0f}",
            "respiration": f"{max(4.0, breath + 0.03 * since + rng.normal(0, 0.7)):.0f}",
            "temperature_c": f"{warm + cooling * since + rng.normal(0, 0.05):.1f}",
            "thermometer": "rectal by hand" if event.day.year < 2022 else "rectal deep",
            "spo2_pct": f"{min(99.0, 94 + 0.03 * since + rng.normal(0, 1)):.0f}", "airway": "clear",
            "mucous_colour": "pink", "refill_s": str(rng.choice(["1", "1.5", "2"])),
            "action": "head raised" if rng.random() < 0.03 else "",
        })  # fmt: skip
        low, high = (12, 21) if rng.random() < 0.02 else (4, 10)
        moment += dt.timedelta(minutes=int(rng.integers(low, high)))
    return rows


def read_to(value: float, step: float) -> str:
    """A measurement to the step that the crew's instrument shows."""
    return f"{round(value / step) * step:.{0 if step >= 1 else 1}f}"


def make_cub_rows(event: Event, sheet: Row, codes: list[str], rng: np.random.Generator) -> list[Row]:
    """The lines of the cubs; labels of samples come later."""
    litter = event.litter
    if litter is None:
        return []
    age, rows = (event.day - litter.born).days, []
    looked = rng.random() < 0.85
    for cub, code in zip(litter.cubs, codes, strict=True):
        row = {
            "den_label": event.den, "date": event.day.isoformat(), "female": event.female, "cub_no": f"{cub.number}",
            "born_on": litter.born.isoformat() if litter.known else "", "observer": sheet["observer"],
            "born_known_by": "camera" if litter.known else "",
        }  # fmt: skip
        if not litter.reached:
            rows.append(row | {"sex": "unknown", "notes": "felt by hand, too deep to take out"})
            continue
        row |= {"cub_id": cub.name, "sex": "male" if cub.male else "female", "eyes": eyes_of(litter, age)}
        row |= {"teeth": teeth_of(litter, age) if looked else "", "dead": "yes" if cub.dead else "no"}
        row |= measures(cub.sizes, litter.ear_landmark, rng)
        row |= {
            "transponder": code, "minutes_out": f"{rng.integers(6, 27)}",
            "scent_masked": "yes" if rng.random() < 0.9 else "no",
            "state_back": "dead" if cub.dead else str(rng.choice(["quiet, warm", "loud, warm", "warm, sucking"])),
        }  # fmt: skip
        rows.append(row)
    return rows


def measures(sizes: dict[str, float], landmark: str, rng: np.random.Generator) -> Row:
    """What was measured on a cub; here and there a cell stayed empty."""
    missing = {"hair_mm": 0.04, "ear_mm": 0.04, "zygomatic_mm": 0.2, "mass_g": 0.02}
    row = {}
    for what, line in LINES.items():
        extra = TRAGUS_EXTRA if what == "ear_mm" and landmark == "tragus to tip" else 0
        row[what] = "" if rng.random() < missing[what] else read_to(sizes[what] + extra, line.step)
    row["ear_landmark"] = landmark if row["ear_mm"] else ""
    row["hair_landmark"] = "top of skull" if row["hair_mm"] else ""
    return row


def make_check(event: Event, rng: np.random.Generator) -> Row:
    """A check one to three days after the visit; a few females had moved."""
    day = event.day + dt.timedelta(days=int(rng.integers(1, 4)))
    at_den = str(rng.choice(["yes", "no", "not known"], p=[0.9, 0.06, 0.04]))
    heard = str(rng.choice(["yes", "not known", "no"], p=[0.6, 0.3, 0.1])) if event.litter and at_den == "yes" else ""
    return {
        "den_label": event.den, "date": event.day.isoformat(), "animal": event.female, "checked_on": day.isoformat(),
        "checked": f"{rng.integers(9, 17):02d}{':' if rng.random() < 0.95 else ''}{rng.integers(0, 12) * 5:02d}",
        "checked_by": str(rng.choice(["gps", "vhf", "listening", "camera"], p=[0.4, 0.3, 0.2, 0.1])),
        "at_den": at_den, "moved_m": f"{10 * rng.integers(6, 90)}" if at_den == "no" else "", "cubs_heard": heard,
        "action": "watched for two more days" if at_den == "no" else "", "observer": str(rng.choice(OBSERVERS)),
    }  # fmt: skip
