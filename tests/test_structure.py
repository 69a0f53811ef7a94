"""The rooms: imports go to a lower room or stay inside one, there are no cycles, the start is light."""

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import densite

PACKAGE = Path(densite.__file__).parent

ROOMS = {
    "animalreview": 6,
    "littertables": 6,
    "births": 5,
    "cubchecks": 5,
    "cubsigns": 5,
    "knownage": 5,
    "placed": 2,
    "animalterms": 1,
    "protocol": 1,
    "unitslips": 5,
    "vitals": 5,
    "handlingreview": 6,
    "chart": 6,
    "animals": 2,
    "transponder": 2,
    "calibration": 5,
    "cubs": 5,
    "growth": 5,
    "handling": 5,
    "litters": 5,
    "marks": 5,
    "permits": 5,
    "samples": 5,
    "identity": 6,
    "exports": 6,
    "visitsheet": 6,
    "phoneform": 6,
    "animalfiles": 7,
    "knownrecords": 6,
    "visits": 5,
    "errors": 1,
    "wholefile": 1,
    "terms": 1,
    "settings": 1,
    "settingsfile": 2,
    "places": 2,
    "magnetism": 2,
    "offsets": 2,
    "triangulation": 2,
    "records": 2,
    "intake": 3,
    "register": 3,
    "layers": 3,
    "blocks": 3,
    "blockkernel": 3,
    "sunkernel": 4,
    "sunpath": 4,
    "testing": 3,
    "discs": 4,
    "disckernel": 4,
    "terrain": 4,
    "cover": 4,
    "distance": 4,
    "nearest": 4,
    "sun": 4,
    "settlement": 4,
    "gradient": 4,
    "covariates": 5,
    "available": 5,
    "surfaces": 5,
    "compare": 5,
    "tables": 6,
    "findings": 6,
    "figures": 6,
    "inquiry": 6,
    "pointfile": 6,
    "webmap": 6,
    "review": 6,
    "history": 6,
    "corrections": 7,
    "withdrawals": 7,
    "asof": 7,
    "answers": 7,
    "lookout": 7,
    "deliveries": 7,
    "handovers": 7,
    "fieldentries": 7,
    "fieldphotos": 7,
    "known": 7,
    "studyfolder": 7,
    "demo": 7,
    "pipeline": 7,
    "questions": 7,
    "settling": 7,
    "campaign": 7,
    "workers": 7,
    "cli": 8,
    "__init__": 9,
    "__main__": 9,
}


def modules() -> list[Path]:
    """List the package's modules."""
    return sorted(p for p in PACKAGE.rglob("*.py") if "layers_demo" not in p.parts)


def dotted(path: Path) -> str:
    """Return the dotted name of a module's file."""
    return ".".join(("densite", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")


@cache
def names() -> frozenset[str]:
    """List the dotted names of all modules."""
    return frozenset(dotted(path) for path in modules())


def room_of(dotted: str) -> str:
    """Return the room of ``densite.room.module``."""
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def imports(path: Path) -> set[str]:
    """List the densite modules that a module imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("densite"):
            full = (f"{node.module}.{alias.name}" for alias in node.names)
            found.update(name if name in names() else node.module for name in full)
        elif isinstance(node, ast.Import):
            found.update(a.name for a in node.names if a.name.startswith("densite"))
    return found


def name_of(path: Path) -> str:
    """Return the room in which a file stands."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_to_a_lower_room(path) -> None:
    """No module imports from a higher room; in the same room only what does not import back."""
    own = name_of(path)
    for name in imports(path):
        assert ROOMS[room_of(name)] <= ROOMS[own], f"{own} imports {name}"


def test_every_room_is_known() -> None:
    """A new file must be given its room here."""
    assert {name_of(p) for p in modules()} == ROOMS.keys()


def test_no_cycles_between_modules() -> None:
    """Following the imports never comes back."""
    graph = {dotted(path): imports(path) for path in modules()}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way, name))
        if name in done or name not in graph:
            return
        for other in graph[name]:
            visit(other, (*way, name))
        done.add(name)

    for name in graph:
        if name != "densite":  # the package's own names are fetched late, by __getattr__
            visit(name, ())


def test_compare_knows_no_files() -> None:
    """Statistics take arrays and frames, never paths, layers or a register."""
    for path in (PACKAGE / "compare").glob("*.py"):
        assert not {room_of(d) for d in imports(path)} & {"layers", "register", "settings", "intake"}
        assert "open(" not in path.read_text(encoding="utf-8")


def test_help_imports_nothing_heavy() -> None:
    """`densite --help` must answer at once: no numpy, pandas, GDAL or pydantic on the way."""
    code = (
        "import sys; sys.argv=['densite','--help']\n"
        "from densite.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & "
        "{'numpy','pandas','rasterio','geopandas','pydantic','sqlalchemy','folium','shapely','pyproj','scipy'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[]")


def test_a_den_is_logged_without_the_analysis(tmp_path) -> None:
    """`densite log` must answer at once: what tables, rasters and shapes need is loaded by those steps."""
    code = (
        "import sys\n"
        "from densite.cli import main\n"
        "for words in (['new', 's', '--name', 'x', '--crs', 'EPSG:32611', '--time-zone', 'America/Boise'],\n"
        "              ['log', '--study', 's', '--den-label', 'D-1', '--date', '2026-02-24', '--datum', 'WGS84',\n"
        "               '--latitude', '43.5', '--longitude', '-115.5', '--den-type', 'tree']):\n"
        "    sys.argv = ['densite', *words]\n"
        "    try: main()\n"
        "    except SystemExit as ended: assert not ended.code\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & "
        "{'numpy','pandas','rasterio','geopandas','folium','shapely','scipy','matplotlib'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert "Recorded: D-1" in done.stdout
    assert done.stdout.strip().endswith("[]")


def test_files_say_what_they_are() -> None:
    """Every module starts with a docstring whose first line stands alone."""
    for path in modules():
        doc = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
        assert doc, path
        assert doc.splitlines()[0].endswith("."), path
