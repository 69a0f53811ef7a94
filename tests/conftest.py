"""What several test files need: a small study on a landscape with known answers."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from densite import blocks
from densite.calibration import write as write_calibration
from densite.deliveries import Delivery
from densite.demo import make_demo
from densite.knownage import fit
from densite.pipeline import Study, open_study
from densite.settings import Settings, parse

# A slow machine is no failure: time is measured in benchmarks, never in tests. What one run finds, the next finds too.
hypothesis_settings.register_profile(
    "repeatable", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("repeatable")

CHROMIUM_FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
STUDY_TOML = """
[study]
name = "Test study"
id = "7e570000-0000-4000-8000-000000000001"
crs = "EPSG:32611"
"""


@pytest.fixture
def settings() -> Settings:
    """Settings with nothing but a study."""
    return parse(STUDY_TOML)


@pytest.fixture(scope="module")
def blocks_as_written() -> Iterator[None]:
    """Small tiles and strips are not joined, so that a small raster has many blocks."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "LEAST_CELLS", 1)
        yield


@pytest.fixture
def figure(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Keep a measured figure for the end of the run, where CI shows it, whichever process measured it."""
    return lambda text: record_property("figure", text)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the figures that tests have measured; of those that begin alike up to a colon the last."""
    reports = [report for listed in terminalreporter.stats.values() for report in listed]
    told = [text for report in reports for name, text in getattr(report, "user_properties", ()) if name == "figure"]
    for text in {text.split(":")[0]: text for text in told}.values():
        terminalreporter.write_line(text)


def needs(tool: str) -> str:
    """Return the path of a program or script; skip without it, but never in CI, where it must be installed."""
    path = shutil.which(tool) or (tool if Path(tool).is_file() else None)
    if path is None:
        if os.environ.get("CI"):
            pytest.fail(f"{tool} is missing: .ci/run must install it")
        pytest.skip(f"{tool} is not installed")
    return path


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """Debian's Chromium without a window."""
    from playwright.sync_api import sync_playwright  # loaded only where pages are opened

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=needs("chromium"), args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    """Write a text file byte for byte."""
    path.write_bytes(text.encode(encoding))
    return path


@pytest.fixture(scope="session")
def ondra(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Study, list[Delivery]]]:
    """The invented Ondra Basin study: files handed in, values derived, cub ages calibrated. Leave it as it is."""
    folder = tmp_path_factory.mktemp("demo") / "ondra"
    files = make_demo(folder)
    with open_study(folder) as study:
        deliveries = study.intake(files)
        study.derive()
        write_calibration(
            fit(study.records("cub"), name="Ondra Basin", invented=True).calibration, folder / "calibration.toml"
        )
        yield study, deliveries
