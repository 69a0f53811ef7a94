"""The demo: the invented Ondra Basin bear study, made from the demo layers and taken through the job."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

from densite.errors import SettingsError
from densite.studyfolder import lay_out, study_text

STUDY_ID = "0ad5a000-0000-4000-8000-0b5a51000001"  # fixed, so that the demo's record ids are the same everywhere

# Files of the animals' side in the order in which they are handed in: what others refer to comes first.
_ANIMALS = (
    "permits", "animals", "marks", "handlings", "drugs", "readings", "cubs", "checks", "samples", "custody", "results",
)  # fmt: skip

_LAYERS = """\
[layers.elevation]
path = "layers/elevation.tif"
unit = "m"
source = "made by script, invented"
[layers.land_cover]
path = "layers/land_cover.tif"
legend = "nlcd"
source = "made by script, invented"
[layers.canopy]
path = "layers/canopy.tif"
[layers.impervious]
path = "layers/impervious.tif"
[layers.housing]
path = "layers/housing.tif"
[layers.population]
path = "layers/population.tif"
[layers.roads]
path = "layers/basin.gpkg"
layer = "roads"
[layers.buildings]
path = "layers/basin.gpkg"
layer = "buildings"
[layers.streams]
path = "layers/basin.gpkg"
layer = "streams"
[layers.boundary]
path = "layers/basin.gpkg"
layer = "boundary"
[layers.urban]
path = "layers/basin.gpkg"
layer = "urban"
"""


def demo_source() -> Path:
    """Find the demo's layers and crew files: inside an installed package, or beside it in a checkout.

    Returns
    -------
    Path

    Raises
    ------
    SettingsError
        They are in neither place.
    """
    package = Path(__file__).parent
    for place in (package / "layers_demo", package.parent / "layers_demo"):
        if (place / "elevation.tif").is_file():
            return place
    raise SettingsError("the demo layers are not installed: reinstall densite from its wheel or checkout")


def make_demo(folder: Path) -> list[Path]:
    """Make the demo study in a folder.

    Parameters
    ----------
    folder : Path
        Folder to make; must hold no study.

    Returns
    -------
    list of Path
        The crew files to hand in: dens, oldest winter first, then those of the animals' side.

    Raises
    ------
    SettingsError
        The folder holds a study already or cannot be written.
    """
    source = demo_source()
    text = study_text(
        name="Ondra Basin bear study", crs="EPSG:32611", time_zone="America/Boise", study_id=STUDY_ID,
        layers=_LAYERS, columns=_columns(source),
    )  # fmt: skip
    # The demo's DEM ends 2 km beyond its boundary: a wider horizon would be unknown at many dens.
    lay_out(folder, text.replace("[sun]\n", "[sun]\nreach_m = 2000.0\n"))
    for file in (*source.glob("*.tif"), *source.glob("*.gpkg")):
        shutil.copyfile(file, folder / "layers" / file.name)
    (folder / "crew" / "animals").mkdir(parents=True, exist_ok=True)
    dens = [folder / "crew" / file.name for file in sorted(source.glob("crew/winter-*"))]
    animals = [folder / "crew" / "animals" / f"{name}.csv" for name in _ANIMALS]
    for place, files in (("crew", dens), ("bears", animals)):
        for file in files:
            shutil.copyfile(source / place / file.name, file)
    return [*dens, *animals]


def _columns(source: Path) -> str:
    mapping = tomllib.loads((source / "mapping.toml").read_text(encoding="utf-8"))["columns"]
    return "".join(f'"{heading}" = "{name}"\n' for heading, name in mapping.items())
