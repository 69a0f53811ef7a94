"""The source of a signal from bearings taken at several stations, with its error ellipse."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import Proj
from scipy.special import i0e, i1e
from scipy.stats import chi2, f

from densite import places
from densite.errors import PlaceError

Floats = NDArray[np.float64]
ESTIMATORS = ("maximum likelihood", "huber", "andrews")
TUNING = 1.5  # Lenth's constant for both robust estimators
ROUNDS = 200
SETTLED = 1e-7  # share of the nearest station's distance by which the last round still moved
READING_DEG = 0.5 / math.sqrt(3)  # no compass is read finer: a whole degree stands for half of one to each side
FARTHEST_M = 200_000.0  # beyond it a bearing is no straight line on the local plane, nor a signal heard


@dataclass(frozen=True, slots=True)
class Sighting:
    """A bearing to the signal from a station, in WGS 84, from true north.

    ``sd_deg`` is the standard deviation of such bearings where it is known from trials;
    ``declination_error_deg`` that of the declination by which a magnetic bearing was made true, 0 for a
    true one; ``uncertainty_m`` the standard error of the station's place, along each axis.
    """

    longitude: float
    latitude: float
    bearing_deg: float
    sd_deg: float | None = None
    declination_error_deg: float = 0.0
    uncertainty_m: float = 0.0
    station: str = ""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Where the source lies with a stated confidence: half axes [m], bearing of the longer one [deg, true]."""

    semi_major_m: float
    semi_minor_m: float
    bearing_deg: float
    confidence: float

    @property
    def hectares(self) -> float:
        """Area of the ellipse. [ha]"""
        return math.pi * self.semi_major_m * self.semi_minor_m / 10_000


@dataclass(frozen=True, slots=True)
class Solution:
    """A source on a plane: what Lenth's estimators give.

    ``x``, ``y`` in the stations' unit; ``kappa`` concentration of the bearings (one for each station);
    ``covariance`` as published, 2 x 2; ``weights`` and ``residuals`` [rad] of each station; ``distances``;
    ``leverage`` how far the source moves for one radian at each station, n x 2.
    """

    x: float
    y: float
    kappa: Floats
    covariance: Floats
    weights: Floats
    residuals: Floats
    distances: Floats
    leverage: Floats


@dataclass(frozen=True, slots=True)
class Estimate:
    """The place of a source in WGS 84 and how sure it is; two bearings give neither error nor ellipse.

    ``sd_deg`` is the standard deviation of a bearing: given, or estimated from ``n - 2`` degrees of
    freedom; ``sd_known`` tells which. ``covariance`` [m2] is that of east and north, ``residuals_deg``
    bearing taken minus bearing to the source, ``crossing_deg`` the widest angle at which two bearings cross.
    """

    longitude: float
    latitude: float
    estimator: str
    sd_deg: float | None
    sd_known: bool
    covariance: tuple[tuple[float, float], tuple[float, float]] | None
    ellipse: Ellipse | None
    weights: tuple[float, ...]
    residuals_deg: tuple[float, ...]
    distances_m: tuple[float, ...]
    crossing_deg: float
    cautions: tuple[str, ...]


def locate(
    sightings: Sequence[Sighting], *, estimator: str = "maximum likelihood", confidence: float = 0.95
) -> Estimate:
    """Estimate where a signal comes from.

    Parameters
    ----------
    sightings : sequence of Sighting
        At least two stations; three for an error.
    estimator : {'maximum likelihood', 'huber', 'andrews'}
        The last two give outlying bearings less weight, or none.
    confidence : float
        Of the ellipse, between 0 and 1.

    Returns
    -------
    Estimate

    Raises
    ------
    PlaceError
        Fewer than two bearings, bearings that cannot be told from parallel ones, a source behind a
        station, or an estimate that does not settle.

    Notes
    -----
    Source: Lenth 1981, Technometrics 23:149-154, doi:10.1080/00401706.1981.10486257: von Mises maximum
    likelihood, and M-estimators with the functions of Huber and of Andrews.

    His ellipse takes chi-square with the concentration estimated from the same few bearings, and holds the
    source far less often than it says. Where the spread is estimated here, its variance is divided by
    ``n - 2`` and the ellipse taken from the F distribution with 2 and ``n - 2`` degrees of freedom, as in
    any regression with two coefficients (exact for small errors); where the bearings' standard deviation
    is given, chi-square is right and is taken. The errors of declination (shared by all magnetic bearings)
    and, with a given deviation, of the stations' places are carried on to the first order and added.
    The work is done on the azimuthal equidistant plane centred on the source, where geodesics through it
    are straight lines.
    """
    _checked(sightings, estimator, confidence)
    centre = (sightings[0].longitude, sightings[0].latitude)
    for _ in range(3):  # the plane is centred on the source as soon as it is known
        x, y, angle = _on_plane(sightings, centre)
        kappa = _given_kappa(sightings)
        crossing = _widest_crossing(angle)
        _refuse_parallel(crossing, _sd_of(kappa) if kappa is not None else math.radians(READING_DEG))
        found = solve(x, y, angle, estimator=estimator, kappa=kappa)
        reached = math.hypot(found.x, found.y)
        centre = _from_plane(found.x, found.y, centre)
        if reached < 1e-3:
            break
    _refuse_scattered(sightings, found)
    return _told(sightings, found, centre, crossing, estimator, confidence)


