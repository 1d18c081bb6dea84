"""The rows say what the site is: geometry without noise, and the size of every noise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.simulate import (
    ARCSEC,
    Aim,
    InstrumentFault,
    Mark,
    SetupPlan,
    Site,
    Survey,
    by_hand,
    in_faces,
    polar,
    random_site,
    simulate,
    write_job,
)
from tests.simulate.notation import angle_texts
from tieup.model.arrays import FloatArray
from tieup.model.settings import Instrument, Precision

SILENT = Precision({"default": Instrument(0.0, 0.0, 0.0, 0.0)}, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("length", ["m", "ft", "ftUS"])
@pytest.mark.parametrize("unit", ["deg", "dms", "dms-packed", "gon", "rad", "mil"])
def test_rows_without_noise_give_back_the_true_site(tmp_path: Path, unit: str, length: str) -> None:
    """Each row of a silent survey places its mark within 0.01 mm, in every notation."""
    rng = np.random.default_rng(1)
    survey = simulate(random_site(rng, setups=3, kind="mixed"), SILENT, rng)
    write_job(tmp_path, survey, angle=unit, length=length, stated=Precision())  # type: ignore[arg-type]
    truth = survey.truth
    for row in by_hand.rows(tmp_path):
        setup = truth.setups.index(row["setup"])
        axis = tuple(truth.axis[setup])
        found = by_hand.place(
            row, axis, truth.orientation[setup], angle_unit=unit, length_unit=length
        )
        right = truth.position[truth.points.index(row["point"])]
        assert found == pytest.approx(right, abs=1e-5)  # m


@pytest.mark.parametrize("length", ["m", "ft", "ftUS"])
def test_occupied_setups_stand_booked_height_above_their_mark(tmp_path: Path, length: str) -> None:
    """Control.csv + booked instrument height is the axis, in every unit of length."""
    rng = np.random.default_rng(2)
    survey = simulate(random_site(rng, setups=3, kind="occupied"), SILENT, rng)
    write_job(tmp_path, survey, length=length, stated=Precision())  # type: ignore[arg-type]
    to_metres = by_hand.TO_METRES[length]
    control = {}
    for line in (tmp_path / "control.csv").read_text().splitlines()[1:]:
        name, *numbers = line.split(",")
        control[name] = [float(n) * to_metres for n in numbers[:3]]
    for row in by_hand.rows(tmp_path):
        north, east, up = control[row["station"]]
        axis = survey.truth.axis[survey.truth.setups.index(row["setup"])]
        up += float(row["instrument_height"]) * to_metres
        assert (north, east, up) == pytest.approx(tuple(axis), abs=1e-8)  # m


def test_angles_that_round_up_to_a_full_circle_are_written_as_zero() -> None:
    """The cell of 359-59-59.999 is 0-00-00.0 at 0.1 second, never 360 or 60 seconds."""
    almost = np.array([2.0 * np.pi - 1e-9, np.radians(12.0) - 1e-9, np.nan, -np.radians(3.5)])
    assert angle_texts(almost, "dms", "field") == ["0-00-00.0", "12-00-00.0", "", "-3-30-00.0"]
    assert angle_texts(almost, "dms-packed", "field") == ["0.00000", "12.00000", "", "-3.30000"]
    assert angle_texts(almost, "gon", "field") == ["0.0000", "13.3333", "", "-3.8889"]


def test_two_face_rules_hold_for_collimation_and_index() -> None:
    """Reverse - direct = 180 deg + 2c / sin z and z1 + z2 = 360 deg + 2i."""
    rng = np.random.default_rng(3)
    faults = {"default": InstrumentFault(collimation=30 * ARCSEC, index=-45 * ARCSEC)}
    survey = simulate(replace(random_site(rng, setups=2), faults=faults), SILENT, rng)
    shots = survey.shots
    direct = np.flatnonzero((shots.face == 1) & (shots.role != "side"))
    straight = shots.zenith[direct] - faults["default"].index
    horizontal = np.mod(shots.direction[direct + 1] - shots.direction[direct], 2 * np.pi) - np.pi
    assert horizontal == pytest.approx(2 * 30 * ARCSEC / np.sin(straight), abs=1e-12)  # rad
    vertical = shots.zenith[direct] + shots.zenith[direct + 1] - 2 * np.pi
    assert vertical == pytest.approx(-2 * 45 * ARCSEC, abs=1e-12)  # rad


def test_booked_prism_constant_is_still_to_be_added(tmp_path: Path) -> None:
    """A row that books a constant shows a distance shorter by it, and books it in mm."""
    aim = Aim("A", prism_constant=0.0344)
    site = Site((Mark("A", 40.0, 30.0, 1.5),), (SetupPlan("S1", (aim,), axis=(0.0, 0.0, 3.0)),))
    survey = simulate(site, SILENT, np.random.default_rng(0))
    write_job(tmp_path, survey, stated=Precision())
    (row,) = by_hand.rows(tmp_path)
    assert float(row["distance"]) == pytest.approx(50.0 - 0.0344, abs=1e-9)  # m
    assert float(row["prism_constant"]) == pytest.approx(34.4, abs=1e-9)  # mm


def test_circle_turned_between_rounds_and_unobserved_components() -> None:
    """Round 2 reads less by the turn; what an aim does not observe is NaN."""
    aims = (Aim("A"), Aim("A", round=2), Aim("A", observed=(True, False, False)))
    plan = SetupPlan("S1", aims, axis=(0.0, 0.0, 0.0), circle_turn=np.radians(60.0))
    survey = simulate(Site((Mark("A", 0.0, 40.0, 0.0),), (plan,)), SILENT, np.random.default_rng(0))
    shots = survey.shots
    assert np.degrees(shots.direction) == pytest.approx([90.0, 30.0, 90.0], abs=1e-9)
    assert list(np.isnan(shots.zenith)) == list(np.isnan(shots.distance)) == [False, False, True]


def _spread(precision: Precision, *, occupied: bool = False) -> list[FloatArray]:
    """Return what each row of 2,000 draws differs by from silence: N, E, H placed (m)."""
    marks = (Mark("O", 0.0, 0.0, 100.0), Mark("A", 31.0, -17.0, 101.2), Mark("B", -25.0, 9.0, 98.0))
    aims = (*in_faces(Aim("A"), 1, 2), *in_faces(Aim("B", 0.4), 1, 2))
    plan = SetupPlan("S1", aims, axis=(0.0, 0.0, 101.6), orientation=1.0)
    if occupied:
        plan = replace(plan, station="O", instrument_height=1.6)
    site, rng = Site(marks, (plan,)), np.random.default_rng(11)
    return [_placed(simulate(site, precision, rng)) for _ in range(2000)]


def _placed(survey: Survey) -> FloatArray:
    """Place every row's mark from the nominal axis, (m, 3), minus its true place."""
    shots, found = survey.shots, []
    for i in range(len(survey)):
        row = {
            "direction": str(shots.direction[i]),
            "zenith": str(shots.zenith[i]),
            "distance": str(shots.distance[i]),
            "target_height": str(shots.target_height[i]),
            "face": str(shots.face[i]),
        }
        found.append(by_hand.place(row, (0.0, 0.0, 101.6), 1.0, angle_unit="rad"))
    return np.array(found) - survey.truth.position[survey.aimed]


