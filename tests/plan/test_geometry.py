"""Weak shapes are named in the answer, as reconcile names them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.plan.jobs import CONTROL, JOB, PLACES, SIGHTS, write_plan_job
from tieup.library import PlanResult

ANGLES = "setup,station,point,target_height,rounds,faces,measured\n"


def by_setup(plan: PlanResult) -> dict[str, str]:
    """Return the geometry word of each setup."""
    return dict(zip(plan.setups["setup"], plan.setups["geometry"], strict=True))


def circle_place(off: float) -> tuple[float, float]:
    """Return a place ``off`` m outside the circle through CP1, CP2 and CP4: middle (1030, 1030)."""
    bearing, radius = np.radians(200.0), 30.0 * np.sqrt(2.0) + off
    return float(1030 + radius * np.cos(bearing)), float(1030 + radius * np.sin(bearing))


def angles_only(folder: Path, off: float) -> PlanResult:
    """Return the usual plan with a station F of angles alone, near or on the danger circle."""
    north, east = circle_place(off)
    sights = ANGLES + "".join(f"{line},\n" for line in SIGHTS.splitlines()[1:])
    sights += "".join(f"F,,{name},1.6,2,2,direction zenith\n" for name in ("CP1", "CP2", "CP4"))
    places = f"{PLACES}F,{north!r},{east!r},12\n"
    return tieup.plan(write_plan_job(folder, places=places, sights=sights))


@pytest.mark.parametrize("off", [0.0, 1.0, -2.0])
def test_a_station_of_angles_on_the_circle_through_its_marks_is_named(
    off: float, tmp_path: Path
) -> None:
    """On the danger circle nothing places a station; near it a mistake is not found."""
    plan = angles_only(tmp_path, off)
    assert by_setup(plan)["F"] == "danger-circle"
    assert plan.status == 1
    assert plan.faults[0].startswith("F would be danger-circle: angles only")


def test_far_from_the_circle_is_another_weakness(tmp_path: Path) -> None:
    """20 m outside a circle of 42 m it is not on the circle any more."""
    assert by_setup(angles_only(tmp_path, 20.0))["F"] != "danger-circle"


def test_two_marks_are_two_tie(tmp_path: Path) -> None:
    """Two marks prove the distance between them; which way it is off would not show."""
    sights = "setup,point\nS1,CP1\nS1,CP2\n"
    plan = tieup.plan(write_plan_job(tmp_path, sights=sights))
    assert by_setup(plan) == {"S1": "two-tie"}
    assert plan.faults[0] == (
        "S1 would be two-tie: two marks prove the distance between them and nothing else"
    )
    assert plan.setups["verdict"].tolist() == ["unproved"]
    assert plan.sights["caught_plan"].isna().all()


def test_marks_in_line_with_the_instrument_are_in_line(tmp_path: Path) -> None:
    """Three marks on one line with the station: a sideways mistake would not show."""
    control = CONTROL + "M,1040,1000.2,10,0,0,0\n"
    places = "point,northing,easting,elevation\nS1,1020,1000.1,12\n"
    sights = "setup,point\nS1,CP1\nS1,CP2\nS1,M\n"
    plan = tieup.plan(write_plan_job(tmp_path, control=control, places=places, sights=sights))
    assert by_setup(plan) == {"S1": "in-line"}
    assert "one line" in plan.faults[0]


def test_a_setup_that_shares_one_mark_is_disconnected(tmp_path: Path) -> None:
    """A free station on one mark can swing about it: it and its marks are not placed."""
    places = PLACES + "S3,1050,1070,12\nQ,1055,1072,12\n"
    sights = SIGHTS + "S3,,T1,1.6,1,2\nS3,,Q,1.6,1,2\n"
    plan = tieup.plan(write_plan_job(tmp_path, places=places, sights=sights))
    assert by_setup(plan)["S3"] == "disconnected"
    assert plan.faults[0].startswith("S3 would be disconnected")
    assert "Q would not be placed by these sights" in plan.faults
    assert np.isnan(plan.points.set_index("point").loc["Q", "sd_northing"])


def test_a_limit_that_is_missed_is_the_first_line(tmp_path: Path) -> None:
    """Poor gear: the mark that is worst against its limit is named with size and limit."""
    job = JOB.replace("zenith: 2", "zenith: 20")
    plan = tieup.plan(write_plan_job(tmp_path, job=job))
    first = plan.points.assign(
        ratio=plan.points["elevation_interval"] / plan.points["limit_elevation"]
    ).nlargest(1, "ratio")
    name, size = first["point"].iloc[0], first["elevation_interval"].iloc[0] * 1e3
    assert plan.faults[0] == (
        f"{name} would be known to {size:.1f}".removesuffix(".0") + " mm in height; limit 3 mm"
    )
    assert first["verdict"].iloc[0] == "over"


def test_a_plan_that_holds_has_no_faults(tmp_path: Path) -> None:
    """Two strong setups: status 0, every mark within and checked."""
    plan = tieup.plan(write_plan_job(tmp_path))
    assert (plan.status, plan.faults) == (0, [])
    assert set(plan.points["verdict"]) == {"within"}
    assert set(plan.points["proof"]) == {"checked"}
    assert set(by_setup(plan).values()) == {"strong"}
