"""Laboratories' own files: wide and long, with preambles, in several encodings."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from densite.errors import IntakeError
from densite.intake.csvfile import LONGEST_CELL
from densite.samples.labfile import read_laboratory_file

WIDE = "Sample ID,Sex,G10B,G10B\nS-1,F,152,160\nS-2,M,,\n\nS-3,,154,154\n"


def read(path, content, **options):
    """Write a file and read its determinations."""
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return [(d.label, d.determination, d.value, d.line) for d in read_laboratory_file(path, **options)]


def test_wide(tmp_path) -> None:
    """One row a sample, one column a determination; blanks are none; lines are those of the file."""
    found = read(tmp_path / "lab.csv", WIDE, label_column="sample id")
    assert found == [
        ("S-1", "Sex", "F", 2), ("S-1", "G10B", "152", 2), ("S-1", "G10B (2)", "160", 2), ("S-2", "Sex", "M", 3),
        ("S-3", "G10B", "154", 5), ("S-3", "G10B (2)", "154", 5),
    ]  # fmt: skip


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters(tmp_path, encoding, delimiter) -> None:
    """As spreadsheets of any country write them, with decimal commas kept as written."""
    text = f'Échantillon{delimiter}Sexe{delimiter}Poids\r\nS-1{delimiter}F{delimiter}"1,5"\r\n'
    found = read(tmp_path / "lab.csv", text.encode(encoding), label_column="Échantillon")
    assert found == [("S-1", "Sexe", "F", 2), ("S-1", "Poids", "1,5", 2)]


def test_lines_above_the_table(tmp_path) -> None:
    """A title and an address are passed over; a blank heading is the second allele of the one before."""
    text = "Report of Lab A; 2026\nwell tested; twice\n\nSample;G10B;;G1A;\nS-1;152;160;190;\n"
    found = read(tmp_path / "lab.csv", text)
    assert found == [("S-1", "G10B", "152", 5), ("S-1", "G10B (2)", "160", 5), ("S-1", "G1A", "190", 5)]
    letter = "".join(f"line {n}\n" for n in range(50))
    assert read(tmp_path / "lab.csv", f"{letter}Sample;Sex\nS-1;F\n") == [("S-1", "Sex", "F", 52)]


def test_long(tmp_path) -> None:
    """A file that is long already, with columns that are not used."""
    found = read(tmp_path / "lab.csv", "label,well,determination,value\nS-1,A01,sex,F\nS-1,A02,G10B,\n")
    assert found == [("S-1", "sex", "F", 2)]


def test_only_what_is_wanted(tmp_path) -> None:
    """Wells and plates are left out; both alleles of a locus are wanted."""
    found = read(tmp_path / "lab.csv", WIDE, label_column="Sample ID", only=["g10b"])
    assert [name for _, name, _, _ in found] == ["G10B", "G10B (2)"] * 2


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (WIDE.replace("Sample ID", "Tube"), "no column headed.*first line holds 'Tube', 'Sex'.*--label-column"),
        ("Sample,Label,Sex\nS-1,S-1,F\n", "two columns of labels"),
        ("Sample,Sex\nS-1,F,more\n", "line 2: 3 cells under 2 headings"),
        (b"PK\x03\x04\x00\n", "Export it as CSV"),
        (b"", "empty"),
        (b'Sample,Sex\nS-1,"' + b"x" * (LONGEST_CELL + 1), "no readable table"),
        (b"\n\n", "holds nothing"),
        (b"\xff\xfeS", "not in the encoding utf-16"),
    ],
)
def test_files_that_cannot_be_read(tmp_path, content, told) -> None:
    """What is wrong, and what to do next."""
    with pytest.raises(IntakeError, match=told):
        read(tmp_path / "lab.csv", content)


@given(st.binary(max_size=80) | st.text(max_size=80).map(str.encode))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
def test_any_bytes_end_in_rows_or_one_message(tmp_path, content) -> None:
    """No traceback, whatever a laboratory sends."""
    try:
        for label, name, value, line in read(tmp_path / "lab.csv", b"Sample,Sex\n" + content):
            assert label and name and value and line > 1
    except IntakeError as error:
        assert "lab.csv" in str(error)


def test_only_line_ends_end_lines(tmp_path) -> None:
    """A form feed or a line break inside quotes is part of the cell."""
    found = read(tmp_path / "lab.csv", 'Sample,Sex,Say\r\nS-1,F\x0c,"a\nb"\r\nS-2,M,\r\n')
    assert found == [("S-1", "Sex", "F", 3), ("S-1", "Say", "a\nb", 3), ("S-2", "Sex", "M", 4)]
