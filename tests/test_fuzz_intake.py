"""Thousands of damaged files handed in: no traceback, no row lost, memory bounded."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import random
import resource
import shutil
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from html import escape
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from conftest import STUDY_TOML
from made_handins import (
    CUB,
    DEN,
    HEADS,
    POINT,
    den_cells,
    den_line,
    entry,
    entry_id,
    field_file,
    jpeg,
    kml,
    layer,
    photograph,
    placemark,
    table,
    workbook,
)  # fmt: skip

from densite.errors import IntakeError
from densite.handovers import hand_in_all
from densite.register import create_register, open_register
from densite.settings import parse

SETTINGS = parse(STUDY_TOML)
ROWS = 4
HOSTILE = (
    "", " ", "\x00", "\x1b[2J", "\u202e", "\ufeff", "=1+1", "@x", "'", '"', "''=x", "';DROP TABLE den;--", "<b>&amp;",
    "nan", "inf", "-inf", "1e999", "9" * 400, "-0", "0x10", "1_000", "٣", "½", "1,5", "NaN%", "90.0000001", "-180",
    "2026-02-30", "0000-00-00", "9999-12-31", "1899-12-31T23:59:59Z", "2026-02-24T08:14+99:99", "24:61", "11N", "32611",
    "x" * 5000, "a\nb", "a\r\nb", "\t", ";;;;", "|", "🐻", "e\u0301", "[object Object]", "null", "true", "{}", "D-1",
)  # fmt: skip
BYTES = (b"\x00", b"\xff\xfe", b"\xed\xa0\xbd", b"\x80", b'"', b"<", b">", b"&", b"]]>", b"{", b"[", b"}", b"\\ud83d",
         b"<!ENTITY a 'b'>", b"9" * 5000, b"[" * 3000, b"\r", b"\n", b"PK\x03\x04", b"-", b"e309", b"null")  # fmt: skip


def seeds(folder: Path) -> dict[str, Path]:
    """Write one sound file of each kind, of four rows."""
    folder.mkdir()
    dens = range(1, ROWS + 1)
    made = {name: folder / name for name in ("a.csv", "b.txt", "c.csv", "d.json", "e.gpx", "f.kml")}
    made["a.csv"].write_text(table(dens), encoding="utf-8")
    made["b.txt"].write_text(table(dens, "\t"), encoding="utf-16")
    made["c.csv"].write_text(table(dens, ";").replace("tree", "träd"), encoding="cp1252")
    made["d.json"].write_text(geojson([dict(zip(HEADS, den_line(n), strict=True)) for n in dens]), encoding="utf-8")
    made["e.gpx"].write_text(gpx([dict(zip(HEADS, den_line(n), strict=True)) for n in dens]), encoding="utf-8")
    made["f.kml"].write_text(kml(*(placemark(n, description="type: tree") for n in dens)), encoding="utf-8")
    made["g.geojson"] = field_file(folder / "g.geojson", entries([DEN, DEN | {"den_label": "D-2", "latitude": "43.7"}]))
    made["h.xlsx"] = workbook(folder / "h.xlsx", Dens=[HEADS, *map(den_cells, dens)])
    made["i.gpkg"] = layer(folder / "i.gpkg", dens, crs=32611)
    made["j.shp"] = layer(folder / "j.shp", dens, crs=26911)
    made["k.zip"] = folder / "k.zip"
    with zipfile.ZipFile(made["k.zip"], "w", zipfile.ZIP_DEFLATED) as packed:
        for path in (made["a.csv"], made["e.gpx"], made["h.xlsx"]):
            packed.write(path, path.name)
    return made


def geojson(dens: list[dict[str, str]]) -> str:
    """Return dens as features."""
    features = [{"type": "Feature", "geometry": POINT, "properties": den} for den in dens]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1)


def gpx(dens: list[dict[str, str]]) -> str:
    """Return dens as waypoints."""
    points = (
        f'<wpt lat="{escape(den["latitude"])}" lon="-115.5"><name>{escape(den["den_label"])}</name>'
        f"<time>2026-02-24</time><desc>type: {escape(den['den_type'])}</desc></wpt>\n"
        for den in dens
    )
    return f"<gpx>\n{''.join(points)}</gpx>"


def entries(dens: list[dict[str, str]]) -> list[dict[str, Any]]:
    """Return each den as an entry with a cub and a photograph."""
    picture = photograph(jpeg())
    made = []
    for n, den in enumerate(dens):
        made.append(entry(2 * n, "den", den, place=POINT, photos=[picture]))
        made.append(entry(2 * n + 1, "cub", CUB, visit=entry_id(2 * n)))
    return made


def damaged(data: bytes, chance: random.Random) -> bytes:
    """Damage bytes in one to four places."""
    for _ in range(chance.choice((1, 1, 2, 4))):
        at, size = chance.randrange(len(data) + 1), chance.choice((1, 1, 4, 40, 400))
        way = chance.randrange(6)
        if way == 0 and at < len(data):
            data = data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
        elif way == 1:
            data = data[:at] + data[at + size :]
        elif way == 2:
            data = data[:at] + chance.choice(BYTES) + data[at:]
        elif way == 3:
            data = data[:at] + data[at : at + size] * 3 + data[at + size :]
        elif way == 4:
            data = data[:at] if chance.random() < 0.3 else data[:at] + chance.randbytes(size) + data[at + size :]
        else:
            other = chance.randrange(len(data) + 1)
            data = data[:at] + data[other : other + size] + data[at + size :]
    return data


def repacked(path: Path, chance: random.Random) -> bytes:
    """Damage a member of an archive and pack it anew, so that its check sum holds."""
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    name = chance.choice([name for name in members if "sheet" in name or "sharedStrings" in name or "/" not in name])
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as packed:
        for one, content in members.items():
            packed.writestr(one, damaged(content, chance) if one == name else content)
    return made.getvalue()


def mutated(seed: Path, folder: Path, chance: random.Random) -> Path:
    """Write a damaged copy of a file, those that belong to it beside it."""
    target = folder / seed.name
    if seed.suffix == ".shp":
        beside = [path for path in seed.parent.glob("j.*") if path != seed]
        hurt = chance.choice([seed, *beside])
        for path in (seed, *beside):
            content = path.read_bytes()
            (folder / path.name).write_bytes(damaged(content, chance) if path == hurt else content)
    elif seed.suffix in (".zip", ".xlsx") and chance.random() < 0.7:
        target.write_bytes(repacked(seed, chance))
    else:
        target.write_bytes(damaged(seed.read_bytes(), chance))
    return target


def hostile(folder: Path, chance: random.Random) -> Path:
    """Write a sound file whose cells hold what crews, programs and attackers may leave in them."""
    dens = [dict(zip(HEADS, den_line(n), strict=True)) for n in range(1, ROWS + 1)]
    for _ in range(chance.choice((1, 2, 5))):
        chance.choice(dens)[chance.choice(HEADS)] = chance.choice(HOSTILE)
    kind = chance.choice(list(WRITERS))
    path = folder / f"w.{kind}"
    WRITERS[kind](path, dens)
    return path


def _write_csv(path: Path, dens: list[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, HEADS, quoting=csv.QUOTE_ALL)
        writer.writeheader()
        writer.writerows({k: v.replace("\x00", "") for k, v in den.items()} for den in dens)


def _write_xlsx(path: Path, dens: list[dict[str, str]]) -> None:
    clean = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE
    workbook(path, Dens=[HEADS, *([clean.sub("", value) for value in den.values()] for den in dens)])


def _write_gpx(path: Path, dens: list[dict[str, str]]) -> None:
    clean = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE
    path.write_text(clean.sub("", gpx(dens)), encoding="utf-8")


WRITERS: dict[str, Callable[[Path, list[dict[str, str]]], object]] = {
    "csv": _write_csv, "xlsx": _write_xlsx, "gpx": _write_gpx,
    "json": lambda path, dens: path.write_text(geojson(dens), encoding="utf-8"),
    "geojson": lambda path, dens: field_file(path, entries(dens)[::2]),
}  # fmt: skip


class Handing:
    """Hands files in, one after the other, and keeps count."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.counts: Counter[str] = Counter()
        self.slowest = (0.0, "")
        create_register(folder / "new.gpkg", study_id="test").close()
        self.empty = open_register(folder / "new.gpkg")

    def __call__(self, path: Path, *, dry_run: bool) -> int | None:
        """Hand a file in; return how many rows came of it, None where it was refused."""
        begin = time.perf_counter()
        rows = self._rows(path, dry_run)
        self.slowest = max(self.slowest, (time.perf_counter() - begin, path.name))
        return rows

    def _rows(self, path: Path, dry_run: bool) -> int | None:
        target = self.folder / "register.gpkg"
        if not dry_run:
            shutil.copyfile(self.folder / "new.gpkg", target)
        with contextlib.nullcontext(self.empty) if dry_run else open_register(target) as register:
            try:
                made = hand_in_all(path, register=register, settings=SETTINGS, out=self.folder / "out",
                                   photographs=self.folder / "photos", dry_run=dry_run)  # fmt: skip
            except IntakeError as error:
                assert str(error).encode()
                self.counts["refused"] += 1
                return None
            if not dry_run:
                self._look_into(register, made)
        self.counts["read"] += 1
        for delivery in made:
            "".join(map(str, [delivery.summary, delivery.failed, *delivery.problems])).encode()
            recorded = delivery.visits + delivery.records
            assert delivery.rows == recorded + delivery.known + len(delivery.held_back) + delivery.left_out, delivery
            self.counts.update(rows=delivery.rows, recorded=recorded, known=delivery.known,
                               held_back=len(delivery.held_back), parts_refused=bool(delivery.failed))  # fmt: skip
        return sum(delivery.rows for delivery in made)

    def _look_into(self, register: Any, made: list[Any]) -> None:
        """What is said to be recorded is in the register, what is held back stands in a file."""
        visits = sum(delivery.visits for delivery in made)
        assert register.counts()["visit"] == visits
        for delivery in made:
            if delivery.held_back:
                with delivery.rejected.open(encoding="utf-8-sig", newline="") as file:
                    assert len(list(csv.reader(file))) == len(delivery.held_back) + 1


