"""Look angles, skew and separation against worked examples of textbooks and a coordinate library."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra.plan import arc_step, look_angles, polarisation_skew_deg, separation_deg, visible
from spectra.plan.geometry import EARTH_RADIUS_KM, GEO_RADIUS_KM


def test_look_angles_of_the_textbook():
    """Roddy, examples 3.1 and 3.2 (transcription; azimuth derived): 35 N 100 W, satellite 90 W, R 6371 km.

    A published transcription of the example prints an azimuth of 164.55: it fed degrees to the cosine.
    """
    look = look_angles(35.0, -100.0, -90.0, earth_radius_km=6371.0)
    assert look.elevation_deg == pytest.approx(48.0, abs=0.05)
    assert look.elevation_deg == pytest.approx(47.97, abs=0.005)
    assert look.range_km == pytest.approx(37215, abs=1.0)
    assert look.azimuth_deg == pytest.approx(162.91, abs=0.005)


def test_look_angles_of_a_tutorial():
    """Tutorial page (transcription; elevation derived): 20 S 30 W, satellite 30 E, R 6378.14 km.

    The page prints an elevation of 18.86; its own cosine, 0.9405, gives 19.86, and full digits 19.84.
    """
    look = look_angles(-20.0, -30.0, 30.0, earth_radius_km=6378.14)
    assert look.azimuth_deg == pytest.approx(78.83, abs=0.005)
    assert look.range_km == pytest.approx(39571, abs=2.0)
    assert look.elevation_deg == pytest.approx(19.84, abs=0.005)


def test_skew_of_the_textbook():
    """Roddy, example 5.1 (inputs read; -58.67 a transcription with pi = 3.142, 58.617 derived with full digits)."""
    skew = polarisation_skew_deg(18.0, -73.0, -105.0)
    assert abs(skew) == pytest.approx(58.67, abs=0.06)
    assert abs(skew) == pytest.approx(58.617, abs=0.001)
    short = np.degrees(np.arctan2(np.sin(np.radians(32.0)), np.tan(np.radians(18.0))))
    assert short == pytest.approx(58.49, abs=0.005)
    assert abs(skew) == pytest.approx(short, abs=0.3)


def test_skew_by_the_textbooks_projections():
    """Roddy, equations 5.9 to 5.13 (read): f = k x r, g = k x e, h = g x k, p = h/|h|, xi = asin(p.f/|f|)."""
    lat, lon, sat = (np.radians(value) for value in (18.0, -73.0, -105.0))
    station = EARTH_RADIUS_KM * np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    satellite = GEO_RADIUS_KM * np.array([np.cos(sat), np.sin(sat), 0.0])
    k, r, e = station - satellite, station, np.array([0.0, 0.0, 1.0])
    f, g = np.cross(k, r), np.cross(k, e)
    h = np.cross(g, k)
    xi = np.degrees(np.arcsin(h @ f / np.linalg.norm(h) / np.linalg.norm(f)))
    assert abs(polarisation_skew_deg(18.0, -73.0, -105.0)) == pytest.approx(abs(xi), abs=1e-9)


@pytest.mark.parametrize(
    ("latitude", "longitude", "sign"),
    [(40.0, 20.0, 1.0), (40.0, -20.0, -1.0), (-40.0, 20.0, -1.0), (-40.0, -20.0, 1.0)],
    ids=["north, satellite west", "north, satellite east", "south, satellite west", "south, satellite east"],
)
def test_sign_of_the_skew_in_four_quadrants(latitude, longitude, sign):
    """Positive is clockwise from behind the antenna. Looked at by drawing: the satellite's vertical as screen axes.

    North of the equator, a satellite in the south-west: north lies behind to the right, so the earth's axis leans to
    the right, clockwise. The drawing below projects both ends of a vertical rod at the satellite on the antenna's
    picture, without the formula of the code.
    """
    skew = polarisation_skew_deg(latitude, longitude, 0.0)
    assert np.sign(skew) == sign
    lat, lon = np.radians(latitude), np.radians(longitude)
    up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    antenna = EARTH_RADIUS_KM * up
    ends = [np.array([GEO_RADIUS_KM, 0.0, height]) for height in (-1.0, 1.0)]
    forward = (ends[0] + ends[1]) / 2.0 - antenna
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    above = np.cross(right, forward / np.linalg.norm(forward))
    (x0, y0), (x1, y1) = (((end - antenna) @ right, (end - antenna) @ above) for end in ends)
    assert bool(y1 > y0) is (latitude > 0.0)  # from the south the rod stands on its head, which no polarisation shows
    assert np.degrees(np.arctan((x1 - x0) / (y1 - y0))) == pytest.approx(skew, abs=1e-3)


def test_sign_of_the_azimuth_and_tilt():
    """Clockwise from true north: a satellite to the east of a northern vessel stands between 90 and 180 degrees."""
    assert 90.0 < look_angles(50.0, 0.0, 20.0).azimuth_deg < 180.0
    assert 180.0 < look_angles(50.0, 0.0, -20.0).azimuth_deg < 270.0
    assert 0.0 < look_angles(-50.0, 0.0, 20.0).azimuth_deg < 90.0
    assert look_angles(50.0, 10.0, 10.0).azimuth_deg == pytest.approx(180.0)
    assert polarisation_skew_deg(50.0, 10.0, 10.0, 3.5) == pytest.approx(3.5)
    assert polarisation_skew_deg(50.0, 10.0, 10.0, -3.5) == pytest.approx(-3.5)


@pytest.mark.parametrize(
    ("spacing", "latitude", "expected"),
    [
        (2.0, 0.0, 2.356), (2.0, 30.0, 2.292), (2.0, 50.0, 2.197), (2.0, 60.0, 2.142),
        (3.0, 0.0, 3.534), (3.0, 30.0, 3.438), (3.0, 50.0, 3.296), (3.0, 60.0, 3.213),
    ],
)  # fmt: skip
def test_separation_seen_from_the_ground(spacing, latitude, expected):
    """Derived table, three decimals: two satellites either side of the vessel's meridian."""
    seen = separation_deg(latitude, 0.0, -spacing / 2.0, spacing / 2.0)
    assert seen == pytest.approx(expected, abs=1e-3)


