"""The demo's animals' side as plain files: it holds what truth.json says, and its slips stand where slips.csv says."""

import csv
import datetime as dt
import itertools
import json
import math
import statistics
import sys
from collections import Counter, defaultdict

import numpy as np
import pytest
import statsmodels.api as sm

from densite.animals import read_teeth
from densite.animalterms import KINDS
from densite.demo import demo_source, make_demo
from densite.terms import spelled

SOURCE = demo_source()
FILES = {"custody.csv" if name == "custody" else f"{name}s.csv": kind for name, kind in KINDS.items()}
HELD_BACK_DENS = {"D-2018-12", "D-2026-20"}  # their own rows wait for a person


def rows_of(name: str) -> list[dict[str, str]]:
    """Read a file, its headings turned into term names, each row with its line."""
    terms = {spelled(h): t.name for t in FILES[name].terms for h in (*t.also, t.heading, t.name)}
    with (SOURCE / "bears" / name).open(encoding="utf-8", newline="") as file:
        heads, *rows = csv.reader(file)
    return [
        {terms[spelled(h)]: cell for h, cell in zip(heads, row, strict=True)} | {"line": str(i)}
        for i, row in enumerate(rows, 2)
    ]


@pytest.fixture(scope="module")
def rows() -> dict[str, list[dict[str, str]]]:
    """All files by name."""
    return {name: rows_of(name) for name in FILES}


@pytest.fixture(scope="module")
def truth() -> dict:
    """What was put in on the animals' side."""
    return json.loads((SOURCE / "truth.json").read_text(encoding="utf-8"))["bears"]


def slips() -> list[dict[str, str]]:
    """Read the slips planted on the animals' side."""
    with (SOURCE / "slips.csv").open(encoding="utf-8", newline="") as file:
        return [slip for slip in csv.DictReader(file) if slip["file"] in FILES]


SLIPPED = {(slip["file"], slip["line"]) for slip in slips()}


def clean(rows: dict[str, list[dict[str, str]]], name: str) -> list[dict[str, str]]:
    """Return the rows of a file that hold no planted slip."""
    return [row for row in rows[name] if (name, row["line"]) not in SLIPPED]


def grown(rows, truth) -> list[dict[str, float]]:
    """Return the cubs measured with the usual landmarks, with age [d] from the true birth date and sizes."""
    found = []
    for row in clean(rows, "cubs.csv"):
        visit = f"{row['den_label']}/{row['date']}"
        age = (dt.date.fromisoformat(row["date"]) - dt.date.fromisoformat(truth["litters"][visit]["born_on"])).days
        sizes = {n: float(row[n]) for n in ("hair_mm", "ear_mm", "zygomatic_mm", "mass_g") if row[n]}
        if row["ear_landmark"] != truth["growth"]["ear_landmark"]:
            sizes.pop("ear_mm", None)
        found.append({"visit": visit, "age": age, "eyes": row["eyes"], "teeth": row["teeth"]} | sizes)
    return found


def test_files_and_headings_are_known(rows, truth) -> None:
    """One file a kind, every heading a term of its kind; as many rows as the truth says; small in all."""
    assert {path.name for path in (SOURCE / "bears").iterdir()} == set(FILES)
    assert {name: len(rows[name]) for name in FILES} == truth["rows"]
    assert sum(path.stat().st_size for path in (SOURCE / "bears").iterdir()) < 600_000
    for name, kind in FILES.items():
        assert set(kind.needed) <= set(rows[name][0])
        for term in kind.terms:
            cells = {row.get(term.name, "") for row in clean(rows, name)} - {""}
            assert not term.choices or cells <= set(term.choices), term.name


def test_some_crews_have_other_headings() -> None:
    """Headings that stand among the terms' other headings, none of them the term's name."""
    for name in ("readings.csv", "checks.csv"):
        heads = (SOURCE / "bears" / name).read_text(encoding="utf-8").splitlines()[0].split(",")
        assert not set(heads) & {term.name for term in FILES[name].terms}
        assert {spelled(h) for h in heads} <= {spelled(h) for t in FILES[name].terms for h in (*t.also, t.heading)}


