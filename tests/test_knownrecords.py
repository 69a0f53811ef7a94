"""What is gathered about a few rows of the animals' side tells the same of them as all of the register."""

import pytest
from conftest import STUDY_TOML, write
from hypothesis import given, settings
from hypothesis import strategies as st

from densite import deliveries
from densite.animalfiles import hand_in_records
from densite.animalterms import KINDS
from densite.deliveries import hand_in
from densite.intake.csvfile import read_csv
from densite.knownrecords import known_records
from densite.register import create_register
from densite.settings import parse

SETTINGS = parse(STUDY_TOML)
DENS = "den_label,date,female,latitude,longitude,datum,uncertainty_m,den_type\n" + "".join(
    f"D-{i},2026-02-2{i},{female},43.5{i},-115.5,WGS84,5,tree\n"
    for i, female in enumerate(["OB-1", "ob 02", "\u00d6B-3"])
)  # fmt: skip
HELD = {
    "handling": "animal,date,den,darted,down,head up,mass\nOB-1,2026-02-20,D-0,22:40,22:52,23:31,82 kg\n"
                "OB 2,2026-02-21,D-1,23:40,23:52,00:31,70 kg\n",
    "reading": "animal,date,read,heart_rate,temperature_c,thermometer\nOB-1,2026-02-20,23:00,60,37.5,rectal deep\n"
               "ob-002,2026-02-21,23:55,61,37.6,rectal deep\nOB-9,2026-02-21,08:00,62,37.7,rectal deep\n",
    "cub": "den,date,mother,cub,sex,mass\nD-0,2026-02-20,OB-1,1,male,2000 g\nD-0,2026-02-20,OB-1,2,female,1900 g\n",
}  # fmt: skip
ANIMALS = st.sampled_from(["OB-1", "ob 1", "OB2", "\u00f6b 3", "OB-9", "OB-77"])
DAYS = st.sampled_from(["2026-02-20", "2026-02-21", "2026-03-01"])
TIMES = st.sampled_from(["23:00", "00:10", "08:00"])


@pytest.fixture(scope="module")
def register(tmp_path_factory):
    """Three dens; two handlings, readings and cubs; one reading corrected to be of another animal, one withdrawn."""
    folder = tmp_path_factory.mktemp("known")
    with create_register(folder / "r.gpkg", study_id=SETTINGS.study.id) as register:
        told = {"register": register, "settings": SETTINGS, "out": folder}
        hand_in(write(folder / "dens.csv", DENS), **told)
        for kind, text in HELD.items():
            made = hand_in_records(write(folder / f"{kind}.csv", text), KINDS[kind], **told)
            assert not made.held_back
        ids = register.records("reading").index
        hand_in_records(write(folder / "mended.csv", (
            "animal,date,read,heart_rate,temperature_c,thermometer,corrects,correction_reason,withdrawn,confirmed\n"
            f"OB-4,2026-02-20,23:00,60,37.5,rectal deep,{ids[0]},another animal,,yes\n"
            f"OB-9,2026-02-21,08:00,62,37.7,rectal deep,{ids[2]},never read,yes,yes\n"
        )), KINDS["reading"], **told)  # fmt: skip
        assert len(register.records("reading")) == 2
        yield register


def made(register, folder, kind: str, text: str, few: int) -> tuple:
    """Hand a text in without keeping it, and return all that was said."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(deliveries, "FEW", few)
        path = write(folder / "one.csv", text)
        told = hand_in_records(path, KINDS[kind], register=register, settings=SETTINGS, out=folder, dry_run=True)
    return told.records, told.known, sorted(map(str, told.problems)), told.held_back


@settings(max_examples=40)
@given(animal=ANIMALS, day=DAYS, time=TIMES, rate=st.sampled_from(["60", "61"]), which=st.integers(-1, 4))
def test_a_reading_is_read_as_in_a_long_file(register, tmp_path_factory, animal, day, time, rate, which) -> None:
    """Spelling, midnight, repeats, doubles and corrections, also of what was corrected already."""
    every = register.records("reading", every=True).index
    corrects = f"{every[which][:9]},slip" if which >= 0 else ","
    text = f"animal,date,read,heart_rate,corrects,correction_reason\n{animal},{day},{time},{rate},{corrects}\n"
    folder = tmp_path_factory.getbasetemp()
    assert made(register, folder, "reading", text, 0) == made(register, folder, "reading", text, 20)


@settings(max_examples=25)
@given(label=st.sampled_from(["D-0", "d-1", "D-7"]), day=DAYS, mother=ANIMALS, cub=st.sampled_from("12"),
       mass=st.sampled_from(["2000 g", "82 kg"]))  # fmt: skip
def test_a_cub_is_read_as_in_a_long_file(register, tmp_path_factory, label, day, mother, cub, mass) -> None:
    """Dens that are there or not, visits, mothers' masses, doubles."""
    text = f"den,date,mother,cub,sex,mass\n{label},{day},{mother},{cub},male,{mass}\n"
    folder = tmp_path_factory.getbasetemp()
    assert made(register, folder, "cub", text, 0) == made(register, folder, "cub", text, 20)


def test_little_is_gathered_about_one_row(register, tmp_path) -> None:
    """Not every den, visit and record of the register."""
    path = write(tmp_path / "one.csv", "den,date,mother,cub,sex,mass\nD-1,2026-02-21,ob 2,1,male,2000 g\n")
    kind = KINDS["cub"]
    some = known_records(register, kind, SETTINGS, about=list(read_csv(path, mapping={}, terms=kind.terms)))
    assert (list(some.dens), len(some.visits), some.animals) == (["d-1"], 1, {"OB-2": "ob 02"})
    assert not some.held
    assert {animal for animal, _ in some.latest} == {"ob 02"}