def test_edge_of_visibility():
    """Elevation 0 at an arc of acos(R/a) = 81.3 degrees (derived; also in a transcription)."""
    edge = np.degrees(np.arccos(EARTH_RADIUS_KM / GEO_RADIUS_KM))
    assert edge == pytest.approx(81.3, abs=0.05)
    assert look_angles(0.0, 0.0, edge).elevation_deg == pytest.approx(0.0, abs=1e-9)
    assert visible(0.0, 0.0, 81.0) is True
    assert visible(0.0, 0.0, 82.0) is False
    assert visible(0.0, 0.0, np.array([0.0, 81.0, 82.0, 180.0]), min_elevation_deg=5.0).tolist() == [True] + 3 * [False]


def test_look_angles_against_pymap3d():
    """Outside check: pymap3d's earth-fixed to azimuth, elevation, range, on a sphere of the same radius."""
    pymap3d = pytest.importorskip("pymap3d", reason="pymap3d is not installed (extra: test)")
    sphere = pymap3d.Ellipsoid(EARTH_RADIUS_KM * 1e3, EARTH_RADIUS_KM * 1e3, "sphere")
    rng = np.random.default_rng(7)
    lat, lon, sat = rng.uniform(-85, 85, 400), rng.uniform(-180, 180, 400), rng.uniform(-180, 180, 400)
    x, y = (GEO_RADIUS_KM * 1e3 * trig(np.radians(sat)) for trig in (np.cos, np.sin))
    azimuth, elevation, distance = pymap3d.ecef2aer(x, y, 0.0, lat, lon, 0.0, ell=sphere)
    look = look_angles(lat, lon, sat)
    np.testing.assert_allclose((look.azimuth_deg - azimuth + 180.0) % 360.0, 180.0, atol=1e-7)
    np.testing.assert_allclose(look.elevation_deg, elevation, atol=1e-9)
    np.testing.assert_allclose(look.range_km * 1e3, distance, rtol=1e-12)


