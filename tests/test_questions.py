"""The demo's open questions: planted slips are found, and few sound values are asked about."""

import csv
import shutil

import numpy as np
import pandas as pd
import pytest
import shapely

from densite.demo import demo_source
from densite.layers import ELLIPSOID
from densite.pipeline import open_study
from densite.questions import labels_of
from densite.review import Held, look_again
from densite.review.whole import by_kind


def rows_in(name: str) -> list[dict[str, str]]:
    """Return the rows of one of the demo's files."""
    return list(csv.DictReader((demo_source() / name).read_text(encoding="utf-8").splitlines()))


def held_of(study, **changes) -> Held:
    """Return what a study holds, with some of it changed."""
    reg = study.register
    parts = {"dens": reg.dens(), "visits": reg.visits(), "derived": reg.derived(), "reasons": reg.reasons(),
             "records": {}, "changed": {}}  # fmt: skip
    return Held(**parts | changes)


def asked(study, held, kind, field=None, **chosen):
    """Return the dens asked about."""
    from densite.questions import _cover

    review = look_again(held, chosen=study.settings.check.model_copy(update=chosen), area=study.area,
                        cover=_cover(study))  # fmt: skip
    return {f.den_id for f in review.findings if f.kind == kind and field in (None, f.problem.field)}


def measured(title, planted, found, least, most_false):
    """Print what was found of what was planted, and hold both to their limits."""
    false = len(found - set(planted))
    print(f"{title}: {len(found & set(planted))} of {len(planted)} found, {false} false")
    assert len(found & set(planted)) >= least
    assert false <= most_false


def test_the_demo_as_it_is(ondra) -> None:
    """Of 235 sound dens two steep slopes are far from the others; nothing lies in water or far from her other dens."""
    study = ondra[0]
    review = study.review()
    counts = by_kind(review.findings)
    assert not counts.keys() & {"water", "step", "place", "season", "one day"}
    assert counts["outlier"] == 2
    assert any("season: it is not set" in line for line in review.unsaid)
    assert any("no distance is set" in line for line in review.unsaid)
    assert review.problems == study.check()
    whole = [f for f in review.findings if f.den_id]
    assert all(f.day and f.crew for f in whole if f.kind != "animal")


def test_the_planted_slips_that_pass_intake(ondra) -> None:
    """72 percent typed into degrees is asked about as doubtful and is the study's farthest slope; a bearing without
    reference is missing."""
    study = ondra[0]
    planted = {row["slip"]: row for row in rows_in("slips.csv")}
    slope, aspect = planted["percent in degrees, doubtful"], planted["aspect without reference"]
    found = {(f.problem.file, str(f.problem.line), f.kind) for f in study.review().findings}
    assert (slope["file"], slope["line"], "doubt") in found
    assert (slope["file"], slope["line"], "ground") in found
    assert (aspect["file"], aspect["line"], "missing") in found


def test_a_wrong_zone_that_was_confirmed(ondra, tmp_path) -> None:
    """The planted row, confirmed at intake, is not asked about as outside again; her other dens show it."""
    shutil.copytree(ondra[0].folder, tmp_path / "ondra")
    rows = rows_in("crew/winter-2021.csv")
    slip = rows[8 - 2] | {"confirmed": "yes", "female": "OB-005"}
    with open_study(tmp_path / "ondra") as study:
        file = tmp_path / "again.csv"
        with file.open("w", encoding="utf-8", newline="") as out:
            writer = csv.DictWriter(out, slip)
            writer.writeheader()
            writer.writerow(slip)
        assert not study.intake([file])[0].held_back
        den = next(i for i, label in labels_of(study).items() if label == slip["den_label"])
        kinds = {f.kind for f in study.review().findings if f.den_id == den}
        assert "place" not in kinds
        assert "step" in kinds


def test_planted_decimal_points(ondra) -> None:
    """Eight depths typed in millimetres; the shallowest of them stays within the study's own."""
    study = ondra[0]
    dens = study.register.dens()
    planted = np.random.default_rng(4).choice(dens.index[dens["depth_cm"].notna()], 8, replace=False)
    dens.loc[planted, "depth_cm"] *= 10
    found = asked(study, held_of(study, dens=dens), "outlier", "depth_cm")
    beside = asked(study, held_of(study, dens=dens), "doubt", "depth_cm")
    measured("depths ten times too deep", planted, found | beside, 7, 0)


@pytest.mark.parametrize(("km", "least"), [(10, 6), (25, 6)])
def test_planted_places_far_from_her_others(ondra, km, least) -> None:
    """Six dens moved, each of another female of three or more dens."""
    from densite.review.steps import steps

    study = ondra[0]
    dens, visits = study.register.dens(), study.register.visits()
    ways = steps(dens, visits)
    last = ways.loc[ways.groupby("female")["end"].transform("size") > 1].drop_duplicates("female")["end"]
    planted = np.random.default_rng(km).choice(last, 6, replace=False)
    for den in planted:
        point = dens.geometry[den]
        moved = ELLIPSOID.fwd(point.x, point.y, 45, 1000 * km)
        dens.loc[den, "geometry"] = shapely.Point(moved[0], moved[1])
    measured(f"dens {km} km off", planted, asked(study, held_of(study, dens=dens), "step"), least, 0)


def test_planted_dens_in_the_lake(ondra) -> None:
    """Four dens put on the middle of open-water cells."""
    import rasterio

    study = ondra[0]
    dens = study.register.dens()
    planted = list(dens.index[[3, 40, 100, 200]])
    with rasterio.open(study.folder / "layers" / "land_cover.tif") as file:
        wet = np.argwhere(file.read(1) == 11)
        spots = [file.xy(*cell) for cell in wet[np.linspace(0, len(wet) - 1, 4).astype(int)]]
        crs = file.crs
    from pyproj import Transformer

    back = Transformer.from_crs(crs, 4326, always_xy=True)
    for den, spot in zip(planted, spots, strict=True):
        dens.loc[den, "geometry"] = shapely.Point(*back.transform(*spot))
    measured("dens in water", planted, asked(study, held_of(study, dens=dens), "water"), 4, 0)


def test_planted_days_and_pairs(ondra) -> None:
    """Three visits half a year late are outside a season; a female at two dens on one day is asked about."""
    study = ondra[0]
    visits = study.register.visits()
    late = visits.index[[5, 50, 150]]
    visits.loc[late, "observed_on"] = [
        day + pd.Timedelta(days=183).to_pytimedelta() for day in visits.loc[late, "observed_on"]
    ]
    planted = set(visits.loc[late, "den_id"])
    found = asked(study, held_of(study, visits=visits), "season", season=("11-01", "05-15"))
    measured("visits out of season", planted, found, 3, 0)
    visits = study.register.visits()
    one, other = visits.index[0], visits.index[-1]
    visits.loc[other, ["female", "observed_on"]] = visits.loc[one, ["female", "observed_on"]].to_list()
    pair = {visits.at[one, "den_id"], visits.at[other, "den_id"]}
    found = asked(study, held_of(study, visits=visits), "one day", same_day_m=2000.0)
    assert len(found) == 1
    assert found < pair
