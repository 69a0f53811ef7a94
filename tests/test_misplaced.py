"""A den's point that another program spoilt: named in one error by whatever needs it, and put right by a correction."""

import datetime as dt
import sqlite3

import pytest
import shapely
from test_corrections import SETTINGS, den, mend, register  # noqa: F401 - a fixture
from test_soundness import FREE

from densite.asof import RegisterAsOf, read_when
from densite.errors import RegisterError
from densite.exports.held import rows
from densite.history import tell
from densite.known import known_of
from densite.register import misplaced, schema
from densite.register.columns import geopackage_blob
from densite.register.soundness import look_into
from densite.withdrawals import withdraw

EMPTY = geopackage_blob(shapely.to_wkb(shapely.Point()))


def spoil(path, value, label="D-1") -> None:
    """Write a value as a den's point, with the trigger that refuses it taken off."""
    with sqlite3.connect(path) as other:
        other.execute(FREE.replace("TRIGGER", "TRIGGER IF EXISTS"))
        other.execute("UPDATE den SET geom = ? WHERE label = ?", (value, label))
    other.close()


@pytest.mark.parametrize("value", [b"", b"xx", b"GP\0\1", EMPTY, "POINT (1 2)", 5])
def test_whatever_reads_it_names_the_den_and_the_way_out(register, value) -> None:  # noqa: F811
    """One error of ours each; the story, a withdrawal and the other dens' values go on."""
    spoil(register.backend.path, value)

    def exported() -> None:
        with register.reading() as connection:
            list(rows(connection, schema.den))

    for step in (register.dens, lambda: known_of(register, SETTINGS), exported):
        with pytest.raises(RegisterError, match=r"point of den D-1 \([0-9a-f-]{36}\) .*`densite correct DEN latitude"):
            step()
    then = RegisterAsOf(register, read_when("2099-01-01", dt.UTC))
    with pytest.raises(RegisterError, match=r"den D-1 .* had no readable point"):
        then.dens()
    assert tell(register, "D-1", zone=dt.UTC).events[-1].changes[0].after is None
    assert "cannot be read: another program" in mend(register, slope_deg="5").stops[0].message
    assert mend(register, "D-2", slope_deg="5").done
    withdraw(register, "D-1", reason="not found again")
    assert register.dens()["label"].tolist() == ["D-2"]


def test_a_correction_puts_it_right(register) -> None:  # noqa: F811
    """Of two spoilt dens, one after the other; the crew's uncertainty stays, and the journal keeps what was there."""
    for label in ("D-1", "D-2"):
        spoil(register.backend.path, b"xx", label)
    (told,) = (p for p in look_into(register) if p.field == "geom")
    assert "2 dens is no GeoPackage geometry (D-1, D-2)" in told.message
    made = mend(register, latitude="43.512340", longitude="-115.521230", datum="WGS84")
    assert made.lines() == ["Place: unreadable to 43.512340, -115.521230"]
    with pytest.raises(RegisterError, match="point of den D-2"):
        register.dens()
    assert mend(register, "D-2", latitude="43.522340", longitude="-115.521230", datum="WGS84").done
    assert (den(register).geometry.x, den(register)["uncertainty_m"]) == (-115.52123, 5.0)
    with register.reading() as connection:
        assert list(misplaced.misplaced(connection)) == []
