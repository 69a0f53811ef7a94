"""Workbooks: cells written as a crew would have, formulas told, bombs refused."""

import datetime as dt
import zipfile

import openpyxl
import pytest
from made_handins import HEADS, archive, den_cells, workbook

from densite.errors import IntakeError, Level
from densite.intake.xlsx import read_workbook, text_of
from densite.settings import IntakeSettings


def parts(path, **columns):
    """Read a workbook."""
    return list(read_workbook(path, name=path.name, settings=IntakeSettings(columns=columns)))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (dt.datetime(2026, 2, 24), "2026-02-24"), (dt.datetime(2026, 2, 24, 8, 14), "2026-02-24T08:14:00"),
        (dt.date(2026, 2, 24), "2026-02-24"), (dt.time(8, 14), "08:14"), (dt.time(8, 14, 30), "08:14:30"),
        (dt.timedelta(minutes=494), "08:14"), (True, "yes"), (20, "20"), (20.0, "20"), (0.1 + 0.2, "0.3"),
        (43.612345678, "43.612345678"), (None, ""), (" tree ", "tree"), ("'=x", "=x"),
    ],
)  # fmt: skip
def test_cells_as_a_crew_writes_them(value, text) -> None:
    """Days, times, numbers as shown; no binary digits, no midnight."""
    assert text_of(value) == text


def test_percent_is_what_the_cell_shows(tmp_path) -> None:
    """A cell that shows 40 % holds 0.4."""
    path = workbook(tmp_path / "a.xlsx", Dens=[[*HEADS, "canopy_pct"], [*den_cells(1), 0.07]])
    book = openpyxl.load_workbook(path)
    book["Dens"]["J2"].number_format = "0 %"
    book.save(path)
    (row,) = parts(path)[0].rows
    assert row.values["canopy_pct"] == "7 %"
    assert (row.values["date"], row.values["latitude"], row.values["uncertainty_m"]) == ("2026-02-24", "43.01", "5")


def test_each_sheet_has_its_kind(tmp_path) -> None:
    """Told by headings; one without any known is told, a blank one is not; lines are the sheet's own."""
    cubs = [[], ["den_label", "date", "cub_no", "mass_g"], [], ["D-1", "2026-02-24", 1, 900]]
    sheets = {
        "Dens": [HEADS, den_cells(1)],
        "Cubs": cubs,
        "Legend": [["a", "b"], [1, 2]],
        "Blank": [],
        "Marks": [HEADS],
    }
    found = parts(workbook(tmp_path / "a.xlsx", **sheets))
    kinds = [(p.file, p.kind.name if p.kind else "den", p.rowless) for p in found]
    assert kinds == [
        ("a.xlsx sheet Dens", "den", False), ("a.xlsx sheet Cubs", "cub", False), ("a.xlsx sheet Legend", "den", True),
        ("a.xlsx sheet Marks", "den", True),
    ]  # fmt: skip
    assert [row.line for row in found[1].rows] == [4]
    assert [p.level for part in found for p in part.remarks] == [Level.WARNING, Level.NOTE]


def test_a_formula_is_taken_as_last_counted_or_refused(tmp_path) -> None:
    """Its value where the spreadsheet program kept one, told once; never a silent blank."""
    path = workbook(tmp_path / "a.xlsx", Dens=[HEADS, [*den_cells(1)[:-1], "=10+10"], [*den_cells(2)[:-1], "=1/0"]])
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    counted = members[sheet].replace(b"<f>10+10</f><v></v>", b"<f>10+10</f><v>20</v>")
    counted = counted.replace(b"<f>10+10</f><v />", b"<f>10+10</f><v>20</v>")
    assert counted != members[sheet]
    first, second = parts(archive(tmp_path / "b.xlsx", members | {sheet: counted}))[0].rows
    assert first.values["slope_deg"] == "20"
    assert ["formulas" in p.message for p in first.problems] == [True]
    assert [(p.level, "never counted" in p.message) for p in second.problems] == [(Level.ERROR, True)]


def test_a_spreadsheets_error_is_no_text(tmp_path) -> None:
    """A #REF! under notes does not become a note."""
    path = workbook(tmp_path / "a.xlsx", Dens=[[*HEADS, "notes"], [*den_cells(1), "#REF!"]])
    (row,) = parts(path)[0].rows
    assert [p.level for p in row.problems] == [Level.ERROR]


def test_cells_under_no_heading_are_kept(tmp_path) -> None:
    """Between headings by their column; beyond them the row is refused."""
    path = workbook(
        tmp_path / "a.xlsx", Dens=[[*HEADS, None, "notes"], [*den_cells(1), "x", "y"], [*den_cells(2), 1, 2, 3]]
    )
    first, second = parts(path)[0].rows
    assert first.raw["(column J)"] == "x"
    assert [p.level for p in second.problems] == [Level.ERROR]
    assert second.raw["(more cells)"] == "3"


@pytest.mark.parametrize("broken", ["bomb", "entity", "row", "cut", "text", "empty"])
def test_bombs_and_broken_files_are_refused(tmp_path, broken) -> None:
    """One message each, before memory is used."""
    path = workbook(tmp_path / "a.xlsx", Dens=[HEADS, den_cells(1)])
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    if broken == "bomb":
        members["xl/sharedStrings.xml"] = b" " * (9 * 2**20)
    elif broken == "entity":
        members[sheet] = b'<!DOCTYPE x [<!ENTITY a "aaaa">]>' + members[sheet]
    elif broken == "row":
        members[sheet] = members[sheet].replace(b'<row r="2"', b'<row r="99999999999"')
    archive(path, members)
    if broken == "cut":
        path.write_bytes(path.read_bytes()[:-200])
    elif broken in ("text", "empty"):
        path.write_bytes(b"den_label,date\n" if broken == "text" else b"")
    with pytest.raises(IntakeError):
        for part in parts(path):
            list(part.rows)


def test_hidden_sheets_and_merged_cells_are_told(tmp_path) -> None:
    """What a person does not see in the spreadsheet program, or sees in rows where it does not stand."""
    path = workbook(tmp_path / "a.xlsx", Dens=[HEADS, den_cells(1), den_cells(2)], Old=[HEADS, den_cells(3)])
    book = openpyxl.load_workbook(path)
    book["Dens"].merge_cells("H2:H3")
    book["Old"].sheet_state = "hidden"
    book.save(path)
    dens, old = parts(path)
    assert [(p.level, "H2:H3" in p.message) for p in dens.remarks] == [(Level.WARNING, True)]
    assert [p.message[:20] for p in old.remarks] == ["sheet Old is hidden "]
    assert [row.values.get("observer", "") for row in dens.rows] == ["KR", ""]


def test_a_locked_workbook_is_told(tmp_path) -> None:
    """It is no zip file any more."""
    (tmp_path / "a.xlsx").write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600))
    with pytest.raises(IntakeError, match="locked with a password"):
        parts(tmp_path / "a.xlsx")