def test_target_centring_is_one_draw_per_sight() -> None:
    """Both faces of a sight share it; its sd per plan component is as stated within 5 %."""
    errors = np.array(_spread(replace(SILENT, centring_target=0.002)))
    assert errors[:, 0] == pytest.approx(errors[:, 1], abs=1e-6)  # m
    assert np.std(errors[:, 0, :2], axis=0) == pytest.approx(0.002, rel=0.05)
    assert np.std(errors[:, 2, :2], axis=0) == pytest.approx(0.002, rel=0.05)
    assert np.abs(errors[:, :, 2]).max() < 1e-6  # m: no height error
    assert abs(np.corrcoef(errors[:, 0, 0], errors[:, 2, 0])[0, 1]) < 0.08
    assert abs(np.corrcoef(errors[:, 0, 0], errors[:, 0, 1])[0, 1]) < 0.08


def test_target_height_is_one_draw_per_sight() -> None:
    """A pole height error moves the height of both faces alike and leaves the plan alone."""
    errors = np.array(_spread(replace(SILENT, height_target=0.003)))
    assert errors[:, 0] == pytest.approx(errors[:, 1], abs=1e-6)  # m
    assert np.std(errors[:, (0, 2), 2], axis=0) == pytest.approx(0.003, rel=0.05)
    assert np.abs(errors[:, :, :2]).max() < 1e-6  # m