def solve(
    x: Floats, y: Floats, angle: Floats, *, estimator: str = "maximum likelihood", kappa: Floats | None = None
) -> Solution:
    """Estimate the source of a signal on a plane.

    Parameters
    ----------
    x, y : ndarray
        Stations, shape (n,), in one unit.
    angle : ndarray
        Bearings counted from the x axis towards the y axis, shape (n,). [rad]
    estimator : {'maximum likelihood', 'huber', 'andrews'}
        See :func:`locate`.
    kappa : ndarray, optional
        Known concentrations of the bearings, shape (n,); estimated, one for all, when left out.

    Returns
    -------
    Solution

    Raises
    ------
    PlaceError
        The estimate does not settle, or rests on fewer than two bearings.

    Notes
    -----
    Source: Lenth 1981, equations 2.6, 2.9, 2.10 and, for the M-estimators, 4.2 to 4.7,
    doi:10.1080/00401706.1981.10486257. The paper itself was not at hand: equations and their numbers are those
    of public programs that cite them, and its worked example comes out.
    """
    known = kappa is not None
    strength: Floats = kappa if kappa is not None else np.ones(len(x))
    weights = np.ones_like(x)
    at = _crossing(x, y, angle, np.cos(angle), np.sin(angle), strength)
    for _ in range(ROUNDS):
        off, distance = _seen(x, y, angle, at)
        if not known and len(x) > 2:
            strength = np.full(len(x), _kappa_of(np.average(np.cos(off), weights=weights)), dtype=np.float64)
        weights = _weights(np.sqrt(2 * strength * (1 - np.cos(off))), estimator)
        if np.count_nonzero(weights) < 2:
            raise PlaceError("the bearings do not agree: the robust estimate gives weight to fewer than two of them")
        east, north = (at[0] - x) / distance**3, (at[1] - y) / distance**3
        last, at = at, _crossing(x, y, angle, east, north, weights * (strength if known else 1))
        if math.dist(last, at) < SETTLED * distance.min():
            return _solution(x, y, angle, at, weights, strength)
    raise PlaceError("the estimate does not settle: the bearings do not meet in one place. Is one of them wrong?")


