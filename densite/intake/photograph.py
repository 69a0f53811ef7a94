"""Photographs taken at a den: what their EXIF says of place, time and direction, offered for a person to confirm."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from densite.errors import IntakeError, Level, Problem
from densite.intake.exif import Exif, Gps, angle_of, number_of, read_exif, text_of
from densite.intake.phototime import When, when
from densite.intake.rawrow import RawRow
from densite.records import folded_label
from densite.settings import IntakeSettings

SUFFIXES = (".jpg", ".jpeg", ".tif", ".tiff", ".png")
OTHER_PICTURES = (".heic", ".heif", ".avif", ".webp", ".dng")
_NORTHS = {"T": "true", "M": "magnetic"}
_OFFER = "a den point is offered from the photograph's EXIF"
_ASK = "was the camera at the den? Mend the row and write yes under confirmed, or leave the row out"
_NOT_BY_SATELLITE = {"CELLID": "cell masts", "WLAN": "wireless networks", "MANUAL": "hand"}


@dataclass(frozen=True, slots=True)
class Shot:
    """What one photograph tells: the place as written in it, time, direction of view, and what is odd about them."""

    latitude: str
    longitude: str
    datum: str
    uncertainty_m: str
    method: str
    when: When
    view: str
    doubts: tuple[str, ...]


def is_photograph(path: Path) -> bool:
    """Tell by its name's ending whether a file is a picture, readable here or not.

    Parameters
    ----------
    path : Path
        A file that was handed in.

    Returns
    -------
    bool
    """
    return path.suffix.lower() in (*SUFFIXES, *OTHER_PICTURES)


def read_photographs(
    paths: Iterable[Path],
    settings: IntakeSettings,
    *,
    told: Callable[[Problem], None] | None = None,
    labels: Iterable[str] = (),
) -> Iterator[RawRow]:
    """Offer each photograph that has a position as a den point, which a person must confirm.

    Parameters
    ----------
    paths : iterable of Path
        JPEG, TIFF or PNG files. Only their headers are read.
    settings : IntakeSettings
        Says which zone the camera's clock ran in, where the pictures do not.
    told : callable, optional
        Called once for each picture that offers nothing, with why. Without it they end in one error.
    labels : iterable of str
        Labels of the study's dens; a file's name that begins with one is taken for it.

    Yields
    ------
    RawRow
        Under the picture's own name, with one doubt that says what was read.

    Raises
    ------
    IntakeError
        Pictures offer nothing and ``told`` is not given; the message says why of each.

    Notes
    -----
    Source: CIPA DC-008-2024 (Exif 3.0), section 4.6.6: GPS attribute information.
    """
    known = {folded_label(_spaced(label)): label for label in labels}
    failures: list[str] = []
    for path in paths:
        try:
            shot = read_shot(path, settings)
        except IntakeError as error:
            failures.append(str(error))
            if told is not None:
                told(Problem(Level.WARNING, str(error).removeprefix(f"{path.name}: "), file=path.name))
        else:
            yield _offered(shot, path, _label_in(path.stem, known))
    if failures and told is None:
        raise IntakeError("; ".join(failures[:20]) + (f"; and {len(failures) - 20} more" if failures[20:] else ""))


def read_shot(path: Path, settings: IntakeSettings) -> Shot:
    """Read what a photograph tells of place, time and direction.

    Parameters
    ----------
    path : Path
        JPEG, TIFF or PNG file.
    settings : IntakeSettings
        Says which zone the camera's clock ran in, where the picture does not.

    Returns
    -------
    Shot

    Raises
    ------
    IntakeError
        The picture cannot be read or has no position; the message starts with its name and a colon.
    """
    if path.suffix.lower() in OTHER_PICTURES:
        raise IntakeError(
            f"{path.name}: a kind of picture that is not read; save it as JPEG with its EXIF and hand that in"
        )
    exif = read_exif(path)
    try:
        latitude, longitude = _place(exif)
    except ValueError as error:
        raise IntakeError(f"{path.name}: no den point: {error}") from None
    taken = when(exif, settings.camera_time_zone)
    method = text_of(exif.gps.get(Gps.GPSProcessingMethod)).upper()
    return Shot(latitude, longitude, _datum(exif), _uncertainty(exif), method, taken, _view(exif),
                (*taken.doubts, *_about_fix(exif, method)))  # fmt: skip


def _place(exif: Exif) -> tuple[str, str]:
    gps = exif.gps
    if Gps.GPSLatitude not in gps or Gps.GPSLongitude not in gps:
        raise ValueError("there is no position in its EXIF. Was the camera's GPS on? Log it by hand")
    latitude = _angle(exif, Gps.GPSLatitude, Gps.GPSLatitudeRef, "NS")
    longitude = _angle(exif, Gps.GPSLongitude, Gps.GPSLongitudeRef, "EW")
    if not any(map(number_of, (*gps[Gps.GPSLatitude], *gps[Gps.GPSLongitude]))):
        raise ValueError("its position is 0, 0, as a camera without a fix writes it")
    return latitude, longitude


def _angle(exif: Exif, tag: Gps, reference: Gps, letters: str) -> str:
    letter = text_of(exif.gps.get(reference))[:1].upper()
    if letter not in tuple(letters):
        raise ValueError(f"{reference.name} does not say whether its {tag.name} is {' or '.join(letters)}")
    try:
        return angle_of(exif.gps[tag], letter)
    except ValueError as error:
        raise ValueError(f"its {tag.name} {error}") from None


def _datum(exif: Exif) -> str:
    """Return the datum that the picture names; blank where it names none, and then it is asked for."""
    name = text_of(exif.gps.get(Gps.GPSMapDatum))
    return "EPSG:4301" if name.upper() == "TOKYO" else name  # the two names of the standard: WGS-84 and TOKYO


def _uncertainty(exif: Exif) -> str:
    error = number_of(exif.gps.get(Gps.GPSHPositioningError))
    return f"{error:.1f}" if error is not None and error >= 0.05 else ""


def _view(exif: Exif) -> str:
    """Say where the camera looked: that is not where the den's entrance faces."""
    bearing = number_of(exif.gps.get(Gps.GPSImgDirection))
    if bearing is None or not 0 <= bearing <= 360:
        return ""
    north = _NORTHS.get(text_of(exif.gps.get(Gps.GPSImgDirectionRef))[:1].upper())
    return f"{bearing:.0f} deg {f'from {north} north' if north else '(north not told)'}"


