"""A study's open questions, gathered from its register, layers and settings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from densite.animalterms import KINDS
from densite.errors import LayerError, Level, MapError, Problem, SettingsError

if TYPE_CHECKING:
    import pandas as pd

    from densite.cover import Legend
    from densite.layers import Features, Raster
    from densite.register import Register
    from densite.review import Review
    from densite.settings import Settings


class Study(Protocol):
    """What of a study is asked here; :class:`densite.pipeline.Study` has it."""

    folder: Path
    settings: Settings
    register: Register

    @property
    def layers(self) -> dict[str, Raster | Features]:
        """Map layers by name."""

    @property
    def zone(self) -> ZoneInfo:
        """Time zone."""

    @property
    def area(self) -> Any:
        """Study boundary."""

    def records(self, kind: str) -> pd.DataFrame:
        """Records of one kind of the animals' side."""


def review_of(study: Study) -> Review:
    """List what in a study a person should look at again.

    Parameters
    ----------
    study : Study
        Open study.

    Returns
    -------
    Review
    """
    from densite.history import changed_since_derive
    from densite.review import Held, look_again

    reg = study.register
    changed = changed_since_derive(reg, until=getattr(reg, "until", None))
    records = {kind: study.records(kind) for kind in KINDS}
    held = Held(reg.dens(), reg.visits(), reg.derived(), reg.reasons(), records, changed)
    return look_again(held, chosen=study.settings.check, area=study.area, cover=_cover(study),
                      of_animals=about_animals(study, records))  # fmt: skip


def about_animals(study: Study, records: Any = None) -> list[Problem]:
    """List what in a study's records of animals a person should look at again.

    Parameters
    ----------
    study : Study
        Open study.
    records : mapping of str to DataFrame, optional
        Its records by kind, where they are read already.

    Returns
    -------
    list of Problem
    """
    from densite import animalreview

    held, broken = records or {kind: study.records(kind) for kind in KINDS}, list[Problem]()
    protocol, calibration = (_if_legible(study, name, broken) for name in ("protocol", "calibration"))
    found = animalreview.findings(held, calibration, protocol=protocol, today=_today(study))
    return [*broken, *found]


def _if_legible(study: Study, name: str, broken: list[Problem]) -> Any:
    """Return the protocol or calibration; a file that cannot be read is one more thing to look at."""
    try:
        return getattr(study, name)
    except SettingsError as error:
        broken.append(Problem(Level.ERROR, str(error), name, file=getattr(study.settings.animals, name)))
        return None


def _today(study: Study) -> dt.date:
    moment = getattr(study.register, "moment", None)
    return dt.date.today() if moment is None else moment.astimezone(study.zone).date()


def _cover(study: Study) -> tuple[Raster, Legend] | LayerError | None:
    """Open the land cover; one that cannot be opened is one more thing to look at."""
    from densite.cover import read_legend
    from densite.layers import open_raster

    chosen = study.settings.layers.get("land_cover")
    if chosen is None:
        return None
    try:
        raster = open_raster("land_cover", chosen, folder=study.folder)
        return raster, read_legend(chosen.legend or "nlcd", folder=study.folder)
    except LayerError as error:
        return error


def labels_of(study: Study) -> dict[str, str]:
    """Return the label of each den by its id.

    Parameters
    ----------
    study : Study
        Open study.

    Returns
    -------
    dict of str to str
    """
    dens: Iterable[Any] = study.register.dens(only=("label",))["label"].items()
    return {str(den_id): str(label) for den_id, label in dens}


def write_worksheet(study: Study, path: Path, review: Review) -> Path:
    """Write the page of open questions.

    Parameters
    ----------
    study : Study
        Open study.
    path : Path
        HTML file to write.
    review : Review
        Its open questions.

    Returns
    -------
    Path

    Raises
    ------
    MapError
        There is no such folder, or the page cannot be drawn or written.
    """
    from densite.review.worksheet import worksheet
    from densite.webmap import write_map

    if not path.parent.is_dir():
        raise MapError(f"no folder {path.parent}: exact den places are only written where you mean it. Make it first")
    chosen = study.settings
    page = worksheet(review, study.register.dens(), title=chosen.study.name, study_id=chosen.study.id,
                     layers=study.layers, picture_px=chosen.map.overlay_px)  # fmt: skip
    write_map(page, path)
    return path
