"""Slips planted in the files of the animals' side, each in a row of an animal of its own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from slips import Row

Records = dict[str, list[Row]]
Fits = Callable[[Records, Row], bool]
Change = Callable[[Records, Row], None]
TOO_HEAVY = 85_000  # a cub's mass in grams that is more than its mother's
POUNDS, INCHES = 2.2046, 2.54
HELD_BACK = ("D-2018-12", "D-2026-20")  # dens whose own rows wait for a person, and with them those of the animals


@dataclass(frozen=True)
class Plan:
    """A slip to come: in which file, of what kind, which rows it fits and how it changes one."""

    kind: str
    slip: str
    field: str
    what: str
    level: str
    fits: Fits
    change: Change
    along: float  # how far down the list of fitting rows


def put(**cells: str) -> Change:
    """Overwrite cells of the row."""
    return lambda _, row: row.update(cells)


def has(**cells: str) -> Fits:
    """Rows with these cells."""
    return lambda _, row: all(row.get(name, "") == text for name, text in cells.items())


def both(*tests: Fits) -> Fits:
    """Rows that pass all tests."""
    return lambda rows, row: all(test(rows, row) for test in tests)


def filled(*names: str) -> Fits:
    """Rows in which none of these cells is empty."""
    return lambda _, row: all(row.get(name) for name in names)


def like(rows: Records, kind: str, row: Row, *names: str) -> list[Row]:
    """Rows of a kind with the same cells as a row, itself left out."""
    return [r for r in rows[kind] if r is not row and all(r.get(n, "") == row.get(n, "") for n in names)]


def sheet_of(rows: Records, row: Row) -> Row:
    """The handling to which a row belongs."""
    animal = row.get("animal") or row["female"]
    return next(r for r in rows["handling"] if r["animal"] == animal and r["date"] == row["date"])


def owner(rows: Records, row: Row) -> str:
    """The female whose row it is, or whose cub's; blank for a permit."""
    if "animal" not in row and "female" not in row and "sample_label" in row:
        row = next(r for r in rows["sample"] if r["sample_label"] == row["sample_label"])
    return (row.get("animal") or row.get("female") or "")[:6]


def shifted(text: str, minutes: int) -> str:
    """A clock time some minutes later."""
    return f"{dt.datetime.strptime(text, '%H:%M') + dt.timedelta(minutes=minutes):%H:%M}"


def by_day(_: Records, row: Row) -> bool:
    """Handlings that neither pass midnight nor meet the change of clocks."""
    return "04:00" < row["approached"] < row["left"]


def past_midnight(_: Records, row: Row) -> bool:
    """The handling whose last times are of the next day."""
    return row["left"] < row["approached"]


def plain_cub(_: Records, row: Row) -> bool:
    """Cubs that were measured and whose birth date is not known: the calibration's cubs stay clean."""
    return bool(row.get("cub_id") and row["mass_g"] and row["hair_mm"] and not row["born_on"])


def light_mother(rows: Records, row: Row) -> bool:
    """Cubs of a mother lighter than the mass that is typed."""
    return float(sheet_of(rows, row)["mass_kg"]) < 0.95 * TOO_HEAVY / 1000


def second_chip(rows: Records, row: Row) -> bool:
    """Second cubs with a transponder after first cubs with one."""
    litter = like(rows, "cub", row, "den_label", "date")
    return (
        row["cub_no"] == "2"
        and bool(row["transponder"])
        and any(r["cub_no"] == "1" and r["transponder"] for r in litter)
    )


def same_chip(rows: Records, row: Row) -> None:
    """The second cub gets the first one's transponder."""
    first = next(r for r in like(rows, "cub", row, "den_label", "date") if r["cub_no"] == "1")
    row["transponder"] = first["transponder"]


def one_digit_off(_: Records, row: Row) -> None:
    """The last digit misread."""
    row["mark_code"] = row["mark_code"][:-1] + str((int(row["mark_code"][-1]) + 1) % 10)


