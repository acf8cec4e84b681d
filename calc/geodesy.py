"""Distances on the WGS84 ellipsoid, and where a track crosses a gate."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Numbers, any_real, between, kernel, not_negative, plain, positive

# WGS84 defining parameters: NGA.STND.0036 (2014), table 3.1.
SEMI_MAJOR_AXIS_M = 6378137.0
FLATTENING = 1 / 298.257223563
ECCENTRICITY_SQUARED = FLATTENING * (2 - FLATTENING)

FEW_POINTS = 16
"""So many points are looked at one by one before many are at once."""

LATITUDE = between(-90.0, 90.0)
LONGITUDE = between(-180.0, 180.0)


@kernel(
    title="Distance between two points",
    formula="geodesic on the WGS84 ellipsoid",
    source="Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43–55, by the library geographiclib.",
    returns="meter",
    lat1_deg=LATITUDE,
    lon1_deg=LONGITUDE,
    lat2_deg=LATITUDE,
    lon2_deg=LONGITUDE,
)
def distance_m(lat1_deg: Number, lon1_deg: Number, lat2_deg: Number, lon2_deg: Number) -> Any:
    """Shortest distance along the ellipsoid.

    Parameters
    ----------
    lat1_deg, lon1_deg, lat2_deg, lon2_deg: degrees on WGS84, floats or arrays; latitude −90 to 90,
        longitude −180 to 180, north and east positive.

    Returns
    -------
    Distance [m], exact to nanometres; shaped like the arguments broadcast together.

    Raises
    ------
    ValueError: a coordinate is out of range, not finite or not a number.

    Examples
    --------
    >>> round(distance_m(60.0, 25.0, 60.0009, 25.0), 3)
    100.271
    """
    from geographiclib.geodesic import Geodesic

    points = np.broadcast_arrays(lat1_deg, lon1_deg, lat2_deg, lon2_deg)
    solve = Geodesic.WGS84.Inverse
    distances = [
        solve(*(float(value) for value in point), Geodesic.DISTANCE)["s12"]
        for point in zip(*(array.ravel() for array in points), strict=True)
    ]
    return plain(np.reshape(distances, points[0].shape))


class LocalMetres(NamedTuple):
    """Places on a plane that touches the ellipsoid at the first point."""

    east_m: Any
    north_m: Any


@kernel(
    title="Local plane coordinates",
    formula="east = N cos φ₀ Δλ,  north = M Δφ",
    source="Radii of curvature M and N: NGA.STND.0036 (2014); Snyder, USGS PP 1395 (1987), eq. 4-18 to 4-20.",
    lat_deg=LATITUDE,
    lon_deg=LONGITUDE,
)
def local_metres(lat_deg: Numbers, lon_deg: Numbers) -> LocalMetres:
    """A track on a plane, for drawing and for crossings.

    Good to one part in ten thousand within 10 km of the middle of the track and below 80° latitude.

    Parameters
    ----------
    lat_deg, lon_deg: track on WGS84, 1-D arrays of at least 1 point [degree].

    Returns
    -------
    LocalMetres from the first point [m].

    Raises
    ------
    ValueError: a coordinate is out of range, or lengths differ.

    Examples
    --------
    >>> places = local_metres([60.0, 60.0009], [25.0, 25.0])
    >>> round(float(places.north_m[1]), 2)
    100.27
    """
    latitudes, longitudes = np.atleast_1d(lat_deg), np.atleast_1d(lon_deg)
    if latitudes.shape != longitudes.shape or latitudes.ndim != 1:
        raise ValueError(f"lon_deg must be as long as lat_deg ({latitudes.size}), got {longitudes.size} values")
    middle = np.radians((latitudes.min() + latitudes.max()) / 2)
    meridian_m, vertical_m = _curvature_radii_m(middle)
    turn = (longitudes - longitudes[0] + 180.0) % 360.0 - 180.0
    east_m = vertical_m * np.cos(middle) * np.radians(turn)
    return LocalMetres(east_m, meridian_m * np.radians(latitudes - latitudes[0]))


def _curvature_radii_m(latitude_rad: Any) -> tuple[Any, Any]:
    bulge = 1 - ECCENTRICITY_SQUARED * np.sin(latitude_rad) ** 2
    vertical_m = SEMI_MAJOR_AXIS_M / np.sqrt(bulge)
    return vertical_m * (1 - ECCENTRICITY_SQUARED) / bulge, vertical_m


@kernel(
    title="Length of a track",
    formula="Σ √[(M Δφ)² + (N cos φ Δλ)²]",
    source="Radii of curvature as above, at each leg's middle latitude. Noise rule: common practice, no source.",
    returns="meter",
    lat_deg=LATITUDE,
    lon_deg=LONGITUDE,
    minimum_step_m=not_negative(),
)
def track_length_m(lat_deg: Numbers, lon_deg: Numbers, minimum_step_m: float = 0.0) -> float:
    """Length of a satellite track.

    A receiver standing still wanders, and every wandering would count as distance. The noise rule:
    a point counts only once it is at least `minimum_step_m` from the last point that counted.

    Parameters
    ----------
    lat_deg, lon_deg: track on WGS84, 1-D arrays of at least 2 points [degree], legs below 10 km.
    minimum_step_m: noise rule [m], 0 or more; 0 counts every point.

    Returns
    -------
    Length [m], to one part in a million for legs below 1 km outside the polar caps (above 89°).

    Raises
    ------
    ValueError: fewer than 2 points, lengths differ, or a coordinate is out of range.

    Examples
    --------
    >>> round(track_length_m([60.0, 60.0009, 60.0009], [25.0, 25.0, 25.0018]), 2)
    200.71
    """
    latitudes, longitudes = np.atleast_1d(lat_deg), np.atleast_1d(lon_deg)
    if latitudes.shape != longitudes.shape or latitudes.size < 2:
        raise ValueError(f"lat_deg and lon_deg need at least 2 points each, got {latitudes.size} and {longitudes.size}")
    length = TrackLength(minimum_step_m)
    length.add(latitudes, longitudes)
    return length.length_m


class TrackLength:
    """`track_length_m` of a track that comes in blocks: the last point that counted is kept between them."""

    def __init__(self, minimum_step_m: float = 0.0) -> None:
        self.length_m = 0.0
        self._minimum_step_m = minimum_step_m
        self._last = np.empty((2, 0))

    def add(self, lat_deg: Any, lon_deg: Any) -> None:
        """Take in the points that follow; arrays of one length."""
        latitudes, longitudes = np.concatenate([self._last, [lat_deg, lon_deg]], axis=1)
        if self._minimum_step_m and latitudes.size:
            rows = _points_apart(latitudes, longitudes, self._minimum_step_m)
            latitudes, longitudes = latitudes[rows], longitudes[rows]
        self.length_m += float(np.sum(_leg_m(latitudes[:-1], longitudes[:-1], latitudes[1:], longitudes[1:])))
        self._last = np.array([latitudes[-1:], longitudes[-1:]])


def _leg_m(lat1: Any, lon1: Any, lat2: Any, lon2: Any) -> Any:
    middle = np.radians((lat1 + lat2) / 2)
    meridian_m, vertical_m = _curvature_radii_m(middle)
    turn = (lon2 - lon1 + 180.0) % 360.0 - 180.0
    return np.hypot(meridian_m * np.radians(lat2 - lat1), vertical_m * np.cos(middle) * np.radians(turn))


def _points_apart(latitudes: Any, longitudes: Any, minimum_step_m: float) -> Any:
    """Rows that count, the first among them. Points one after the other that all count are taken together; after one
    that does not, the next is searched one by one while it is near, and else many at once."""
    last_row = latitudes.size - 1
    counts = np.zeros(latitudes.size, dtype=bool)
    counts[0] = True
    near = _leg_m(latitudes[:-1], longitudes[:-1], latitudes[1:], longitudes[1:]) < minimum_step_m
    near_rows = np.append(np.flatnonzero(near), last_row)
    row = 0
    lat, lon = latitudes.tolist(), longitudes.tolist()
    skipped = 1
    while row < last_row:
        if not near[row]:
            stop = int(near_rows[np.searchsorted(near_rows, row)])
            counts[row + 1 : stop + 1] = True
            row = stop
            continue
        candidate = row + 2
        if skipped <= FEW_POINTS:
            stop = min(candidate + 2 * FEW_POINTS, last_row + 1)
            while candidate < stop and _one_leg_m(lat[row], lon[row], lat[candidate], lon[candidate]) < minimum_step_m:
                candidate += 1
            is_reached = candidate < stop
        else:
            is_reached = False
        width = max(2 * skipped, 2 * FEW_POINTS)
        while not is_reached and candidate <= last_row:
            here = slice(candidate, candidate + width)
            far = _leg_m(latitudes[row], longitudes[row], latitudes[here], longitudes[here]) >= minimum_step_m
            is_reached = bool(far.any())
            candidate += int(far.argmax()) if is_reached else far.size
            width *= 2
        if not is_reached:
            break
        skipped, row = candidate - row, candidate
        counts[row] = True
    return np.flatnonzero(counts)


def _one_leg_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """`_leg_m` of two points, without the cost of arrays."""
    middle = math.radians((lat1 + lat2) / 2)
    bulge = 1 - ECCENTRICITY_SQUARED * math.sin(middle) ** 2
    vertical_m = SEMI_MAJOR_AXIS_M / math.sqrt(bulge)
    north_m = vertical_m * (1 - ECCENTRICITY_SQUARED) / bulge * math.radians(lat2 - lat1)
    turn = (lon2 - lon1 + 180.0) % 360.0 - 180.0
    return math.hypot(north_m, vertical_m * math.cos(middle) * math.radians(turn))


@kernel(
    title="Speed of a track",
    formula="vᵢ = |x(tᵢ₊₁) − x(tᵢ₋₁)| / (tᵢ₊₁ − tᵢ₋₁)",
    source="Central differences in local plane coordinates: Abramowitz and Stegun (1964), 25.3.21 (from memory).",
    returns="meter/second",
    time_s=any_real(),
    lat_deg=LATITUDE,
    lon_deg=LONGITUDE,
)
def track_speed_mps(time_s: Number, lat_deg: Number, lon_deg: Number) -> Any:
    """Speed at each point of a track, from its neighbours; at both ends from the one neighbour.

    Parameters
    ----------
    time_s: growing times, 1-D array of at least 2 [s].
    lat_deg, lon_deg: positions on WGS84, same length [degree].

    Returns
    -------
    Speeds [m/s].

    Raises
    ------
    ValueError: fewer than 2 points, lengths differ, times do not grow, or a coordinate is out of range.

    Examples
    --------
    >>> track_speed_mps([0.0, 10.0, 20.0], [60.0, 60.0009, 60.0018], [25.0, 25.0, 25.0]).round(2).tolist()
    [10.03, 10.03, 10.03]
    """
    times = np.atleast_1d(time_s)
    places = local_metres(lat_deg, lon_deg)
    if times.shape != places.east_m.shape or times.size < 2:
        raise ValueError(f"time_s needs 2 points or more, as many as lat_deg ({places.east_m.size}), got {times.size}")
    if (np.diff(times) <= 0).any():
        raise ValueError("time_s must grow from point to point")
    before = np.maximum(np.arange(times.size) - 1, 0)
    after = np.minimum(np.arange(times.size) + 1, times.size - 1)
    gone_m = np.hypot(places.east_m[after] - places.east_m[before], places.north_m[after] - places.north_m[before])
    return gone_m / (times[after] - times[before])


@kernel(
    title="Uncertainty of a distance between two satellite fixes",
    formula="u(L) = √2 · u(fix)",
    source="JCGM 100:2008, 5.1.2, both fixes independent.",
    returns="meter",
    u_fix_m=positive(),
)
def fix_distance_u_m(u_fix_m: Number) -> Any:
    """Standard uncertainty of a distance between two fixes.

    Parameters
    ----------
    u_fix_m: standard uncertainty of one fix along the line [m], above 0.

    Returns
    -------
    Standard uncertainty [m].

    Raises
    ------
    ValueError: the uncertainty is not above 0, not finite or not a number.

    Examples
    --------
    >>> round(fix_distance_u_m(2.0), 4)
    2.8284
    """
    return plain(np.sqrt(2.0) * np.asarray(u_fix_m))
