"""The drawings of report.html: the plan to scale and north up, the residual plots."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.write.page_reading import read_page
from tests.write.page_sites import invented_site, with_extras
from tests.write.page_strings import with_strings
from tests.write.sample import make_job, make_site
from tieup.model.arrays import FloatArray
from tieup.model.reconciliation import Reconciliation
from tieup.units import format_angles
from tieup.write.page import page_text
from tieup.write.page.drawing import Drawing, plan_view
from tieup.write.page.drawing_layout import LONGEST, WIDTH, frame_of, round_number
from tieup.write.page.drawing_points import places_of
from tieup.write.page.page_table import row_starts
from tieup.write.page.plots import BOTTOM, LEFT, RIGHT, TOP, residual_plots, round_steps
from tieup.write.page.residuals import residuals_of, thin

FOLDER = Path("yard")
SITE = invented_site(FOLDER)


def plan_of(site: Reconciliation) -> Drawing:
    """Return the plan of a site that has one."""
    plan = plan_view(site, row_starts(site.observations))
    assert plan is not None
    return plan


def path_points(path: str) -> FloatArray:
    """Return the absolute corners (n, 2) of a path of M and L."""
    return np.array(
        [list(map(float, pair)) for pair in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]
    )


def tie_rows() -> dict[tuple[str, str], int]:
    """Return the row of each tie by point and setup."""
    pairs = zip(SITE.ties["point"], SITE.ties["setup"], strict=True)
    return {pair: row for row, pair in enumerate(pairs)}


# ---- the plan -----------------------------------------------------------------------------------


def test_north_is_up_and_east_is_right() -> None:
    """More northing is nearer to the upper edge, more easting farther right, one scale in both."""
    frame = frame_of(np.array([0.0, 30.0]), np.array([0.0, 40.0]), 0.006)
    assert frame is not None
    x, y = frame.x(np.array([0.0, 40.0])), frame.y(np.array([0.0, 30.0]))
    assert x[1] - x[0] == pytest.approx(40.0 * frame.scale)
    assert y[1] - y[0] == pytest.approx(-30.0 * frame.scale)
    assert 0 < x[0] < x[1] < WIDTH
    assert 0 < y[1] < y[0] < frame.height


@pytest.mark.parametrize(
    ("north", "east"),
    [
        ([5.0], [7.0]),
        ([0.0, 1e6], [0.0, 1.0]),
        ([0.0, 1.0], [4.5e6, 4.6e6]),
        ([3.0] * 3, [9.0] * 3),
    ],
)
def test_any_extent_fits(north: list[float], east: list[float]) -> None:
    """A single point, a long thin line and large coordinates all lie inside the drawing."""
    frame = frame_of(np.array(north), np.array(east), 0.006)
    assert frame is not None
    x, y = frame.x(np.array(east)), frame.y(np.array(north))
    assert (x >= 0).all() and (x <= WIDTH).all()
    assert (y >= 0).all() and (y <= frame.height).all()
    assert frame_of(np.array([np.nan]), np.array([1.0]), 0.006) is None


def test_the_scale_bar_has_its_length() -> None:
    """The bar is as long as the label says, by the distance of two marks."""
    page = read_page(page_text(SITE))
    drawn = float(re.findall(r"h([\d.]+)", page.one(id="bar").attributes["d"])[0])
    said = float(page.one(id="bar-text").text.split()[0])
    plan = plan_of(SITE)
    first, second = plan.marks[0], plan.marks[1]
    rows = [list(SITE.coordinates["point"]).index(mark.name) for mark in (first, second)]
    ground = math.hypot(
        *(np.diff(np.asarray(SITE.coordinates[name])[rows])[0] for name in ("northing", "easting"))
    )
    paper = math.hypot(first.x - second.x, first.y - second.y)
    assert drawn / said == pytest.approx(paper / ground, rel=2e-3)


def test_differences_are_exaggerated_as_stated() -> None:
    """The arrow of a tie is its difference times the scale times the factor in the caption."""
    plan = plan_of(SITE)
    words = read_page(page_text(SITE)).one(id="plan-says").text
    stated = float(re.findall(r"drawn ([\d,]+) times larger", words)[0].replace(",", ""))
    assert stated == plan.frame.exaggeration
    ties = tie_rows()
    marks = {(mark.x, mark.y): mark.name for mark in plan.marks}
    whole = [shift for shift in plan.shifts if not shift.cut]
    assert len(whole) > 5
    for shift in whole:
        row = ties[marks[shift.x, shift.y], shift.setup]
        factor = plan.frame.scale * stated
        east, north = SITE.ties["d_easting"][row], SITE.ties["d_northing"][row]
        assert shift.x2 - shift.x == pytest.approx(east * factor, abs=0.02)  # drawing units
        assert shift.y - shift.y2 == pytest.approx(north * factor, abs=0.02)


def test_heights_point_up_when_high_and_are_cut_where_too_long() -> None:
    """M2 is 100 mm low: its bar points down, is cut, and the caption says what is cut."""
    plan = plan_of(SITE)
    (rise,) = [rise for rise in plan.rises if rise.cut]
    assert rise.shape == "bad"
    assert rise.y2 - rise.y == pytest.approx(LONGEST, abs=0.02)
    assert "100 mm low" in rise.says
    ties = tie_rows()
    marks = {(mark.x, round(mark.y, 2)): mark.name for mark in plan.marks}
    for rise in plan.rises:
        up = SITE.ties["d_elevation"][ties[marks[rise.x, rise.y], rise.setup]]
        assert (rise.y2 < rise.y) is bool(up > 0)
    assert "dashed where cut short" in read_page(page_text(SITE)).one(id="plan-says").text


@pytest.mark.parametrize("unit", ["deg", "dms", "gon"])
def test_ellipses_lie_along_their_azimuth(unit: str) -> None:
    """The long axis of an ellipse points where the table says, in any unit of angle.

    SVG turns clockwise (SVG 1.1, section 7.6) and an azimuth runs clockwise from north.
    """
    azimuth = np.radians(np.full(300, 30.0))
    column = format_angles(azimuth, unit)
    numbers = unit != "dms"
    table = {
        **SITE.coordinates,
        "ellipse_azimuth": np.array(column, dtype=float if numbers else object),
    }
    site = replace(SITE, job=make_job(FOLDER, angle_unit=unit), coordinates=table)
    ovals = plan_of(site).ovals
    assert ovals
    for oval in ovals:
        turn = math.radians(oval.turn)
        right, down = math.cos(turn), math.sin(turn)
        assert math.degrees(math.atan2(right, -down)) == pytest.approx(30.0, abs=0.1)
        assert oval.major >= oval.minor


def test_sights_run_from_setup_to_mark() -> None:
    """Every sight starts at its setup and ends at its point; left-out ones are apart."""
    plan = plan_of(SITE)
    stands = {(setup.x, setup.y) for setup in plan.setups}
    marks = {(mark.x, mark.y) for mark in plan.marks}
    for path, most in ((plan.lines.marks, 10**6), (plan.lines.suspect, 5)):
        ends = path_points(path).reshape(-1, 2, 2)
        assert 0 < len(ends) < most
        assert {tuple(end) for end in ends[:, 0].tolist()} <= stands
    assert {
        tuple(end) for end in path_points(plan.lines.marks).reshape(-1, 2, 2)[:, 1].tolist()
    } <= marks


def test_strings_are_drawn_as_the_strings_table_has_them() -> None:
    """Every part is one line through its points in order; a site without strings has none."""
    site = with_strings(SITE)
    plan = plan_of(site)
    table = site.coordinates
    x = np.round(plan.frame.x(np.asarray(table["easting"])), 2)
    y = np.round(plan.frame.y(np.asarray(table["northing"])), 2)
    at = {(a, b): i for i, (a, b) in enumerate(zip(x.tolist(), y.tolist(), strict=True))}
    drawn = [
        [str(table["point"][at[tuple(point)]]) for point in path_points("M" + chain).tolist()]
        for chain in plan.lines.strings.split("M")[1:]
    ]
    parts: dict[str, list[str]] = {}
    for string, point in zip(site.strings["string"], site.strings["point"], strict=True):
        parts.setdefault(string, []).append(point)
    assert drawn == list(parts.values())
    assert sum(map(len, drawn)) > 200
    assert plan_of(SITE).lines.strings == ""


def test_every_point_is_on_the_plan_once() -> None:
    """300 points: 15 marks with a shape, 285 shots as dots, those nothing checks in pale."""
    plan = plan_of(SITE)
    assert len(plan.marks) == 15
    assert plan.unchecked.count("M") == 285
    assert plan.checked == ""
    assert len(plan.setups) == 5
    assert not plan.note


def test_joints_have_their_step_written_on_them() -> None:
    """A joint stands where it is, with its height step; no layer for it where there is none."""
    plan = plan_of(with_extras(SITE))
    assert [joint.name for joint in plan.joints] == ["step 1.2 mm", "step 6.1 mm"]
    assert (plan.joints[1].x, plan.joints[1].y) == (plan.marks[9].x, plan.marks[9].y)
    assert "joints" in [layer.id for layer in plan.layers]
    assert "joints" not in [layer.id for layer in plan_of(SITE).layers]


def test_every_layer_can_be_switched() -> None:
    """Each layer of the list has a box, a sample and a rule of the style that hides it."""
    text = page_text(with_extras(SITE))
    page = read_page(text)
    for layer in plan_of(with_extras(SITE)).layers:
        assert page.one("input", id=f"layer-{layer.id}")
        assert page.one(id=f"swatch-{layer.id}")
        assert page.one(id="map").all(look=f"layer-{layer.id}")
        assert f"#plan:has(#layer-{layer.id}:not(:checked)) .layer-{layer.id}" in text


def test_a_name_that_two_setups_gave_to_two_points_is_told_apart() -> None:
    """101@S2 in the coordinates is the 101 that S2 sighted."""
    site = make_site(FOLDER)
    names = np.array(["101", "101@S2"], dtype=object)
    plan = plan_of(replace(site, coordinates={**site.coordinates, "point": names}))
    places_names = plan.data["name"]
    assert places_names == ["101", "101@S2"]
    places = places_of(replace(site, coordinates={**site.coordinates, "point": names}))
    assert places is not None
    assert [places.point("101", "S1"), places.point("101@S2", "S2")] == [0, 1]
    other = {**site.coordinates, "point": np.array(["102", "101@S2"], dtype=object)}
    places = places_of(replace(site, coordinates=other))
    assert places is not None
    assert [places.point("101", "S2"), places.point("101", "S1")] == [1, -1]


# ---- the plots ----------------------------------------------------------------------------------


def dots(path: str) -> FloatArray:
    """Return where the dots of a plot stand (n, 2)."""
    return np.array([list(map(float, pair)) for pair in re.findall(r"M([\d.]+) ([\d.]+)", path)])


def test_residuals_are_those_of_used_and_checked_readings() -> None:
    """Excluded and unchecked readings are in no plot; each has the distance of its own row."""
    table, starts = SITE.observations, row_starts(SITE.observations)
    residuals = residuals_of(table, starts)
    w, status = np.asarray(table["w"], dtype=float), np.asarray(table["status"])
    keep = np.isfinite(w) & (status == "used")
    np.testing.assert_array_equal(residuals.w, w[keep])
    by_row = {
        (f, n): o
        for f, n, o, k in zip(
            table["file"], table["line"], table["observed"], table["kind"], strict=True
        )
        if k == "distance"
    }
    expected = [
        by_row[f, n] for f, n, k in zip(table["file"], table["line"], keep, strict=True) if k
    ]
    np.testing.assert_array_equal(residuals.distance, expected)
    hours = residuals.time
    assert (hours >= 7.0).all() and (hours < 24.0).all()  # hours of the invented day


def test_the_plots_that_the_data_allow_are_drawn() -> None:
    """Against time only where rows have times; nothing where nothing checks the readings."""
    starts = row_starts(SITE.observations)
    ids = [plot.id for plot in residual_plots(SITE.observations, starts, "m")]
    assert ids == ["distance", "time", "setup", "normal"]
    timeless = {name: c for name, c in SITE.observations.items() if name != "time"}
    ids = [plot.id for plot in residual_plots(timeless, starts, "m")]
    assert ids == ["distance", "setup", "normal"]
    unchecked = {**SITE.observations, "w": np.full(len(SITE.observations["w"]), np.nan)}
    assert residual_plots(unchecked, starts, "m") == ()


def test_the_normal_plot_has_bloms_positions() -> None:
    """Dots of the normal plot against an independent library's plotting positions and quantiles.

    scipy.stats.mstats.plotting_positions with alpha = beta = 3/8 (Blom, Statistical Estimates
    and Transformed Beta-Variables, 1958) and scipy.stats.norm.
    """
    from scipy import stats

    starts = row_starts(SITE.observations)
    plot = residual_plots(SITE.observations, starts, "m")[-1]
    w = residuals_of(SITE.observations, starts).w
    quantile = stats.norm.ppf(stats.mstats.plotting_positions(w, 0.375, 0.375))
    drawn = np.concatenate([dots(path) for _, path in plot.dots])
    reach = max(float(tick.label) for tick in plot.x_ticks)
    ends = {float(tick.label): tick.at for tick in plot.x_ticks}
    x = (drawn[:, 0] - ends[-reach]) / (ends[reach] - ends[-reach]) * 2 * reach - reach
    np.testing.assert_allclose(np.sort(x), np.sort(quantile), atol=0.005)  # sds
    assert drawn[:, 0].min() >= LEFT and drawn[:, 0].max() <= RIGHT
    assert drawn[:, 1].min() >= TOP and drawn[:, 1].max() <= BOTTOM
    order = np.argsort(drawn[:, 0])
    assert (np.diff(drawn[order, 1]) <= 0.11).all()  # larger residuals stand higher; 0.1 rounds


def test_the_axis_of_residuals_is_true() -> None:
    """A dot's height on the axis is its residual over its own sd."""
    starts = row_starts(SITE.observations)
    plot = residual_plots(SITE.observations, starts, "m")[0]
    ticks = {float(tick.label): tick.at for tick in plot.y_ticks}
    unit = (ticks[0.0] - ticks[2.0]) / 2.0
    residuals = residuals_of(SITE.observations, starts)
    for number, (_, path) in enumerate(plot.dots):
        drawn = (ticks[0.0] - dots(path)[:, 1]) / unit
        np.testing.assert_allclose(drawn, residuals.w[residuals.kind == number], atol=0.01)  # sds


def test_thinning_keeps_every_outlying_residual() -> None:
    """Of 100,000 residuals about 1,500 are drawn, each of those beyond 3 sds among them."""
    w = np.random.default_rng(3).standard_normal(100_000)
    w[17] = 9.0
    chosen = thin(w, 1500)
    assert 1000 < len(chosen) <= 1800
    assert set(np.flatnonzero(np.abs(w) > 3.0)) <= set(chosen)
    assert len(thin(w[:1500], 1500)) == 1500


def test_steps_of_axes_are_round() -> None:
    """1, 2 or 5 of a decade, never more than nine of them, inside the ends."""
    for first, last in ((0.0, 57.0), (-5.0, 5.0), (0.0, 0.013), (1e5, 1.0003e5)):
        steps = round_steps(first, last)
        assert 3 <= len(steps) <= 9
        assert first <= steps[0] and steps[-1] <= last
        size = steps[1] - steps[0]
        assert round(size / 10 ** math.floor(math.log10(size) + 1e-9), 6) in (1.0, 2.0, 5.0)
    assert round_number(0.0079) == pytest.approx(0.01)
