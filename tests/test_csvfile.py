"""Text tables: lines, delimiters, encodings, and files that are none."""

import pytest
from conftest import write
from hypothesis import given
from hypothesis import strategies as st

from densite.errors import IntakeError, Level
from densite.intake.csvfile import encoding_of, read_csv


def rows(path, **options):
    """Read all rows with no mapping."""
    return list(read_csv(path, mapping=options.pop("mapping", {}), **options))


def test_lines_are_the_physical_ones(tmp_path) -> None:
    """A text of two lines inside quotes, and a blank line, do not shift the count."""
    path = write(tmp_path / "a.csv", 'Den,notes\nD-1,"two\nlines"\n\nD-2,x\n')
    assert [(r.line, r.values) for r in rows(path)] == [
        (2, {"den_label": "D-1", "notes": "two\nlines"}),
        (5, {"den_label": "D-2", "notes": "x"}),
    ]


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_delimiter_is_found_in_the_header(tmp_path, mark) -> None:
    """Comma, semicolon, tab or bar."""
    path = write(
        tmp_path / "a.csv",
        mark.join(["den", "type", "lat"]) + "\n" + mark.join(["D-1", "tree", "44.5"]) + "\n",
    )
    assert rows(path)[0].values == {"den_label": "D-1", "den_type": "tree", "latitude": "44.5"}


@pytest.mark.parametrize(
    ("encoding", "found"),
    [("utf-8", "utf-8-sig"), ("utf-8-sig", "utf-8-sig"), ("cp1252", "cp1252"), ("utf-16", "utf-16")],
)
def test_encodings_are_found_out(tmp_path, encoding, found) -> None:
    """An accent survives in each."""
    path = write(tmp_path / "a.csv", "den,notes\nD-1,épicéa\n", encoding)
    assert encoding_of(path) == found
    assert rows(path)[0].values["notes"] == "épicéa"


def test_mixed_encodings_are_told_with_both_lines(tmp_path) -> None:
    """One line UTF-8, another not."""
    path = tmp_path / "a.csv"
    path.write_bytes("den,notes\nD-1,épicéa\n".encode() + "D-2,épicéa\n".encode("cp1252"))
    with pytest.raises(IntakeError, match="line 2 is UTF-8, line 3 is not"):
        rows(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\x00\x01\x02PNG", "NUL bytes"),
        (b"\n\n", "line 1 is blank"),
        (b"a,b\n1,2\n", "no known column"),
    ],
)
def test_files_that_are_no_tables(tmp_path, content, said) -> None:
    """One clear error each."""
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    with pytest.raises(IntakeError, match=said):
        rows(path)


def test_a_byte_order_mark_goes_before_a_declared_encoding(tmp_path) -> None:
    """A rejected file is UTF-8 with a mark, whatever the crews' own files are in."""
    path = write(tmp_path / "a.csv", "den,notes\nD-1,épicéa\n", "utf-8-sig")
    assert rows(path, encoding="cp1252")[0].values == {"den_label": "D-1", "notes": "épicéa"}


def test_an_unclosed_quote_is_asked_about(tmp_path) -> None:
    """It would swallow the rows that follow."""
    path = write(tmp_path / "a.csv", 'den,lat,lon,notes\nD-1,44,-118,"deep snow\nD-2,45,-118,x\nD-3,46,-118,y\n')
    (row,) = rows(path)
    assert [p.level for p in row.problems] == [Level.CONFIRM]
    assert "lines 2 to 4" in row.problems[0].message


def test_trailing_empty_cells_are_nothing_and_others_are_kept(tmp_path) -> None:
    """A spreadsheet's extra commas do no harm; what stands in extra cells comes back with the row."""
    path = write(tmp_path / "a.csv", "den,lat,lon\nD-1,44,-118,,\nD-2,45,-118,x,\n")
    first, second = rows(path)
    assert not first.problems
    assert second.raw["(more cells)"] == "x"


def test_a_long_cell_is_only_long(tmp_path) -> None:
    """200,000 characters in a note."""
    path = write(tmp_path / "a.csv", "den,notes\nD-1," + "x" * 200_000 + "\n")
    assert len(rows(path)[0].values["notes"]) == 200_000


def test_wrong_declared_encoding(tmp_path) -> None:
    """study.toml says UTF-8, the file is not; or names no encoding at all."""
    path = write(tmp_path / "a.csv", "den,notes\nD-1,épicéa\n", "cp1252")
    for encoding in ("utf-8", "utf-9"):
        with pytest.raises(IntakeError, match="is not in the encoding"):
            rows(path, encoding=encoding)


def test_too_many_cells_are_a_problem_of_the_row(tmp_path) -> None:
    """An unquoted decimal comma shifts the cells."""
    path = write(tmp_path / "a.csv", "den,lat,lon\nD-1,44,51230,-118.2\n")
    (row,) = rows(path)
    assert [p.level for p in row.problems] == [Level.ERROR]


def test_two_headings_for_one_term(tmp_path) -> None:
    """Both cannot be the latitude."""
    path = write(tmp_path / "a.csv", "lat,latitude\n1,2\n")
    with pytest.raises(IntakeError, match="all mean latitude"):
        rows(path)
    path = write(tmp_path / "b.csv", "den,notes,notes\n1,2,3\n")
    with pytest.raises(IntakeError, match="more than one column is headed 'notes'"):
        rows(path)


def test_own_headings_by_mapping_and_unknown_ones_by_note(tmp_path) -> None:
    """The study's mapping goes first; what nobody knows is said once."""
    path = write(tmp_path / "a.csv", "Loch,Wetter\nD-1,snow\nD-2,sun\n")
    first, second = rows(path, mapping={"loch": "den_label"})
    assert first.values == {"den_label": "D-1"}
    assert "'Wetter'" in first.problems[0].message
    assert second.problems == ()
    with pytest.raises(IntakeError, match="no such column"):
        rows(path, mapping={"loch": "den_name"})


@given(st.binary(max_size=300))
def test_any_bytes_end_in_rows_or_one_error(tmp_path_factory, content) -> None:
    """No other error than ours, whatever the file holds."""
    path = tmp_path_factory.mktemp("wild") / "a.csv"
    path.write_bytes(b"den,lat\n" + content)
    try:
        rows(path)
    except IntakeError as error:
        assert "a.csv" in str(error)
