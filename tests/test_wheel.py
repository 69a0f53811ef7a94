"""The built wheel works outside the checkout, demo layers and all."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Build the wheel once, with the build backend that is installed."""
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)],
        check=True,
        capture_output=True,
        text=True,
    )
    (path,) = out.glob("*.whl")
    return path


def test_wheel_holds_all_that_is_needed(wheel) -> None:
    """Package, type marker, legends, browser parts and demo; neither tests nor rendered maps."""
    names = zipfile.ZipFile(wheel).namelist()
    for wanted in (
        "densite/py.typed",
        "densite/legends/nlcd.csv",
        "densite/layers_demo/elevation.tif",
        "densite/layers_demo/mapping.toml",
    ):
        assert wanted in names
    package = {
        str(p.relative_to(ROOT)) for p in (ROOT / "densite").rglob("*") if p.is_file() and "__pycache__" not in p.parts
    }
    assert package <= set(names)
    assert not [n for n in names if n.startswith(("tests/", "maps/"))]


def test_installed_wheel_runs_outside_the_checkout(wheel, tmp_path) -> None:
    """Unpacked into a folder of its own, ahead of the checkout: study, intake, demo layers found."""
    site = tmp_path / "site"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", str(site), str(wheel)],
        check=True,
    )
    code = (
        "import densite, densite.demo, pathlib; from densite.cli import cli\n"
        f"assert pathlib.Path(densite.__file__).is_relative_to({str(site)!r})\n"
        f"assert densite.demo.demo_source().is_relative_to({str(site)!r})\n"
        "cli(['new', 'basin', '--name', 'n', '--crs', 'EPSG:32611'], standalone_mode=False)\n"
        "with densite.open_study('basin') as study: print(len(study.dens))\n"
    )
    env = os.environ | {"PYTHONPATH": str(site)}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=env, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip().endswith("0")