def den_visits() -> set[tuple[str, str]]:
    """Gather the den visits of the crew files as den label and day, from whichever kind of file."""
    found = set()
    for path in (SOURCE / "crew").glob("winter-*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            heads, *rows = csv.reader(file)
        at = [next(i for i, h in enumerate(heads) if h in names) for names in (LABELS, DAYS)]
        found |= {(row[at[0]], row[at[1]]) for row in rows}
    for feature in json.loads((SOURCE / "crew" / "winter-2024.geojson").read_text(encoding="utf-8"))["features"]:
        found.add((feature["properties"]["den_label"], feature["properties"]["date"]))
    lines = (SOURCE / "crew" / "winter-2025.gpx").read_text(encoding="utf-8").splitlines()
    for day, label in itertools.pairwise(lines):
        if "<time>" in day:
            found.add((label.split(">")[1].split("<")[0], day.split(">")[1][:10]))
    return found


LABELS, DAYS = {"den_label", "Den No", "Site"}, {"date", "Day", "Visited"}


def test_every_visit_in_march_was_a_handling(rows) -> None:
    """Handlings in dens are the crew files' visits in March, one each; every other row belongs to one of them."""
    march = {visit for visit in den_visits() if visit[1][5:7] == "03"}
    handled = [(row["den_label"], row["date"]) for row in rows["handlings.csv"] if row["den_label"]]
    assert len(handled) == len(set(handled)) == 79
    assert set(handled) == march
    for name in ("cubs.csv", "checks.csv"):
        assert {(row["den_label"], row["date"]) for row in clean(rows, name)} <= set(handled)
    events = {(row["animal"], row["date"]) for row in rows["handlings.csv"]}
    for name in ("drugs.csv", "readings.csv"):
        assert {(row["animal"], row["date"]) for row in clean(rows, name)} == events


def test_dens_whose_rows_are_held_back_carry_no_slip(rows) -> None:
    """Their animals' rows wait anyway, so that a slip there would be told too early or not at all."""
    for slip in slips():
        row = next(r for r in rows[slip["file"]] if r["line"] == slip["line"])
        assert row.get("den_label") not in HELD_BACK_DENS


def test_litter_sizes_and_sexes(rows, truth) -> None:
    """Mean litter size and share of males within three standard errors; size does not follow the gradient."""
    sizes = [litter["cubs"] for litter in truth["litters"].values()]
    shares = {int(size): p for size, p in truth["litter_size_probability"].items()}
    mean = sum(size * p for size, p in shares.items())
    spread = math.sqrt(sum((size - mean) ** 2 * p for size, p in shares.items()))
    assert mean == pytest.approx(truth["litter_size_mean"])
    assert abs(statistics.mean(sizes) - mean) < 3 * spread / math.sqrt(len(sizes))
    fit = sm.OLS(sizes, sm.add_constant([litter["g"] for litter in truth["litters"].values()])).fit()
    assert abs(fit.params[1]) < 3 * fit.bse[1]
    sexes = Counter(row["sex"] for row in clean(rows, "cubs.csv"))
    known = sexes["male"] + sexes["female"]
    assert abs(sexes["male"] / known - truth["male_probability"]) < 3 * math.sqrt(0.25 / known)


def test_cub_rows_make_up_the_litters(rows, truth) -> None:
    """As many rows as cubs born, numbered from 1, and counted so; but for planted slips."""
    numbers = defaultdict(list)
    for row in rows["cubs.csv"]:
        numbers[(row["female"], row["date"])].append(int(row["cub_no"]))
    counted = {(row["animal"], row["date"]): row["cubs_counted"] for row in clean(rows, "handlings.csv")}
    assert sum(map(len, numbers.values())) == sum(litter["cubs"] for litter in truth["litters"].values())
    for event, found in numbers.items():
        assert found == list(range(1, len(found) + 1))
        assert counted.get(event, str(len(found))) == str(len(found))
    assert Counter(text for event, text in counted.items() if event not in numbers).keys() == {"", "0"}


def test_birth_dates_come_earlier_along_the_gradient(truth) -> None:
    """The planted shift lies within three standard errors, and is told from none."""
    put, litters = truth["birth_date"], list(truth["litters"].items())
    days = [
        (dt.date.fromisoformat(told["born_on"]) - dt.date(int(key[-10:-6]), 1, 1)).days + 1 for key, told in litters
    ]
    fit = sm.OLS(days, sm.add_constant([told["g"] for _, told in litters])).fit()
    assert abs(fit.params[1] - put["days_per_g"]) < 3 * fit.bse[1]
    assert abs(fit.params[0] - put["day_at_g_0"]) < 3 * fit.bse[0]
    assert fit.pvalues[1] < 0.05
    assert math.sqrt(fit.scale) == pytest.approx(put["sd_days"], rel=0.3)


def test_known_birth_dates_are_the_true_ones(rows, truth) -> None:
    """About twenty litters over all winters, enough measured cubs for a calibration."""
    known = {key for key, told in truth["litters"].items() if told["known_from_camera"]}
    assert 18 <= len(known) <= 25
    assert len({key[-10:-6] for key in known}) >= 7
    told = {f"{row['den_label']}/{row['date']}": row["born_on"] for row in clean(rows, "cubs.csv") if row["born_on"]}
    assert told == {key: truth["litters"][key]["born_on"] for key in known}
    assert {row["born_known_by"] for row in rows["cubs.csv"] if row["born_on"]} == {"camera"}
    ages = [cub["age"] for cub in grown(rows, truth) if cub["visit"] in known and {"hair_mm", "ear_mm"} <= set(cub)]
    assert len(ages) >= 35
    assert max(ages) - min(ages) > 35


@pytest.mark.parametrize("size", ["hair_mm", "ear_mm", "zygomatic_mm", "mass_g"])
def test_sizes_follow_the_growth_lines(rows, truth, size) -> None:
    """Litter means on age: the planted line within three standard errors, the spread as planted."""
    line, litters = truth["growth"][size], defaultdict(list)
    for cub in grown(rows, truth):
        if size in cub:
            expected = line["at_birth"] + line["per_day"] * cub["age"]
            litters[cub["visit"]].append(
                (cub["age"], cub[size], math.log(cub[size] / expected) if size == "mass_g" else cub[size] - expected)
            )
    means = np.array([np.mean(cubs, axis=0) for cubs in litters.values()])
    weights = 1 / (means[:, 0] + 6) ** 2 if size == "mass_g" else np.ones(len(means))
    fit = sm.WLS(means[:, 1], sm.add_constant(means[:, 0]), weights=weights).fit()
    assert abs(fit.params[1] - line["per_day"]) < 3 * fit.bse[1]
    assert abs(fit.params[0] - line["at_birth"]) < 3 * fit.bse[0]
    within = [own - np.mean([c[2] for c in cubs]) for cubs in litters.values() for *_, own in cubs]
    freedom = len(within) - len(litters)
    assert math.sqrt(np.sum(np.square(within)) / freedom) == pytest.approx(line["cub_sd"], rel=0.25)
    between = math.sqrt(line["litter_sd"] ** 2 + line["cub_sd"] ** 2 * np.mean([1 / len(c) for c in litters.values()]))
    assert np.std(means[:, 2], ddof=1) == pytest.approx(between, rel=0.3)


def test_eyes_and_teeth_go_with_age(rows, truth) -> None:
    """Eyes about the 44th day, canines about the 54th (Mesa-Cruz et al., captive cubs: ten days later)."""
    cubs = [cub for cub in grown(rows, truth) if cub["eyes"]]
    put = truth["eyes_open_age_d"]
    reach = 3 * put["litter_sd"] + put["opening_within"]
    assert all(cub["eyes"] == "closed" for cub in cubs if cub["age"] < put["mean"] - reach)
    assert all(cub["eyes"] == "open" for cub in cubs if cub["age"] > put["mean"] + reach)
    assert {cub["eyes"] for cub in cubs} == {"closed", "opening", "open"}
    put, seen = truth["upper_canine_through_age_d"], [(c["age"], read_teeth(c["teeth"])) for c in cubs if c["teeth"]]
    assert all(teeth["uc"] != "through" for age, teeth in seen if age < put["mean"] - 3 * put["litter_sd"])
    assert all(teeth["uc"] == "through" for age, teeth in seen if age > put["mean"] + 3 * put["litter_sd"])
    assert {teeth["uc"] for _, teeth in seen} == {"through", "felt", "absent"}


def minutes(text: str) -> int:
    """Minutes since midnight."""
    return int(text[:2]) * 60 + int(text[3:])


def test_times_stand_in_order(rows) -> None:
    """But for the planted one; one handling passes midnight, one meets the change of clocks."""
    steps = ("approached", "darted", "down", "first_handled", "last_handled", "reversed", "head_up", "left")
    past = []
    for row in clean(rows, "handlings.csv"):
        times = [minutes(row[step]) for step in steps]
        assert times == sorted(times)
    for slip in slips():
        if slip["slip"] == "past midnight":
            past = [minutes(rows["handlings.csv"][int(slip["line"]) - 2][step]) for step in steps]
    drops = [after < before for before, after in itertools.pairwise(past)]
    assert sum(drops) == 1
    night = next(row for row in rows["handlings.csv"] if row["date"] == "2019-03-10")
    assert night["darted"] < "02:00"
    assert night["left"] > "03:00"


def test_readings_come_every_few_minutes(rows) -> None:
    """Four to nine minutes apart as the clock runs, a few after 12 to 20; from first touch to head up."""
    series = defaultdict(list)
    for row in clean(rows, "readings.csv"):
        series[(row["animal"], row["date"])].append(minutes(row["read"]))
    dented = {(r["animal"], r["date"]) for f, n in SLIPPED for r in rows[f] if f == "readings.csv" and r["line"] == n}
    gaps = [
        (after - before) % 1440
        for event, times in series.items()
        if event not in dented and event[1] != "2019-03-10"
        for before, after in itertools.pairwise(times)
    ]
    long = [gap for gap in gaps if gap > 9]
    assert min(gaps) == 4
    assert 0 < len(long) < 0.05 * len(gaps)
    assert all(12 <= gap <= 20 for gap in long)


def test_transponders_are_artificial_and_far_apart(rows) -> None:
    """15 digits of one pattern, no test prefix 999, any two at least three digits apart; planted slips are nearer."""
    put_on = [r["mark_code"] for r in clean(rows, "marks.csv") if r["mark_kind"] == "transponder" != r["mark_event"]]
    codes = set(put_on) | {row["transponder"] for row in clean(rows, "cubs.csv") if row["transponder"]}
    assert len(codes) > 180
    for code in codes:
        assert code[:6] == "900000"
        assert code[6:] == code[6:9] * 3
        assert int(code[3:]) < 2**38  # ISO 11784: the national code has 38 bits
    digits = np.array([[int(c) for c in code] for code in sorted(codes)])
    apart = (digits[:, None] != digits).sum(axis=2)
    assert apart[~np.eye(len(codes), dtype=bool)].min() >= 3
    for slip in slips():
        if slip["slip"] in ("one digit off", "transposed digits"):
            code = rows["marks.csv"][int(slip["line"]) - 2]["mark_code"]
            assert code not in codes
            nearest = (digits != [int(c) for c in code]).sum(axis=1).min()
            assert nearest == (1 if slip["slip"] == "one digit off" else 2)


def test_marks_have_a_history_without_other_contradictions(rows) -> None:
    """What is seen was put on that animal before and not lost; nobody has two collars; but for planted slips."""
    worn = defaultdict(dict)
    for row in clean(rows, "marks.csv"):
        mark, event = (row["mark_kind"], row["mark_code"]), row["mark_event"]
        if event == "put on":
            if row["mark_kind"] == "collar":
                assert not [m for m in worn[row["animal"]] if m[0] == "collar"]
            worn[row["animal"]][mark] = row["side"]
        elif (row["animal"], row["mark_kind"]) not in slipped_marks(rows):
            assert worn[row["animal"]].get(mark) == row["side"], row
            if event != "seen":
                del worn[row["animal"]][mark]
    owners = Counter(mark for marks in worn.values() for mark in marks)
    assert max(owners.values()) == 1


def slipped_marks(rows) -> set[tuple[str, str]]:
    """Animals with a kind of mark in which a slip is planted: a swap has two rows."""
    lines = [int(line) for file, line in SLIPPED if file == "marks.csv"]
    return {(r["animal"], r["mark_kind"]) for r in (rows["marks.csv"][line - 2] for line in lines)}


def test_drugs_are_numbers_without_meaning(rows) -> None:
    """No drug's name; one volume for each agent, whatever the animal's mass."""
    volumes = defaultdict(set)
    for row in rows["drugs.csv"]:
        volumes[(row["drug"], row["drug_purpose"])].add((row["planned_ml"], row["volume_ml"]))
    assert {drug for drug, _ in volumes} == {"agent A", "agent B", "antagonist A"}
    assert all(len(told) == 1 for told in volumes.values())


def test_samples_go_to_the_laboratory_and_back(rows) -> None:
    """One ear punch a cub; the steps of each sample join; results agree with the sexes but where truth says so."""
    labels = {row["sample_label"]: row for row in rows["samples.csv"]}
    slipped = {rows[f][int(n) - 2].get("sample_label") for f, n in SLIPPED}
    cubs = {row["sample_label"]: row for row in rows["cubs.csv"] if row["sample_label"]}
    assert {row["cub_id"] for row in cubs.values()} == {
        row["animal"] for row in labels.values() if row["tissue"] == "ear punch"
    }  # fmt: skip
    steps = defaultdict(list)
    for row in clean(rows, "custody.csv"):
        steps[row["sample_label"]].append(row)
    for label in steps.keys() - slipped:
        for before, after in zip(steps[label], steps[label][1:], strict=False):
            assert (before["to_whom"], before["date"]) <= (after["from_whom"], after["date"])
            assert before["to_whom"] == after["from_whom"]
    for row in clean(rows, "results.csv"):
        assert row["sample_label"] in labels


def test_laboratory_and_field_agree_but_where_truth_says_so(rows, truth) -> None:
    """The laboratory's sex is the true one; crews got a few wrong."""
    told = {row["sample_label"]: row["value"] for row in rows["results.csv"] if row["determination"] == "sex"}
    wrong = {
        row["cub_id"]
        for row in clean(rows, "cubs.csv")
        if told.get(row["sample_label"], "not determined") != "not determined"
        and told[row["sample_label"]] != row["sex"][:1].upper()
    }
    assert wrong <= set(truth["cubs_sexed_wrongly_in_the_field"])
    assert len(wrong) >= len(truth["cubs_sexed_wrongly_in_the_field"]) - 2


def test_handlings_keep_to_their_permits(rows) -> None:
    """Dates, procedures and numbers, but for planted slips."""
    permits = {row["permit"]: row for row in rows["permits.csv"]}
    animals = Counter()
    for row in clean(rows, "handlings.csv"):
        named = row["permit"].split("; ")
        assert all(permits[p]["valid_from"] <= row["date"] <= permits[p]["valid_to"] for p in named)
        allowed = {word for p in named for word in permits[p]["procedures"].split("; ")}
        assert set(row["procedures"].split("; ")) <= allowed
        animals.update(named)
    for row in clean(rows, "permits.csv"):
        assert animals[row["permit"]] <= int(row["max_animals"])


SHOWN = {
    "more animals than the permit allows": lambda row: row["permit"][:2] == "DV",
    "unknown age class": lambda row: row["age_class"] == "coy",
    "one digit off": lambda row: row["mark_event"] == "seen" and row["mark_code"][6:9] * 3 != row["mark_code"][6:],
    "transposed digits": lambda row: row["mark_event"] == "seen" and row["mark_code"][6:9] * 3 != row["mark_code"][6:],
    "one transponder on two animals": lambda row: row["mark_kind"] == "transponder" and row["mark_event"] == "put on",
    "left and right tags swapped": lambda row: (row["mark_event"], row["side"]) == ("seen", "right"),
    "two collars": lambda row: (row["mark_kind"], row["mark_event"]) == ("collar", "put on"),
    "tattoo of another animal": lambda row: row["mark_code"][1:] != row["animal"][-3:],
    "past midnight": lambda row: row["left"] < row["approached"],
    "litter count against cub rows": lambda row: row["cubs_counted"] == "3",
    "head up before down": lambda row: row["head_up"] < row["down"],
    "pounds in the kilograms column": lambda row: float(row["mass_kg"]) > 1.8 * float(row["estimated_mass_kg"]),
    "inches in the centimetres column": lambda row: float(row["girth_cm"]) < 50,
    "no permit": lambda row: row["permit"] == "",
    "permit of another year": lambda row: int(row["permit"][-4:]) == int(row["date"][:4]) - 1,
    "procedure not on the permit": lambda row: "draw tooth" in row["procedures"] and bool(row["den_label"]),
    "another spelling of the id": lambda row: row["animal"].startswith("ob "),
    "time that the clock skipped": lambda row: row["date"] == "2019-03-10" and row["read"][:2] == "02",
    "reading before darting": lambda row: bool(row["read"]),
    "Fahrenheit in the Celsius column": lambda row: row["temperature_c"] == "98.6",
    "empty sex": lambda row: row["sex"] == "",
    "unknown den label": lambda row: row["den_label"].endswith("-99"),
    "unknown tooth": lambda row: "k9" in row["teeth"],
    "cub heavier than its mother": lambda row: row["mass_g"] == "85000",
    "kilograms in the grams column": lambda row: 0 < float(row["mass_g"]) < 10,
    "hair without landmark": lambda row: bool(row["hair_mm"]) and not row["hair_landmark"],
    "two cubs with one transponder": lambda row: row["cub_no"] == "2",
    "date before the den": lambda row: row["date"][:4] < row["den_label"][2:6],
    "sample label twice": lambda row: row["tissue"] == "blood",
    "custody gap": lambda row: row["step"] == "received",
    "repeated row": lambda row: row["step"] == "stored",
    "result without a sample": lambda row: len(row["sample_label"]) == 8,
}


@pytest.mark.parametrize("slip", slips(), ids=lambda slip: slip["slip"])
def test_each_slip_stands_in_its_line(rows, slip) -> None:
    """And its level is one of the four."""
    row = next(row for row in rows[slip["file"]] if row["line"] == slip["line"])
    assert SHOWN[slip["slip"]](row), row
    assert slip["field"] in row
    assert slip["expected_level"] in ("error", "confirm", "warning", "note")


def test_slips_between_rows_are_there(rows) -> None:
    """Those that only show beside other rows."""
    at = {slip["slip"]: rows[slip["file"]][int(slip["line"]) - 2] for slip in slips()}
    row = at["more animals than the permit allows"]
    used = [r for r in rows["handlings.csv"] if row["permit"] in r["permit"].split("; ")]
    assert len(used) == int(row["max_animals"]) + 2
    row = at["one transponder on two animals"]
    assert len({r["animal"] for r in rows["marks.csv"] if r["mark_code"] == row["mark_code"]}) == 2
    row = at["two cubs with one transponder"]
    assert len({r["cub_id"] for r in rows["cubs.csv"] if r["transponder"] == row["transponder"]}) == 2
    row = at["reading before darting"]
    sheet = next(r for r in rows["handlings.csv"] if (r["animal"], r["date"]) == (row["animal"], row["date"]))
    assert row["read"] < sheet["darted"]
    row = at["cub heavier than its mother"]
    sheet = next(r for r in rows["handlings.csv"] if (r["animal"], r["date"]) == (row["female"], row["date"]))
    assert float(row["mass_g"]) / 1000 > float(sheet["mass_kg"])
    row = at["two collars"]
    assert not [r for r in rows["marks.csv"] if (r["animal"], r["mark_event"]) == (row["animal"], "removed")]
    row = at["custody gap"]
    steps = [r["step"] for r in rows["custody.csv"] if r["sample_label"] == row["sample_label"]]
    assert steps == ["collected", "stored", "received"]
    labels = Counter(r["sample_label"] for r in rows["samples.csv"])
    assert [label for label, n in labels.items() if n > 1] == [at["sample label twice"]["sample_label"]]
    assert at["result without a sample"]["sample_label"] not in labels
    stored = [{k: v for k, v in r.items() if k != "line"} for r in rows["custody.csv"]]
    assert stored.count(stored[int(at["repeated row"]["line"]) - 2]) == 2


def test_a_time_without_colon_is_among_the_checks(rows) -> None:
    """Written as 0930."""
    assert any(row["checked"].isdigit() and len(row["checked"]) == 4 for row in rows["checks.csv"])


def test_made_demo_hands_in_what_others_refer_to_first(tmp_path) -> None:
    """Dens by winter, then permits and animals; every file byte for byte."""
    files = make_demo(tmp_path / "ondra")
    assert [path.name for path in files[-11:]] == [
        "permits.csv", "animals.csv", "marks.csv", "handlings.csv", "drugs.csv", "readings.csv", "cubs.csv",
        "checks.csv", "samples.csv", "custody.csv", "results.csv",
    ]  # fmt: skip
    assert all(path.name.startswith("winter-") for path in files[:-11])
    for path in files[-11:]:
        assert path.read_bytes() == (SOURCE / "bears" / path.name).read_bytes()


@pytest.fixture
def maker(monkeypatch):
    """The generator's modules, as the script imports them."""
    if not (SOURCE / "make.py").is_file():
        pytest.skip("the generator is not installed")
    before = set(sys.modules)
    monkeypatch.syspath_prepend(str(SOURCE))
    import bear_files
    import dens

    yield bear_files, dens
    for name in set(sys.modules) - before:
        if getattr(sys.modules[name], "__file__", None) and str(SOURCE) in str(sys.modules[name].__file__):
            del sys.modules[name]


def test_two_runs_are_byte_equal(maker, tmp_path) -> None:
    """On made visits of the years in question, the clocks' night and both held-back dens among them."""
    bear_files, dens = maker
    rng, visits = np.random.default_rng(3), []
    for winter in range(2018, 2027):
        for n in range(12):
            female, day = f"OB-{(winter * 5 + n * 7) % 90 + 1:03d}", dt.date(winter, 3, 2 + 2 * n)
            day = dt.date(2019, 3, 10) if (winter, n) == (2019, 4) else day
            den = dens.Den(f"D-{winter}-{n + 1:02d}", female, 0, 0, "tree", 0, 0, 0, 41, float(rng.uniform(0, 3.5)))
            visits.append(dens.Visit(den, winter, day, True))
    one, other = (bear_files.write_bears(tmp_path / name, visits, 10) for name in ("one", "other"))
    assert one == other
    assert len(one[1]) == len(SHOWN)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "other" / path.name).read_bytes()