def test_the_sphere_is_near_the_ellipsoid():
    """Outside check of the model: against pymap3d's WGS 84 the sphere points within 0.2 degrees where it matters."""
    pymap3d = pytest.importorskip("pymap3d", reason="pymap3d is not installed (extra: test)")
    rng = np.random.default_rng(8)
    lat, lon, sat = rng.uniform(-70, 70, 2000), rng.uniform(-180, 180, 2000), rng.uniform(-180, 180, 2000)
    x, y = (GEO_RADIUS_KM * 1e3 * trig(np.radians(sat)) for trig in (np.cos, np.sin))
    azimuth, elevation, _ = pymap3d.ecef2aer(x, y, 0.0, lat, lon, 0.0)
    look = look_angles(lat, lon, sat)
    high = (elevation > 5.0) & (elevation < 80.0)
    assert high.sum() > 300
    across = ((look.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0) * np.cos(np.radians(elevation))
    assert np.abs(across[high]).max() < 0.2
    assert np.abs(look.elevation_deg - elevation)[high].max() < 0.2


ANGLES = st.floats(-179, 179)


@settings(max_examples=100, deadline=None)
@given(st.floats(-80, 80), ANGLES, ANGLES, st.floats(-179, 179))
def test_turning_the_earth_changes_nothing(latitude, longitude, orbital, turn):
    one, other = look_angles(latitude, longitude, orbital), look_angles(latitude, longitude + turn, orbital + turn)
    assert other.elevation_deg == pytest.approx(one.elevation_deg, abs=1e-9)
    assert other.range_km == pytest.approx(one.range_km, rel=1e-12)


@settings(max_examples=100, deadline=None)
@given(st.floats(1, 80), st.floats(0.1, 75))
def test_mirror_images(latitude, offset):
    """East and west, north and south mirror each other: the skew changes sign each time."""
    skew = polarisation_skew_deg(latitude, offset, 0.0)
    assert polarisation_skew_deg(latitude, -offset, 0.0) == pytest.approx(-skew)
    assert polarisation_skew_deg(-latitude, offset, 0.0) == pytest.approx(-skew)


@settings(max_examples=60, deadline=None)
@given(st.floats(-80, 80), ANGLES, ANGLES, ANGLES)
def test_separation_agrees_with_the_look_angles(latitude, longitude, first, second):
    one, two = look_angles(latitude, longitude, first), look_angles(latitude, longitude, second)
    e1, e2, a = np.radians([one.elevation_deg, two.elevation_deg, one.azimuth_deg - two.azimuth_deg])
    cosine = np.sin(e1) * np.sin(e2) + np.cos(e1) * np.cos(e2) * np.cos(a)
    assert np.cos(np.radians(separation_deg(latitude, longitude, first, second))) == pytest.approx(cosine, abs=1e-9)


def test_arrays_broadcast_and_wrong_latitudes_are_refused():
    look = look_angles(np.array([[40.0], [50.0]]), 0.0, np.array([-10.0, 0.0, 10.0]))
    assert look.azimuth_deg.shape == (2, 3)
    assert isinstance(look_angles(40.0, 0.0, 0.0).azimuth_deg, float)
    assert look_angles(0.0, 10.0, 10.0).elevation_deg == pytest.approx(90.0)
    assert look_angles(0.0, 10.0, 10.0).azimuth_deg == 0.0
    with pytest.raises(ValueError, match="latitude"):
        look_angles(91.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("latitude", "to_the_east"),
    [(50.0, -1.0), (-35.0, 1.0)],
    ids=["north: east is to the left", "south: east is to the right"],
)
def test_sign_of_a_step_along_the_arc(latitude, to_the_east):
    """Facing the arc from the north one looks south, so east is to the left; from the south the other way round."""
    step = arc_step(latitude, 10.0, 10.0, 13.0)
    assert np.sign(step.azimuth_change_deg) == to_the_east
    assert step.elevation_change_deg < 0.0  # away from the meridian the arc falls
    assert step.skew_change_deg == pytest.approx(polarisation_skew_deg(latitude, 10.0, 13.0))
    assert step.separation_deg == pytest.approx(separation_deg(latitude, 10.0, 10.0, 13.0))
    assert 3.0 < step.separation_deg < 3.6
    back = arc_step(latitude, 10.0, 13.0, 10.0)
    assert back.azimuth_change_deg == pytest.approx(-step.azimuth_change_deg)
    assert arc_step(latitude, 10.0, 10.0, 10.0).separation_deg == 0.0