def transposed(_: Records, row: Row) -> None:
    """The last two digits that differ change places."""
    code = row["mark_code"]
    i = next(i for i in range(len(code) - 2, 0, -1) if code[i] != code[i + 1])
    row["mark_code"] = code[:i] + code[i + 1] + code[i] + code[i + 2 :]


def read_once(rows: Records, row: Row) -> bool:
    """Transponders put on and never read again, after one that was put on another animal before."""
    return not like(rows, "mark", row, "animal", "mark_kind") and earlier_chip(rows, row) is not None


def earlier_chip(rows: Records, row: Row) -> Row | None:
    """The transponder put on last before a row."""
    before = rows["mark"][: next(i for i, r in enumerate(rows["mark"]) if r is row)]
    return next((r for r in before[::-1] if has(mark_kind="transponder", mark_event="put on")(rows, r)), None)


def chip_of_another(rows: Records, row: Row) -> None:
    """The number typed from the animal before."""
    row["mark_code"] = (earlier_chip(rows, row) or row)["mark_code"]


def other_ear(rows: Records, row: Row) -> list[Row]:
    """The other ear's tag as seen on the same day."""
    return [r for r in like(rows, "mark", row, "animal", "date", "mark_kind", "mark_event") if r["side"] == "right"]


def swap_ears(rows: Records, row: Row) -> None:
    """The two tags of a day change sides."""
    other_ear(rows, row)[0]["side"], row["side"] = "left", "right"


def replaced(rows: Records, row: Row) -> list[Row]:
    """The collar that came off when this one was put on."""
    return [r for r in like(rows, "mark", row, "animal", "date", "mark_kind") if r["mark_event"] == "removed"]


def keep_old_collar(rows: Records, row: Row) -> None:
    """The line of the old collar's removal was forgotten."""
    gone = replaced(rows, row)[0]
    rows["mark"][:] = [r for r in rows["mark"] if r is not gone]


def turned_tattoo(rows: Records, row: Row) -> bool:
    """Tattoos whose last two digits turned round are another female's."""
    code = row["mark_code"]
    turned = code[:2] + code[:1:-1]
    return turned != code and any(r["mark_code"] == turned for r in rows["mark"])


def turn_tattoo(_: Records, row: Row) -> None:
    """The last two digits of the tattoo change places."""
    row["mark_code"] = row["mark_code"][:2] + row["mark_code"][:1:-1]


def first_reading(rows: Records, row: Row) -> bool:
    """First readings of a handling by day."""
    same = [r for r in rows["reading"] if r["animal"] == row["animal"] and r["date"] == row["date"]]
    return same[0] is row and by_day(rows, sheet_of(rows, row))


def in_skipped_hour(rows: Records, row: Row) -> bool:
    """Readings after the clocks were set forward."""
    return "03:00" <= row["read"] < "04:00" and bool(sheet_of(rows, row)["den_label"])


def last_year(text: str) -> str:
    """The same day a year before."""
    return f"{int(text[:4]) - 1}{text[4:]}"


def count_more(_: Records, row: Row) -> None:
    """One cub more than has a line."""
    row["cubs_counted"] = str(int(row["cubs_counted"]) + 1)


def tissue_is(tissue: str) -> Fits:
    """Rows on a sample of a tissue."""
    return lambda rows, row: any(r["tissue"] == tissue for r in like(rows, "sample", row, "sample_label"))


def label_before(rows: Records, row: Row) -> Row | None:
    """The sample of the same tissue and year before."""
    before = rows["sample"][: next(i for i, r in enumerate(rows["sample"]) if r is row)]
    return next((r for r in before[::-1] if r["sample_label"][:3] == row["sample_label"][:3]), None)


def double_label(rows: Records, row: Row) -> None:
    """The label of the sample before is written again."""
    row["sample_label"] = (label_before(rows, row) or row)["sample_label"]


def lose_shipment(rows: Records, row: Row) -> None:
    """The line of the shipment was forgotten."""
    rows["custody"][:] = [
        r for r in rows["custody"] if r["sample_label"] != row["sample_label"] or r["step"] != "shipped"
    ]  # fmt: skip