def _crossing(x: Floats, y: Floats, angle: Floats, c_star: Floats, s_star: Floats, weights: Floats) -> Floats:
    """Solve Lenth's pair of linear equations for one round."""
    s, c = np.sin(angle), np.cos(angle)
    z = s * x - c * y
    left = np.array([[s_star * s, -s_star * c], [-c_star * s, c_star * c]]) @ weights
    try:
        at = np.asarray(np.linalg.solve(left, np.array([s_star * z, -c_star * z]) @ weights), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise PlaceError("the bearings are parallel: they cross nowhere") from None
    if not np.isfinite(at).all():
        raise PlaceError("the bearings are parallel: they cross nowhere")
    return at


def _seen(x: Floats, y: Floats, angle: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Return how far each bearing is off the source [rad, -pi to pi], and the distances."""
    off = angle - np.arctan2(at[1] - y, at[0] - x)
    distance = np.maximum(np.hypot(at[0] - x, at[1] - y), 1e-9)
    return np.arctan2(np.sin(off), np.cos(off)), distance


def _kappa_of(mean_cosine: float) -> float:
    """Return the concentration of which a mean cosine is typical (Lenth 1981, equation 2.10)."""
    c = min(max(float(mean_cosine), 1e-6), 1 - 1e-14)
    inverse = 2 * (1 - c) + (1 - c) ** 2 * (0.48794 - 0.82905 * c - 1.3915 * c * c) / c
    return 1 / inverse if inverse > 0 else 1e-6


def _weights(t: Floats, estimator: str) -> Floats:
    """Return psi(t) / t of the estimator (Lenth 1981, equations 4.5 and 4.6); 1 for a bearing that fits."""
    if estimator == "huber":
        return TUNING / np.maximum(t, TUNING)
    if estimator == "andrews":
        return np.where(t < TUNING * math.pi, np.sinc(t / TUNING / math.pi), 0.0)
    return np.ones_like(t)


def _solution(x: Floats, y: Floats, angle: Floats, at: Floats, weights: Floats, kappa: Floats) -> Solution:
    off, distance = _seen(x, y, angle, at)
    s, c = np.sin(angle), np.cos(angle)
    s_star, c_star = (at[1] - y) / distance**3, (at[0] - x) / distance**3
    k = kappa * weights
    beside = -(k @ (s_star * c + c_star * s)) / 2
    information = np.array([[k @ (s_star * s), beside], [beside, k @ (c_star * c)]])
    across = np.column_stack((-(at[1] - y), at[0] - x)) / distance[:, None] ** 2
    moves = np.linalg.pinv((across * k[:, None]).T @ across) @ (across * k[:, None]).T
    return Solution(at[0], at[1], kappa, np.linalg.pinv(information), weights, off, distance, moves.T)


def _checked(sightings: Sequence[Sighting], estimator: str, confidence: float) -> None:
    if estimator not in ESTIMATORS:
        raise PlaceError(f"estimator '{estimator}' is not known; allowed: {', '.join(ESTIMATORS)}")
    if not 0 < confidence < 1:
        raise PlaceError(f"confidence {confidence:g} must lie between 0 and 1, such as 0.95")
    if len({(s.longitude, s.latitude) for s in sightings}) < 2:
        raise PlaceError(f"{len(sightings)} bearings from one place cross nowhere: take bearings from three places")
    if len({s.sd_deg is None for s in sightings}) > 1:
        raise PlaceError("sd_deg is given for some bearings only: give it for all of them or for none")
    if any(s.sd_deg is not None and not 0 < s.sd_deg < 90 for s in sightings):
        raise PlaceError("sd_deg must lie over 0 and under 90 degrees: no bearing is exact")
    first = sightings[0]
    if any(places.distance_m(first.longitude, first.latitude, s.longitude, s.latitude) > FARTHEST_M for s in sightings):
        raise PlaceError(f"two stations lie over {FARTHEST_M / 1000:.0f} km apart: is a coordinate wrong?")


def _plane(centre: tuple[float, float]) -> Proj:
    return Proj(proj="aeqd", lon_0=centre[0], lat_0=centre[1], ellps="WGS84")


def _on_plane(sightings: Sequence[Sighting], centre: tuple[float, float]) -> tuple[Floats, Floats, Floats]:
    """Return stations and directions on the plane; a direction by a second point of the geodesic."""
    ahead = [places.moved(s.longitude, s.latitude, bearing_deg=s.bearing_deg, distance_m=10.0) for s in sightings]
    plane = _plane(centre)
    x, y = np.array(plane([s.longitude for s in sightings], [s.latitude for s in sightings]))
    x_ahead, y_ahead = np.array(plane([lon for lon, _ in ahead], [lat for _, lat in ahead]))
    return x, y, np.arctan2(y_ahead - y, x_ahead - x)


def _from_plane(x: float, y: float, centre: tuple[float, float]) -> tuple[float, float]:
    if math.hypot(x, y) > 2 * FARTHEST_M:
        raise PlaceError(f"the bearings cross {places.said_distance(math.hypot(x, y))} away: they are all but parallel")
    lon, lat = _plane(centre)(x, y, inverse=True)
    return float(lon), float(lat)


def _given_kappa(sightings: Sequence[Sighting]) -> Floats | None:
    given = [math.radians(s.sd_deg) for s in sightings if s.sd_deg is not None]
    return np.array([_kappa_of(math.exp(-(sd**2) / 2)) for sd in given]) if given else None


def _sd_of(kappa: Floats) -> float:
    """Return the circular standard deviation of a von Mises law; the widest of several. [rad]"""
    least = float(np.min(kappa))
    return math.sqrt(-2 * math.log(float(i1e(least) / i0e(least))))


def _widest_crossing(angle: Floats) -> float:
    """Return the angle nearest to square at which two of the lines cross. [rad]"""
    return float(np.arcsin(np.clip(np.abs(np.sin(angle[:, None] - angle[None, :])).max(), 0, 1)))


def _refuse_parallel(crossing: float, sd: float) -> None:
    """Refuse lines whose crossing angle is within two standard errors of none at all."""
    if crossing < 2 * math.sqrt(2) * sd:
        raise PlaceError(
            f"the bearings cross at {math.degrees(crossing):.1f} degrees at most, and are known to "
            f"{math.degrees(sd):.1f}: they cannot be told from parallel ones. Take a bearing from the side"
        )


def _refuse_scattered(sightings: Sequence[Sighting], found: Solution) -> None:
    """Refuse a source that lies behind a station, or round which the likelihood is no hill."""
    behind = [i for i in range(len(sightings)) if found.weights[i] > 0 and math.cos(found.residuals[i]) <= 0]
    if behind:
        named = ", ".join(sightings[i].station or f"bearing {i + 1}" for i in behind)
        raise PlaceError(f"the bearings meet behind {named}: was a bearing read from the wrong end, or is one wrong?")
    if len(sightings) > 2 and np.linalg.eigvalsh(found.covariance).min() <= 0:
        raise PlaceError("the bearings do not meet in one place: no error can be given. Is one of them wrong?")


def _told(
    sightings: Sequence[Sighting], found: Solution, place: tuple[float, float], crossing: float, estimator: str,
    confidence: float,
) -> Estimate:  # fmt: skip
    known = sightings[0].sd_deg is not None
    freedom = float(found.weights.sum()) - 2
    sd = covariance = ellipse = None
    if len(sightings) > 2:
        swollen = 1.0 if known else _swelling(freedom)
        sd = _sd_of(found.kappa) * math.sqrt(swollen)
        _refuse_parallel(crossing, sd)
        of_bearings, shared = found.covariance * swollen, _shared(sightings, found, known)
        covariance = of_bearings + shared
        wide = float(chi2.ppf(confidence, 2))
        ellipse = _ellipse(
            of_bearings * (wide if known else 2 * float(f.ppf(confidence, 2, freedom))) + shared * wide, confidence
        )
    return Estimate(
        *place, estimator, None if sd is None else math.degrees(sd), known, _pairs(covariance), ellipse,
        tuple(map(float, found.weights)), tuple(-math.degrees(r) for r in found.residuals),
        tuple(map(float, found.distances)), math.degrees(crossing),
        tuple(_cautions(sightings, found, ellipse, known)),
    )  # fmt: skip


def _swelling(freedom: float) -> float:
    """Return by what the variance grows when two estimated coordinates are allowed for."""
    if freedom <= 0:
        raise PlaceError("the robust estimate rests on two bearings: no error can be given. Use maximum likelihood")
    return (freedom + 2) / freedom


def _shared(sightings: Sequence[Sighting], found: Solution, known: bool) -> Floats:
    """Return the covariance from the declination, and from the stations' places where the spread holds none of it."""
    turn = np.radians([s.declination_error_deg for s in sightings])
    moved = found.leverage.T @ turn
    total: Floats = np.outer(moved, moved)
    if known:
        beside = np.array([s.uncertainty_m for s in sightings]) / found.distances
        total = total + (found.leverage.T * beside**2) @ found.leverage
    return total


def _ellipse(matrix: Floats, confidence: float) -> Ellipse:
    values, vectors = np.linalg.eigh(matrix)
    east, north = vectors[:, 1]
    return Ellipse(
        float(math.sqrt(values[1])), float(math.sqrt(max(values[0], 0.0))),
        math.degrees(math.atan2(east, north)) % 180, confidence,
    )  # fmt: skip


def _pairs(matrix: Floats | None) -> tuple[tuple[float, float], tuple[float, float]] | None:
    if matrix is None:
        return None
    return (float(matrix[0, 0]), float(matrix[0, 1])), (float(matrix[1, 0]), float(matrix[1, 1]))


def _cautions(sightings: Sequence[Sighting], found: Solution, ellipse: Ellipse | None, known: bool) -> list[str]:
    told = []
    if ellipse is None:
        told.append("two bearings only cross: nothing tells how far off the crossing is. Take a third")
    elif not known:
        told.append(
            f"the spread is known from {len(sightings)} bearings alone; the ellipse allows for that. It shrinks with "
            "more bearings, or with sd_deg from trials on a transmitter at a known place"
        )
    if ellipse is not None and ellipse.semi_major_m > found.distances.min():
        told.append("the ellipse reaches as far as the nearest station: it is a rough guide only")
    told += [
        f"{sighting.station or f'bearing {i + 1}'} was given little weight ({weight:.2f}): "
        f"{-math.degrees(off):+.0f} degrees off"
        for i, (sighting, weight, off) in enumerate(zip(sightings, found.weights, found.residuals, strict=True))
        if weight < 0.5
    ]
    return told


def outline(place: tuple[float, float], ellipse: Ellipse, *, corners: int = 72) -> list[tuple[float, float]]:
    """Return an ellipse as a closed ring of places, anticlockwise.

    Parameters
    ----------
    place : tuple of float
        Longitude and latitude of its middle, WGS 84. [deg]
    ellipse : Ellipse
        From :func:`locate`.
    corners : int
        How many places the ring has.

    Returns
    -------
    list of tuple of float
        Longitude and latitude; the first again at the end. [deg]
    """
    ring = []
    for step in np.linspace(0, -2 * math.pi, corners, endpoint=False):
        along, across = ellipse.semi_major_m * math.cos(step), ellipse.semi_minor_m * math.sin(step)
        bearing = ellipse.bearing_deg + math.degrees(math.atan2(across, along))
        ring.append(places.moved(*place, bearing_deg=bearing, distance_m=math.hypot(along, across)))
    return [*ring, ring[0]]
