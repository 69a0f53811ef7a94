"""The keys of a GeoPackage find every den and visit that is meant, whoever wrote it."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import create_engine, text

from densite.intake.screening import squeezed
from densite.records import folded_label
from densite.register.columns import encode_point, geopackage_blob
from densite.register.nearby import FEMALE, LABEL, between, called

LATITUDES = st.floats(-90, 90) | st.sampled_from([0.0, -0.0, 1e-300, -1e-300, 64.0, -64.0])
# Letters that fold to ASCII, to two letters, or not at all in SQLite; blanks of several kinds.
NAMES = st.text(st.sampled_from("aA1 \t\u00a0-_\u212a\u00df\u0130\u00c9\u00e9\ufb01"), min_size=1, max_size=5)


@pytest.fixture(scope="module")
def connection():
    """A table of each kind, without rules."""
    with create_engine("sqlite://").connect() as connection:
        for table, column in (("den", "geom"), ("den_named", "label"), ("visit", "female")):
            connection.execute(text(f"CREATE TABLE {table} (fid INTEGER PRIMARY KEY, {column})"))
        yield connection


def found(connection, table: str, column: str, values: list, chosen) -> list:
    """Return the rows that are chosen."""
    connection.execute(text(f"DELETE FROM {table}"))  # noqa: S608 - names of ours
    connection.execute(text(f"INSERT INTO {table} ({column}) VALUES (:v)"), [{"v": v} for v in values])  # noqa: S608
    query = f"SELECT {column} FROM {table}"  # noqa: S608
    return list(connection.execute(text(f"{query} WHERE {chosen.compile(compile_kwargs={'literal_binds': True})}"))
                .scalars())  # fmt: skip


@given(latitudes=st.lists(LATITUDES, min_size=1, max_size=6), ends=st.tuples(LATITUDES, LATITUDES))
def test_no_point_between_two_latitudes_is_missed(connection, latitudes, ends) -> None:
    """On either side of the equator and across it."""
    south, north = sorted(ends)
    blobs = {geopackage_blob(encode_point(-116.0, latitude)): latitude for latitude in latitudes}
    near = found(connection, "den", "geom", list(blobs), between(connection, south, north))
    assert {b for b, latitude in blobs.items() if south <= latitude <= north} <= set(near)


def test_points_far_off_are_left_out_and_those_of_other_programs_looked_at(connection) -> None:
    """Big endian, with a height, with an envelope, without a header: SQLite cannot tell where they lie."""
    plain, far = encode_point(-116.0, 43.5), geopackage_blob(encode_point(-116.0, 44.5))
    big = geopackage_blob(struct.pack(">BIdd", 0, 1, -116.0, 43.5))
    high = geopackage_blob(struct.pack("<BIddd", 1, 1001, -116.0, 43.5, 900.0))
    wrapped = b"GP\x00\x03" + struct.pack("<i4d", 4326, -116.0, -116.0, 43.5, 43.5) + plain
    blobs = [geopackage_blob(plain), big, high, wrapped, plain, far]
    assert found(connection, "den", "geom", blobs, between(connection, 43.4, 43.6)) == blobs[:-1]


@given(names=st.lists(NAMES, min_size=1, max_size=6), asked=NAMES)
def test_no_spelling_of_a_name_is_missed(connection, names, asked) -> None:
    """Case, blanks and dashes, in letters of which SQLite knows no case too."""
    for table, column, key, fold in (
        ("den_named", "label", LABEL, folded_label),
        ("visit", "female", FEMALE, squeezed),
    ):
        given = [name.strip() for name in names]  # as records are kept
        near = found(connection, table, column, given, called(connection, key, [fold(asked)]))
        assert {name for name in given if fold(name) == fold(asked)} <= set(near)


def test_other_names_are_left_out(connection) -> None:
    """Of names in plain letters only those that are meant are read."""
    names = ["D-1", "d-1", "D-2", "OB 31"]
    assert found(connection, "den_named", "label", names, called(connection, LABEL, ["d-1"])) == ["D-1", "d-1"]
    assert found(connection, "visit", "female", names, called(connection, FEMALE, ["ob31"])) == ["OB 31"]