def uses(rows: Records, row: Row) -> int:
    """Handlings under a permit."""
    return sum(row["permit"] in r["permit"].split("; ") for r in rows["handling"])


def allow_fewer(rows: Records, row: Row) -> None:
    """Two animals fewer allowed than were handled."""
    row["max_animals"] = str(uses(rows, row) - 2)


def in_den(_: Records, row: Row) -> bool:
    """Handlings at a den by day under the winter's permit alone."""
    return bool(row["den_label"]) and by_day(_, row) and ";" not in row["permit"]


IN_DEN = both(in_den, has(cubs_counted="2"))
SEEN_CHIP = has(mark_kind="transponder", mark_event="seen")
PLANS = (  # those that few rows fit come first
    Plan("handling", "past midnight", "left", "its last times are of the next day", "note", past_midnight,
         lambda _, __: None, 0.0),
    Plan("reading", "time that the clock skipped", "read", "in the hour that the clocks left out on 10 March 2019",
         "error", in_skipped_hour, lambda _, row: row.update(read=f"02{row['read'][2:]}"), 0.0),
    Plan("permit", "more animals than the permit allows", "max_animals", "two more were handled than it allows",
         "warning", lambda rows, row: row["permit"][:2] == "DV" and uses(rows, row) > 4, allow_fewer, 0.3),
    Plan("animal", "unknown age class", "age_class", "'coy' is no age class here", "error",
         lambda _, row: bool(row.get("dam")) and not row["born_on"], put(age_class="coy"), 0.2),
    Plan("mark", "one digit off", "mark_code", "the last digit of her transponder is misread", "warning", SEEN_CHIP,
         one_digit_off, 0.1),
    Plan("mark", "transposed digits", "mark_code", "two digits of her transponder changed places", "warning",
         SEEN_CHIP, transposed, 0.6),
    Plan("mark", "one transponder on two animals", "mark_code", "the transponder of the female marked before her",
         "warning", both(has(mark_kind="transponder", mark_event="put on"), read_once), chip_of_another, 0.5),
    Plan("mark", "left and right tags swapped", "side", "both tags of the day stand under the wrong ear", "warning",
         both(has(mark_kind="ear tag", mark_event="seen", side="left"), lambda rows, row: bool(other_ear(rows, row))),
         swap_ears, 0.4),
    Plan("mark", "two collars", "mark_code", "a collar put on while the old one was neither lost nor removed",
         "warning", both(has(mark_kind="collar", mark_event="put on"), lambda rows, row: bool(replaced(rows, row))),
         keep_old_collar, 0.5),
    Plan("mark", "tattoo of another animal", "mark_code", "the tattoo, with two digits changed round, is another's",
         "warning", both(has(mark_kind="lip tattoo", mark_event="seen"), turned_tattoo), turn_tattoo, 0.5),
    Plan("handling", "litter count against cub rows", "cubs_counted", "one cub more counted than has a row",
         "warning", IN_DEN, count_more, 0.1),
    Plan("handling", "head up before down", "head_up", "head up four minutes before she was down", "confirm", IN_DEN,
         lambda _, row: row.update(head_up=shifted(row["down"], -4)), 0.3),
    Plan("handling", "pounds in the kilograms column", "mass_kg", "the mass is in pounds", "warning",
         lambda _, row: by_day(_, row) and float(row["mass_kg"]) > 92,
         lambda _, row: row.update(mass_kg=f"{float(row['mass_kg']) * POUNDS:.0f}"), 0.5),
    Plan("handling", "inches in the centimetres column", "girth_cm", "the girth is in inches", "warning", in_den,
         lambda _, row: row.update(girth_cm=f"{float(row['girth_cm']) / INCHES:.0f}"), 0.5),
    Plan("handling", "no permit", "permit", "the permit is empty", "warning", in_den, put(permit=""), 0.6),
    Plan("handling", "permit of another year", "permit", "handled outside the permit's dates", "warning",
         lambda _, row: in_den(_, row) and row["date"] > "2020",
         lambda _, row: row.update(permit=f"DV-{int(row['permit'][3:]) - 1}"), 0.5),
    Plan("handling", "procedure not on the permit", "procedures", "the permit does not allow to draw a tooth",
         "warning", in_den, lambda _, row: row.update(procedures=f"{row['procedures']}; draw tooth"), 0.8),
    Plan("drug", "another spelling of the id", "animal", "the id in small letters with a blank for the dash", "note",
         has(drug="agent B"), lambda _, row: row.update(animal=row["animal"].lower().replace("-", " ")), 0.6),
    Plan("reading", "reading before darting", "read", "seven minutes before she was darted", "warning", first_reading,
         lambda rows, row: row.update(read=shifted(sheet_of(rows, row)["darted"], -7)), 0.4),
    Plan("reading", "Fahrenheit in the Celsius column", "temperature_c", "98.6 is in degrees Fahrenheit", "warning",
         filled("temperature_c"), put(temperature_c="98.6"), 0.7),
    Plan("cub", "empty sex", "sex", "the sex is empty", "error", plain_cub, put(sex=""), 0.1),
    Plan("cub", "unknown den label", "den_label", "no den has this label", "error", plain_cub,
         lambda _, row: row.update(den_label=f"{row['den_label'][:-2]}99"), 0.2),
    Plan("cub", "unknown tooth", "teeth", "'k9' is no tooth", "error", both(plain_cub, filled("teeth")),
         lambda _, row: row.update(teeth=f"{row['teeth']} k9"), 0.35),
    Plan("cub", "cub heavier than its mother", "mass_g", "85000 g", "confirm", both(plain_cub, light_mother),
         put(mass_g=str(TOO_HEAVY)), 0.45),
    Plan("cub", "kilograms in the grams column", "mass_g", "the mass is in kilograms", "warning", plain_cub,
         lambda _, row: row.update(mass_g=f"{float(row['mass_g']) / 1000:.2f}"), 0.6),
    Plan("cub", "hair without landmark", "hair_landmark", "where the hair was measured is not said", "warning",
         plain_cub, put(hair_landmark=""), 0.75),
    Plan("cub", "two cubs with one transponder", "transponder", "the transponder of the cub before", "warning",
         both(plain_cub, second_chip), same_chip, 0.8),
    Plan("check", "date before the den", "date", "the visit is dated a year before the den was found", "warning",
         lambda _, row: row["den_label"][2:6] == row["date"][:4],
         lambda _, row: row.update(date=last_year(row["date"])), 0.7),
    Plan("custody", "custody gap", "from_whom", "received from a courier to whom nobody gave it", "warning",
         both(has(step="received"), tissue_is("hair")), lose_shipment, 0.3),
    Plan("custody", "repeated row", "sample_label", "an exact copy of an earlier row of the file", "note",
         has(step="stored"), lambda _, __: None, 0.5),
    Plan("result", "result without a sample", "sample_label", "the last digit of the label stands twice", "warning",
         both(has(determination="sex"), tissue_is("hair")),
         lambda _, row: row.update(sample_label=row["sample_label"] + row["sample_label"][-1]), 0.5),
    Plan("sample", "sample label twice", "sample_label", "the label of another animal's sample", "confirm",
         both(has(tissue="blood"), lambda rows, row: label_before(rows, row) is not None), double_label, 0.6),
)  # fmt: skip


def plant(rows: Records) -> list[tuple[Plan, Row]]:
    """Change the rows; returns each slip with its row."""
    taken = {row["animal"] for row in rows["handling"] if row["den_label"] in HELD_BACK}
    hits = list[tuple[Plan, Row]]()
    for plan in PLANS:
        fit = [r for r in rows[plan.kind] if plan.fits(rows, r) and owner(rows, r) not in taken]
        row = fit[int(plan.along * (len(fit) - 1))]
        taken |= {owner(rows, row)} - {""}
        plan.change(rows, row)
        hits.append((plan, twin(rows, row) if plan.slip == "repeated row" else row))
    return sorted(hits, key=lambda hit: list(rows).index(hit[0].kind))


def twin(rows: Records, row: Row) -> Row:
    """A copy of a custody row at the end of the file."""
    rows["custody"].append(dict(row))
    return rows["custody"][-1]
