"""Dens as GeoParquet 1.0, for data frames; needs pyarrow, which is an extra."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from sqlalchemy import Connection

from densite.errors import RegisterError
from densite.exports import NOTICE
from densite.exports.held import names_of, rows
from densite.register import schema
from densite.settings import Settings


def ready() -> None:
    """Make sure before anything is written that GeoParquet can be written.

    Raises
    ------
    RegisterError
        pyarrow is not installed.
    """
    if importlib.util.find_spec("pyarrow") is None:
        raise RegisterError('GeoParquet needs pyarrow: pip install "densite[cluster]", or choose other formats')


def write_geoparquet(connection: Connection, settings: Settings, folder: Path) -> list[Path]:  # noqa: ARG001
    """Write a row a den, withdrawn ones left out.

    Parameters
    ----------
    connection : Connection
        Reading one state of the register.
    settings : Settings
        Not needed here.
    folder : Path
        Where to write.

    Returns
    -------
    list of Path
        ``dens.parquet``.
    """
    import geopandas as gpd
    import pandas as pd
    from pyarrow import parquet

    names = names_of(schema.den)
    frame = pd.DataFrame(list(rows(connection, schema.den, every=False)), columns=names)
    points = gpd.points_from_xy(frame.pop("longitude"), frame.pop("latitude"))
    path = folder / "dens.parquet"
    gpd.GeoDataFrame(frame, geometry=points, crs="EPSG:4326").to_parquet(path, index=False)
    table = parquet.read_table(path)
    parquet.write_table(table.replace_schema_metadata({**table.schema.metadata, b"notice": NOTICE.encode()}), path)
    return [path]
