"""Ground to grid, against pyproj and geographiclib."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup
from tieup.errors import ConfigError
from tieup.model.control import Control
from tieup.model.observations import DISTANCE, ZENITH, Sights
from tieup.model.settings import Grid, GridWish
from tieup.read.projection import site_grid
from tieup.reduce.grid import (
    combined_factor,
    height_factor,
    line_factors,
    sights_on_grid,
    site_factor,
)

pyproj = pytest.importorskip("pyproj", reason="the extra tieup[grid]")
geodesic = pytest.importorskip("geographiclib.geodesic", reason="the test extra")

UTM = "EPSG:32633"
NEW_YORK = "EPSG:2263"  # Lambert conformal conic, US survey feet


def control_at(north: float, east: float, height: float = 0.0) -> Control:
    """Return a list of one mark (m)."""
    return Control(
        "control.csv",
        ("A",),
        np.array([[north, east, height]]),
        np.zeros((1, 3)),
        np.array([2]),
        ("",),
    )


def grid_at(crs: str, longitude: float, latitude: float, **more: object) -> Grid:
    """Return the grid of a crs near a place."""
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    unit = pyproj.CRS(crs).axis_info[0].unit_conversion_factor
    east, north = to_grid.transform(longitude, latitude)
    found = site_grid(GridWish(crs=crs, **more), control_at(north * unit, east * unit))
    assert found is not None
    return found


def test_point_scale_is_that_of_the_projection() -> None:
    """UTM 33 at 50 N 15.5 E: 0.99961577, the value of the projection library (pyproj 3.7)."""
    found = grid_at(UTM, 15.5, 50.0)
    assert site_factor(found) == pytest.approx(0.99961577, abs=5e-9)


@pytest.mark.parametrize(
    ("crs", "longitude", "latitude"),
    [(UTM, 15.5, 50.0), (UTM, 17.8, 48.0), (NEW_YORK, -73.9, 40.8)],
)
def test_geodesics_become_grid_distances(crs: str, longitude: float, latitude: float) -> None:
    """Geodesic (geographiclib) x line factor = grid distance (pyproj), to 0.1 ppm up to 6 km."""
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    unit = pyproj.CRS(crs).axis_info[0].unit_conversion_factor
    found = grid_at(crs, longitude, latitude)
    rng = np.random.default_rng(4)
    for _ in range(20):
        ends = np.array([longitude, latitude]) + rng.uniform(-0.03, 0.03, (2, 2))
        place = np.array([to_grid.transform(*end)[::-1] for end in ends]) * unit
        line = geodesic.Geodesic.WGS84.Inverse(ends[0, 1], ends[0, 0], ends[1, 1], ends[1, 0])
        flat = np.column_stack([place, [0.0, 0.0]])
        factor = float(line_factors(found, flat[:1], flat[1:])[0])
        apart = float(np.hypot(*(place[1] - place[0])))
        assert factor * line["s12"] == pytest.approx(apart, abs=1e-7 * apart)  # m


def test_published_line() -> None:
    """50 N 15.5 E to 50.01 N 15.51 E: geodesic 1323.2966760 m, grid over ellipsoid 0.99961608.

    Both from pyproj 3.7.2 and geographiclib 2.1, which agree.
    """
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    place = np.array([to_grid.transform(*end)[::-1] for end in ((15.5, 50.0), (15.51, 50.01))])
    flat = np.column_stack([place, [0.0, 0.0]])
    factor = float(line_factors(grid_at(UTM, 15.5, 50.0), flat[:1], flat[1:])[0])
    assert factor == pytest.approx(0.99961608, abs=5.1e-9)
    assert factor * 1323.2966760 == pytest.approx(np.hypot(*(place[1] - place[0])), abs=2e-5)  # m


def test_height_factor_is_that_of_the_chord_at_height() -> None:
    """Chord between places 500 m up (pyproj, geocentric) x R / (R + h) = the one at 0, 0.1 ppm."""
    geocentric = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    ends = ((15.5, 50.0), (15.504, 50.003))

    def chord(height: float) -> float:
        one, two = (np.array(geocentric.transform(*end, height)) for end in ends)
        return float(np.linalg.norm(two - one))

    found = grid_at(UTM, 15.5, 50.0, sea_level=True)
    factor = float(height_factor(found, np.array([500.0]))[0])
    assert factor * chord(500.0) == pytest.approx(chord(0.0), abs=1e-7 * chord(0.0) * 5)  # m
    assert factor == pytest.approx(1.0 - 500.0 / 6.38e6, abs=1e-7)


def test_separation_is_added_to_the_elevation() -> None:
    """460 m over the geoid and a separation of 40 m are 500 m over the ellipsoid."""
    plain = grid_at(UTM, 15.5, 50.0, sea_level=True)
    lifted = grid_at(UTM, 15.5, 50.0, sea_level=True, separation=40.0)
    here = np.array([[*plain.centre[:2], 500.0]])
    lower = here - [0.0, 0.0, 40.0]
    assert combined_factor(lifted, lower)[0] == combined_factor(plain, here)[0]


def test_only_horizontal_distances_change() -> None:
    """100 m at zenith 70: horizontal part times k, rise as it is; level without a zenith."""
    k, z = 0.9996, np.radians(70.0)
    value = np.array([[1.0, z, 100.0], [1.0, np.nan, 100.0], [1.0, z, np.nan]])
    none = np.zeros(3, dtype=np.int64)
    sights = Sights(none, none, np.zeros(3), value, np.ones((3, 3), int), value, value)
    found = sights_on_grid(sights, k).value
    plan = found[0, DISTANCE] * np.sin(found[0, ZENITH])
    rise = found[0, DISTANCE] * np.cos(found[0, ZENITH])
    assert plan == pytest.approx(100.0 * np.sin(z) * k, abs=1e-10)  # m
    assert rise == pytest.approx(100.0 * np.cos(z), abs=1e-10)  # m
    assert found[1, DISTANCE] == pytest.approx(99.96, abs=1e-10)  # m
    assert found[2, ZENITH] == pytest.approx(found[0, ZENITH], abs=1e-15)
    assert (found[:, 0] == 1.0).all()


@pytest.mark.parametrize(
    ("crs", "message"),
    [
        ("EPSG:4326", "is no map grid"),
        ("nonsense", "not known"),
        ("EPSG:3035", "not conformal"),  # an equal-area grid
    ],
)
def test_a_crs_that_is_no_conformal_grid_is_refused(crs: str, message: str) -> None:
    """The message names the key and the crs."""
    with pytest.raises(ConfigError, match=message) as caught:
        site_grid(GridWish(crs=crs), control_at(5_500_000.0, 500_000.0))
    assert "grid: crs" in str(caught.value)


def test_a_grid_needs_control_to_say_where_it_is() -> None:
    """Without a control list nothing says where the site is."""
    with pytest.raises(ConfigError, match="needs a control list"):
        site_grid(GridWish(crs=UTM), None)
    assert site_grid(None, None) is None


MARKS = {  # local N, E, up (m) about the site
    "C1": (0.0, 0.0, 2.0),
    "C2": (310.0, 40.0, -5.0),
    "C3": (280.0, 390.0, 12.0),
    "C4": (-60.0, 350.0, 30.0),
    "P1": (150.0, 120.0, 0.0),
    "P2": (120.0, 260.0, 25.0),
    "P3": (400.0, 200.0, 4.0),
}
SETUPS = {"S1": (140.0, 60.0, 3.0), "S2": (160.0, 330.0, 8.0)}


def write_survey(
    folder: Path, more: str, longitude: float = 17.8, height: float = 800.0
) -> dict[str, np.ndarray]:
    """Write a job shot on the ellipsoid in UTM 33 at 48 N; return all marks on the grid.

    Readings are exact: geocentric vectors in the plumb-line frame of each station, no refraction.
    """
    geocentric = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    to_grid = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    latitude = 48.0
    metre = np.degrees(1.0 / 6.39e6)

    def places(local: tuple[float, float, float]) -> tuple[float, float, float]:
        shrink = np.cos(np.radians(latitude))
        return longitude + local[1] * metre / shrink, latitude + local[0] * metre, height + local[2]

    grid, rows = {}, []
    for name, local in MARKS.items():
        lon, lat, up = places(local)
        east, north = to_grid.transform(lon, lat)
        grid[name] = np.array([north, east, up])
    for setup, standing in SETUPS.items():
        lon, lat, up = places(standing)
        here = np.array(geocentric.transform(lon, lat, up))
        a, b = np.radians(lon), np.radians(lat)
        to_east = np.array([-np.sin(a), np.cos(a), 0.0])
        to_up = np.array([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)])
        to_north = np.cross(to_up, to_east)
        for name, local in MARKS.items():
            ray = np.array(geocentric.transform(*places(local))) - here
            length = float(np.linalg.norm(ray))
            turn = np.degrees(np.arctan2(ray @ to_east, ray @ to_north)) % 360.0
            zenith = np.degrees(np.arccos(ray @ to_up / length))
            rows.append(f"{setup},{name},{turn:.8f},{zenith:.8f},{length:.6f}")
    (folder / "raw").mkdir()
    (folder / "raw" / "a.csv").write_text(
        "setup,point,direction,zenith,distance\n" + "\n".join(rows) + "\n"
    )
    listed = [
        f"{n},{grid[n][0]:.6f},{grid[n][1]:.6f},{grid[n][2]:.6f}" for n in MARKS if n[0] == "C"
    ]
    (folder / "control.csv").write_text(
        "point,northing,easting,elevation\n" + "\n".join(listed) + "\n"
    )
    (folder / "job.yaml").write_text(
        f"units: {{angle: deg, length: m}}\natmosphere: {{refraction: 0}}\n{more}\n"
    )
    return grid


def test_a_whole_job_on_the_grid(tmp_path: Path) -> None:
    """Marks of a job in UTM, 800 m up, come out where the projection has them, to 0.6 mm."""
    right = write_survey(tmp_path, f"grid: {{crs: '{UTM}', sea_level: true}}")
    result = tieup.reconcile(tmp_path)
    rows = result.coordinates.set_index("point")
    assert not any(f["severity"] == "stop" for f in result.findings)
    for name, place in right.items():
        found = rows.loc[name, ["northing", "easting", "elevation"]].to_numpy(dtype=float)
        np.testing.assert_allclose(found, place, rtol=0, atol=6e-4)  # m
    assert result.reconciliation.run["sigma0"] < 0.3


def test_the_same_job_without_a_word_about_the_grid(tmp_path: Path) -> None:
    """Nothing is scaled in silence: the control's scale is found and said to look like a grid."""
    write_survey(tmp_path, "", longitude=15.4, height=100.0)
    result = tieup.reconcile(tmp_path)
    assert result.status == 1
    found = next(f for f in result.findings if f["kind"] == "control-scale")
    there = grid_at(UTM, 15.4, 48.0, sea_level=True)
    factor = combined_factor(there, np.array([[*there.centre[:2], 100.0]]))[0]
    assert (found["unit"], found["severity"]) == ("ppm", "stop")
    assert found["size"] == pytest.approx((1.0 / factor - 1.0) * 1e6, abs=25.0)  # ppm
    assert "looks like a grid factor" in found["says"]
    assert not any(f["kind"] == "distance-scale" for f in result.findings)