def _about_fix(exif: Exif, method: str) -> Iterator[str]:
    if text_of(exif.gps.get(Gps.GPSStatus))[:1].upper() == "V":
        yield "the receiver had lost its fix (GPSStatus V): the position is an older one"
    if text_of(exif.gps.get(Gps.GPSMeasureMode))[:1] == "2":
        yield "the fix was two-dimensional: its height was assumed, the place may be far off"
    if method in _NOT_BY_SATELLITE:
        yield f"the position was found by {_NOT_BY_SATELLITE[method]}, not by satellites (GPSProcessingMethod {method})"


def _spaced(text: str) -> str:
    return " ".join(text.replace("_", " ").split())


def _label_in(stem: str, known: dict[str, str]) -> str:
    """Return the longest known label with which a file's name begins; a part of a word is no label."""
    words = folded_label(_spaced(stem))
    found = [label for label in known if words.startswith(label) and not words[len(label) : len(label) + 1].isalnum()]
    found = [label for label in found if not _numbered_on(words[len(label) :])]
    return known[max(found, key=len)] if found else ""


def _numbered_on(rest: str) -> bool:
    """Tell whether a label goes on: D-1 is not the den of ``D-1-2.jpg``, which may be D-1-2 or a second picture."""
    return rest[:1] in ("-", ".") and rest[1:2].isalnum()


def _offered(shot: Shot, path: Path, label: str) -> RawRow:
    looked = f"; the camera looked toward {shot.view}, which is not the den's aspect" if shot.view else ""
    values = {
        "den_label": label, "date": shot.when.written, "latitude": shot.latitude, "longitude": shot.longitude,
        "datum": shot.datum, "uncertainty_m": shot.uncertainty_m,
        "position_method": "gps single" if shot.method == "GPS" else "", "den_type": "unknown",
        "notes": f"from photograph {path.name}{looked}",
    }  # fmt: skip
    filled = {name: value for name, value in values.items() if value}
    return RawRow(path.name, 0, filled, values, (Problem(Level.CONFIRM, _said(shot, label), "coordinates", hint=_ASK),))


def _said(shot: Shot, label: str) -> str:
    """Say in one sentence all that was read, with what is odd about it."""
    within = f" to {shot.uncertainty_m} m by the camera's own word" if shot.uncertainty_m else ", no accuracy told"
    parts = [
        f"{_OFFER}: {shot.latitude}, {shot.longitude} ({shot.datum or 'datum not told'}){within}",
        shot.when.said,
        f"the camera looked toward {shot.view}: that is not the den's aspect" if shot.view else "",
        f"taken for den {label} by the file's name" if label else "",
        *shot.doubts,
    ]
    return "; ".join(part for part in parts if part)


def offered_again(row: RawRow) -> RawRow:
    """Ask again about a row that once was offered from a photograph and comes back from a table.

    Parameters
    ----------
    row : RawRow
        Of any crew file.

    Returns
    -------
    RawRow
        With the doubt that only a ``yes`` under confirmed settles, if its source file is a picture.
    """
    source = row.values.get("source_file", "")
    if not source or not is_photograph(Path(source)):
        return row
    before = row.values.get("reason", "").split(f" ({_ASK})")[0]  # what was read then, so that it is not lost
    said = before if before.startswith(_OFFER) else f"the point was read from the photograph {source}"
    doubt = Problem(Level.CONFIRM, said, "coordinates", hint=_ASK)
    return replace(row, problems=(*row.problems, doubt))
