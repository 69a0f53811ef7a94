"""The scripts and styles that a map carries inside itself, taken from installed packages."""

from __future__ import annotations

import importlib
import re
from importlib import resources
from pathlib import Path

from densite.errors import MapError

_LEAFLET = "xstatic.pkg.leaflet"
_CLUSTER = "xstatic.pkg.leaflet_markercluster"


def scripts() -> list[str]:
    """Return the library scripts and our own, in the order in which they must run.

    Raises
    ------
    MapError
        One of the packages that carry Leaflet is not installed.
    """
    return [
        leaflet()[0],
        _with_licence("markercluster", _library(_CLUSTER, "leaflet.markercluster.js")),
        *(_own(name) for name in ("parts.js", "dens.js", "panel.js", "map.js")),
    ]


def styles() -> list[str]:
    """Return the library styles and our own.

    Raises
    ------
    MapError
        One of the packages that carry Leaflet is not installed.
    """
    return [leaflet()[1], _library(_CLUSTER, "MarkerCluster.css"), _own("map.css")]


def leaflet() -> tuple[str, str]:
    """Return Leaflet's script and style alone, for a page with scripts of its own.

    Raises
    ------
    MapError
        The package that carries Leaflet is not installed.
    """
    script = _with_licence("leaflet", _library(_LEAFLET, "leaflet.js"))
    return script, _without_files(_library(_LEAFLET, "leaflet.css"))


def _own(name: str) -> str:
    return resources.files("densite.webmap").joinpath("browser", name).read_text(encoding="utf-8")


def _library(module: str, name: str) -> str:
    """Read one file of an XStatic package, without the pointer to its source map.

    A browser's developer tools would otherwise ask for the map, a request that must not leave.
    """
    try:
        folder = Path(importlib.import_module(module).BASE_DIR)
        text = (folder / name).read_text(encoding="utf-8")
    except (ImportError, OSError) as error:
        package = module.removeprefix("xstatic.pkg.").replace("_", "-")
        raise MapError(
            f"the map needs {name} of the package xstatic-{package}, which cannot be read ({error}); "
            f"install it with `pip install xstatic-{package}`"
        ) from None
    return re.sub(r"^//[#@] sourceMappingURL=.*$", "", text, flags=re.MULTILINE).strip()


def _without_files(css: str) -> str:
    """Drop references to files (Leaflet's own pin and layer pictures, which this map does not use)."""
    return re.sub(r"url\((?!data:)[^)]*\)", "none", css)


def _with_licence(name: str, script: str) -> str:
    """Put a library's full licence before it: the packages' files name it but do not hold it."""
    return f"/*!\n{_own(name + '-licence.txt').strip()}\n*/\n{script}"