def test_instrument_errors_are_one_draw_per_occupied_setup() -> None:
    """Centring and height of the instrument move every sight of the setup alike."""
    stated = replace(SILENT, centring_instrument=0.002, height_instrument=0.003)
    errors = np.array(_spread(stated, occupied=True))
    assert errors[:, 0] == pytest.approx(errors[:, 3], abs=1e-6)  # m
    assert np.std(errors[:, 0], axis=0) == pytest.approx([0.002, 0.002, 0.003], rel=0.05)
    assert np.abs(_spread(stated)).max() < 1e-6  # m: a free station has neither


@pytest.mark.parametrize(
    ("gear", "column", "sd"),
    [
        (Instrument(5 * ARCSEC, 0.0, 0.0, 0.0), 0, 5 * ARCSEC),
        (Instrument(0.0, 7 * ARCSEC, 0.0, 0.0), 1, 7 * ARCSEC),
        (Instrument(0.0, 0.0, 0.001, 20.0), 2, 0.001 + 20e-6 * 100.0),
    ],
)
def test_pointing_noise_is_drawn_row_by_row(gear: Instrument, column: int, sd: float) -> None:
    """5,000 pointings at 100 m scatter as stated within 5 %, independently, in one component."""
    aims = in_faces(Aim("A", target_height=0.0), *([1, 2] * 2500))
    plan = SetupPlan("S1", aims, axis=(0.0, 0.0, 0.0))
    site = Site((Mark("A", 60.0, 80.0, 0.0),), (plan,))
    rng = np.random.default_rng(5)
    quiet = simulate(site, SILENT, rng).shots
    loud = simulate(site, replace(SILENT, instruments={"default": gear}), rng).shots
    noise = np.stack(
        [
            loud.direction - quiet.direction,
            loud.zenith - quiet.zenith,
            loud.distance - quiet.distance,
        ],
        axis=1,
    )
    assert np.std(noise[:, column]) == pytest.approx(sd, rel=0.05)
    assert abs(np.mean(noise[:, column])) < 4.0 * sd / np.sqrt(5000)
    assert abs(np.corrcoef(noise[:-1, column], noise[1:, column])[0, 1]) < 0.06
    assert not np.delete(noise, column, axis=1).any()


def test_weighted_control_is_off_by_its_sd_and_held_control_is_exact() -> None:
    """control.csv carries truth + error of the stated sd per component; sd 0 is the truth."""
    sd = (0.002, 0.003, 0.0)
    mark = Mark("A", 5.0, 6.0, 7.0, control_sd=sd)
    site = Site((mark,), (SetupPlan("S1", (Aim("A"),), axis=(0.0, 0.0, 0.0)),))
    rng = np.random.default_rng(6)
    drawn = [simulate(site, SILENT, rng).control for _ in range(4000)]
    errors = np.array([c.coordinates[0] for c in drawn if c]) - [5.0, 6.0, 7.0]
    assert np.std(errors[:, :2], axis=0) == pytest.approx(sd[:2], rel=0.05)
    assert not errors[:, 2].any()


def test_curvature_and_refraction_of_a_level_sight() -> None:
    """At 500 ft and k = 0.14 the sight drops 0.005142 ft.

    Source: lecture notes on Wolf & Ghilani, Elementary Surveying 11th ed., ch. 4, table of
    curvature and refraction, R = 20 906 000 ft. The simulator's R of 6371 km differs by
    2e-4 of that, under the last printed digit.
    """
    feet = 500.0 * 0.3048
    zenith = polar(np.array([[feet, 0.0, 0.0]]), refraction=0.14)[0, 1]
    assert (zenith - np.pi / 2) * 500.0 == pytest.approx(0.005142, abs=2e-6)  # ft


def test_the_same_seed_gives_the_same_rows_and_another_seed_others() -> None:
    """A draw depends on nothing but the site, the precision and the generator."""
    site = random_site(np.random.default_rng(3), setups=3)
    draws = [simulate(site, Precision(), np.random.default_rng(s)).shots for s in (1, 1, 2)]
    assert np.array_equal(draws[0].direction, draws[1].direction)
    assert not np.array_equal(draws[0].direction, draws[2].direction)
