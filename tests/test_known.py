"""What is gathered about a few rows tells the same of them as all of the register."""

import pytest
from conftest import STUDY_TOML, write
from hypothesis import given
from hypothesis import strategies as st

from densite import deliveries
from densite.deliveries import deliver, hand_in
from densite.intake.rawrow import RawRow
from densite.known import known_of
from densite.register import create_register
from densite.settings import parse

SETTINGS = parse(STUDY_TOML)
HEAD = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type,observer\n"
STEP = 0.0004  # degrees between dens: some lie within each other's uncertainty


def row(i: int, j: int, *, label: str, day: str, female: str, unsure: str, kind: str = "tree") -> dict[str, str]:
    """Return a row at a node of a lattice."""
    return {
        "den_label": label, "date": day, "female": female, "latitude": f"{43.5 + STEP * i:.6f}",
        "longitude": f"{-115.5 + STEP * j:.6f}", "datum": "WGS84", "uncertainty_m": unsure, "den_type": kind,
        "observer": "KR",
    }  # fmt: skip


@pytest.fixture(scope="module")
def register(tmp_path_factory):
    """A register of 64 dens close to each other, two visits each; one den and one visit withdrawn."""
    folder = tmp_path_factory.mktemp("known")
    rows = [
        row(2 * i, 2 * j, label=f"D {i}{j}", day=day, female=f"OB-{i}", unsure="40" if i == j else "3")
        for day in ("2025-02-24", "2026-02-25") for i in range(8) for j in range(8)
    ]  # fmt: skip
    path = write(folder / "crew.csv", HEAD + "".join(",".join(one.values()) + "\n" for one in rows))
    with create_register(folder / "r.gpkg", study_id=SETTINGS.study.id) as register:
        delivery = hand_in(path, register=register, settings=SETTINGS, out=folder)
        assert delivery.visits == 128 - len(delivery.held_back) > 100
        with register.writing(reason="x") as connection:
            register.change(connection, "den", register.dens().index[5], {"withdrawn": "yes"})
            register.change(connection, "visit", register.visits().index[9], {"withdrawn": "yes"})
        yield register


@given(
    i=st.integers(-1, 16), j=st.integers(-1, 16), label=st.sampled_from(["", "D 00", "d  33", "D 05", "D 06", "N-1"]),
    day=st.sampled_from(["2025-02-24", "2026-02-25", "2026-03-01"]),
    female=st.sampled_from(["", "OB-1", "ob 3", "OB-99"]), unsure=st.sampled_from(["", "3", "60"]),
    kind=st.sampled_from(["tree", "brush", "cave"]),
)  # fmt: skip
def test_few_rows_are_screened_as_in_a_long_file(register, i, j, label, day, female, unsure, kind) -> None:
    """The same problems, word for word, and the same row held back or not."""
    values = row(i, j, label=label, day=day, female=female, unsure=unsure, kind=kind)
    found = []
    for few in (0, deliveries.FEW):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(deliveries, "FEW", few)
            made = deliver([RawRow("typed in", 0, values, values)], "typed in", register=register, settings=SETTINGS,
                           dry_run=True)  # fmt: skip
        found.append((made.dens, made.visits, made.known, sorted(map(str, made.problems)), made.held_back))
    assert found[0] == found[1]


def test_little_is_gathered_about_one_row(register) -> None:
    """Not every den and visit of the register."""
    values = row(0, 0, label="D 00", day="2026-03-01", female="OB-1", unsure="3")
    some = known_of(register, SETTINGS, about=[RawRow("typed in", 0, values, values)])
    every = known_of(register, SETTINGS)
    assert 0 < len(some.dens) < 10 < len(every.dens)
    assert 0 < len(some.rows) < 20 < len(every.rows)
    assert set(some.females.items()) <= set(every.females.items())
    assert some.females["ob1"] == every.females["ob1"]
    assert some.withdrawn == every.withdrawn
