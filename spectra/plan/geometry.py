"""Geometry of the arc: where a geostationary satellite stands, how its polarisation is turned, how far its neighbour.

All by vectors on a spherical earth. Longitude east and latitude north positive, azimuth clockwise from true north.
Scalars or arrays; longitudes of many satellites broadcast.

References
----------
.. [1] D. Roddy, *Satellite Communications*, chapters 3 (look angles) and 5 (polarisation; eqs. 5.9 to 5.13).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EARTH_RADIUS_KM",
    "GEO_RADIUS_KM",
    "ArcStep",
    "LookAngles",
    "arc_step",
    "look_angles",
    "polarisation_skew_deg",
    "separation_deg",
    "visible",
]

EARTH_RADIUS_KM = 6371.0
"""Mean radius of the earth."""

GEO_RADIUS_KM = 42164.0
"""Radius of the geostationary orbit."""

_Vectors = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LookAngles:
    """Where to look; scalars where scalars were given. `elevation_deg` is geometric, without refraction."""

    azimuth_deg: Any
    elevation_deg: Any
    range_km: Any


def look_angles(
    latitude_deg: Any,
    longitude_deg: Any,
    orbital_longitude_deg: Any,
    *,
    earth_radius_km: float = EARTH_RADIUS_KM,
) -> LookAngles:
    """Return azimuth, elevation and range of geostationary satellites.

    Parameters
    ----------
    latitude_deg, longitude_deg : float or ndarray
        The vessel.
    orbital_longitude_deg : float or ndarray
        The satellites; all three broadcast.
    earth_radius_km : float
        Radius of the spherical earth.

    Returns
    -------
    LookAngles
        Azimuth in 0 to 360 degrees; elevation below zero where the satellite is under the horizon. Straight below
        the satellite every azimuth is right, and 0 is returned.

    Raises
    ------
    ValueError
        If a latitude lies outside -90 to 90 degrees.

    References
    ----------
    .. [1] Roddy, chapter 3, examples 3.1 and 3.2.
    """
    east, north, up, line = _frame(latitude_deg, longitude_deg, orbital_longitude_deg, earth_radius_km)
    distance = np.linalg.norm(line, axis=-1)
    e, n, u = (_dot(line, axis) for axis in (east, north, up))
    flat = np.hypot(e, n)
    overhead = flat < 1e-9 * distance
    azimuth = np.where(overhead, 0.0, np.degrees(np.arctan2(e, n)) % 360.0)
    return LookAngles(_shaped(azimuth), _shaped(np.degrees(np.arctan2(u, flat))), _shaped(distance))


def polarisation_skew_deg(
    latitude_deg: Any,
    longitude_deg: Any,
    orbital_longitude_deg: Any,
    satellite_tilt_deg: Any = 0.0,
    *,
    earth_radius_km: float = EARTH_RADIUS_KM,
) -> Any:
    """Return how far the satellite's vertical is turned from the vessel's, as the antenna sees it.

    Positive is clockwise, seen from behind the antenna looking at the satellite. The satellite's vertical is the
    polarisation plane along the earth's axis, its horizontal that along the equator; both appear turned by the same
    angle, so the feed is turned by it from its upright position. The angle of a linear polarisation is known to 180
    degrees: the result lies in -90 to 90.

    Parameters
    ----------
    latitude_deg, longitude_deg, orbital_longitude_deg : float or ndarray
        They broadcast.
    satellite_tilt_deg : float or ndarray
        Turn of the satellite's own polarisation (`satellite_tilt_deg` of the table), in the same sense: clockwise
        seen from earth. Added.
    earth_radius_km : float
        Radius of the spherical earth.

    Raises
    ------
    ValueError
        If a latitude lies outside -90 to 90 degrees.

    Notes
    -----
    From the short formula tan(skew) = sin(B)/tan(latitude) it differs by up to a few tenths of a degree, because the
    satellite is not infinitely far away. Seen from the northern hemisphere, a satellite to the west (B = vessel minus
    satellite > 0) has a positive skew.

    References
    ----------
    .. [1] Roddy, chapter 5, eqs. 5.9 to 5.13 and example 5.1: projections of the polarisation vector and of the local
       vertical on the plane across the line of sight.
    """
    _, _, up, line = _frame(latitude_deg, longitude_deg, orbital_longitude_deg, earth_radius_km)
    k = line / np.linalg.norm(line, axis=-1, keepdims=True)  # from the antenna to the satellite
    upright = up - _dot(up, k)[..., None] * k
    axis = np.broadcast_to(np.array([0.0, 0.0, 1.0]), k.shape)
    vertical = axis - _dot(axis, k)[..., None] * k
    right = np.cross(k, upright)  # to the right hand of who looks along k with his head up
    angle = np.degrees(np.arctan2(_dot(vertical, right), _dot(vertical, upright)))
    turned = angle + np.asarray(satellite_tilt_deg, dtype=np.float64)
    folded = (turned + 90.0) % 180.0 - 90.0
    return _shaped(np.where((folded == -90.0) & (turned > 0.0), 90.0, folded))


def separation_deg(
    latitude_deg: Any,
    longitude_deg: Any,
    first_longitude_deg: Any,
    second_longitude_deg: Any,
    *,
    earth_radius_km: float = EARTH_RADIUS_KM,
) -> Any:
    """Return the angle between two geostationary satellites as the vessel sees it (topocentric), in degrees.

    It exceeds the difference of their longitudes by up to 18 %, because the vessel is nearer to the arc than the centre
    of the earth is.

    Raises
    ------
    ValueError
        If a latitude lies outside -90 to 90 degrees.
    """
    lines = [
        _frame(latitude_deg, longitude_deg, orbital, earth_radius_km)[3]
        for orbital in (first_longitude_deg, second_longitude_deg)
    ]
    across = np.linalg.norm(np.cross(lines[0], lines[1]), axis=-1)
    return _shaped(np.degrees(np.arctan2(across, _dot(lines[0], lines[1]))))


@dataclass(frozen=True, slots=True)
class ArcStep:
    """The way from one satellite to another for an antenna: how far in all, to the right, up, and how much to turn.

    `azimuth_change_deg` is positive to the right (clockwise from above), `elevation_change_deg` upward,
    `skew_change_deg` clockwise from behind; the skew change lies in -90 to 90.
    """

    separation_deg: float
    azimuth_change_deg: float
    elevation_change_deg: float
    skew_change_deg: float


def arc_step(latitude_deg: float, longitude_deg: float, from_longitude_deg: float, to_longitude_deg: float) -> ArcStep:
    """Return the way along the arc from one satellite to another, from the vessel's position.

    Raises
    ------
    ValueError
        If the latitude lies outside -90 to 90 degrees.
    """
    both = np.array([from_longitude_deg, to_longitude_deg], dtype=np.float64)
    look = look_angles(latitude_deg, longitude_deg, both)
    skew = polarisation_skew_deg(latitude_deg, longitude_deg, both)
    return ArcStep(
        separation_deg=float(separation_deg(latitude_deg, longitude_deg, both[0], both[1])),
        azimuth_change_deg=float((np.diff(look.azimuth_deg)[0] + 180.0) % 360.0 - 180.0),
        elevation_change_deg=float(np.diff(look.elevation_deg)[0]),
        skew_change_deg=float((np.diff(skew)[0] + 90.0) % 180.0 - 90.0),
    )


def visible(
    latitude_deg: Any, longitude_deg: Any, orbital_longitude_deg: Any, *, min_elevation_deg: float = 0.0
) -> Any:
    """Say which satellites stand at least `min_elevation_deg` above the horizon (bool or ndarray of bool)."""
    elevation = look_angles(latitude_deg, longitude_deg, orbital_longitude_deg).elevation_deg
    above = np.asarray(elevation) >= min_elevation_deg
    return bool(above) if above.ndim == 0 else above


def _frame(
    latitude_deg: Any, longitude_deg: Any, orbital_longitude_deg: Any, radius_km: float
) -> tuple[_Vectors, _Vectors, _Vectors, _Vectors]:
    """Return east, north and up at the vessel, and the line to the satellite (earth-fixed, shape (..., 3))."""
    latitude, longitude, orbital = np.broadcast_arrays(
        np.asarray(latitude_deg, dtype=np.float64),
        np.asarray(longitude_deg, dtype=np.float64),
        np.asarray(orbital_longitude_deg, dtype=np.float64),
    )
    if np.any(np.abs(latitude) > 90.0):
        raise ValueError(f"latitude must lie within -90 to 90 degrees, not {latitude_deg!r}")
    lat, lon, sat = np.radians(latitude), np.radians(longitude), np.radians(orbital)
    zero = np.zeros_like(lat)
    up = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    east = np.stack([-np.sin(lon), np.cos(lon), zero], axis=-1)
    north = np.stack([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)], axis=-1)
    satellite = GEO_RADIUS_KM * np.stack([np.cos(sat), np.sin(sat), zero], axis=-1)
    return east, north, up, satellite - radius_km * up


def _dot(one: _Vectors, other: _Vectors) -> _Vectors:
    return np.asarray(np.sum(one * other, axis=-1), dtype=np.float64)


def _shaped(values: Any) -> Any:
    array = np.asarray(values, dtype=np.float64)
    return float(array) if array.ndim == 0 else array