def _cases(count: int, folder: Path, chance: random.Random) -> Iterator[tuple[Path, bool]]:
    """Yield files and whether all their rows must be accounted for."""
    files = list(seeds(folder / "seeds").values())
    for number in range(count):
        work = folder / "work"
        work.mkdir(exist_ok=True)
        for left in work.iterdir():
            left.unlink()
        if number % 4 == 3:
            yield hostile(work, chance), True
        else:
            yield mutated(files[number % len(files)], work, chance), False


def fuzz(count: int, folder: Path, seed: int) -> Handing:
    """Hand in damaged files."""
    handing = Handing(folder)
    chance = random.Random(seed)  # noqa: S311 - damage, no secret
    for number, (path, sound) in enumerate(_cases(count, folder, chance)):
        rows = handing(path, dry_run=number % 9 != 0)  # 9 shares nothing with 4 and 11: every sort is recorded too
        if sound:
            assert rows is not None
            assert rows in (ROWS, ROWS - 1), path  # a den whose cells are all blank is no row
    return handing


def test_sound_files_go_in_whole(tmp_path) -> None:
    """What is damaged below is sound: each row recorded."""
    handing = Handing(tmp_path)
    for path in seeds(tmp_path / "seeds").values():
        assert handing(path, dry_run=False) == (12 if path.suffix == ".zip" else ROWS)
    assert handing.counts["refused"] == 0


def test_damaged_files(tmp_path) -> None:
    """Three hundred: refused in one message, or every row recorded, known or held back."""
    counts = fuzz(300, tmp_path, seed=7).counts
    assert min(counts["refused"], counts["recorded"], counts["held_back"]) > 20


@pytest.mark.gate
def test_very_many_damaged_files(tmp_path, figure) -> None:
    """Twenty thousand, and how much memory they took."""
    (tmp_path / "warm").mkdir()
    fuzz(300, tmp_path / "warm", seed=1)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    begin = time.perf_counter()
    handing = fuzz(20_000, tmp_path, seed=20_000)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024 - before
    said = ", ".join(f"{name} {count}" for name, count in sorted(handing.counts.items()))
    figure(f"20000 damaged files in {time.perf_counter() - begin:.0f} s: {said}; slowest {handing.slowest}; "
          f"memory {before} MiB, grown by {grown} MiB")  # fmt: skip
    assert grown < 300
