"""A real LandXML 1.1 survey, read whole and adjusted.

Partridge_Survey.xml, a sample survey of 2006 in the public repository nathancrews/LandXML2glTF:
feet, dd.mm.ss, 14 setups, all in face 1. The project does not carry it.
"""

from __future__ import annotations

import re
import shutil
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from tests.at_hand import PARTRIDGE, needs_partridge
from tests.diagnose.cases import NO_LINKS
from tests.read.jobs import labels_of
from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.config import load_job
from tieup.diagnose.basis.case import Case, complete_points
from tieup.diagnose.basis.solve import solve
from tieup.geometry import polar_offset, wrap_half
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.job import Job
from tieup.model.settings import Datum, Instrument, Precision
from tieup.pipeline import run
from tieup.read import read_control, read_fieldbook

ARC_SECOND = np.pi / 648_000
FOOT = 0.3048  # m
JOB = """
units: {angle: dms, length: ft}
raw: ["raw/*.xml"]
control: raw/partridge.xml
instruments: {default: {direction: 5, zenith: 5, distance: [4.8768, 3]}}   # 0.016 ft + 3 ppm
"""

pytestmark = needs_partridge


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Return the job: the file, its units, what the gear is good for, nothing mapped by hand."""
    folder = tmp_path_factory.mktemp("partridge")
    (folder / "raw").mkdir()
    shutil.copy(PARTRIDGE, folder / "raw" / "partridge.xml")
    (folder / "job.yaml").write_text(JOB, encoding="utf-8")
    return load_job(folder)


@pytest.fixture(scope="module")
def survey(job: Job) -> tuple[Fieldbook, Control]:
    """Return the survey and its control."""
    assert job.control_file is not None
    return read_fieldbook(job), read_control(job.control_file, job)


def test_every_raw_row_is_accounted_for(survey: tuple[Fieldbook, Control]) -> None:
    """2,945 rows of 14 setups: all read, 5 of them equal to an earlier one in every digit."""
    book, control = survey
    assert book.files[0].rows == 2945 == len(book.shots)
    assert (book.invalid, book.unused, book.shots.repeated.sum()) == ((), (), 5)
    assert len(book.setups) == 14 == len({setup.station for setup in book.setups})
    assert len(control.names) == 21
    assert book.unknown_columns == {}


def test_every_number_is_that_of_the_text(survey: tuple[Fieldbook, Control]) -> None:
    """Against the text of the file, row by row, in exact arithmetic."""
    book, _ = survey
    text = PARTRIDGE.read_text(encoding="utf-8")
    rows = re.findall(r"<RawObservation ([^>]*)>\s*<TargetPoint pntRef=\"([^\"]*)\"", text)
    shots = book.shots
    assert [book.points[i] for i in shots.point] == [point for _, point in rows]
    assert shots.line.tolist() == [
        number for number, line in enumerate(text.splitlines(), 1) if "<RawObservation" in line
    ]
    for row, (attributes, _) in enumerate(rows):
        given = dict(re.findall(r"(\w+)=\"([^\"]*)\"", attributes))
        turn = shots.direction[row] / ARC_SECOND - _seconds(given["horizAngle"]) % 1_296_000
        assert abs(turn) < 1e-6  # arc seconds
        if "zenithAngle" not in given:
            assert np.isnan(shots.zenith[row]) and np.isnan(shots.distance[row])
            continue
        assert shots.zenith[row] / ARC_SECOND == pytest.approx(
            float(_seconds(given["zenithAngle"])), abs=1e-6
        )
        assert shots.distance[row] == pytest.approx(float(given["slopeDistance"]) * FOOT, abs=1e-9)
        assert shots.target_height[row] == pytest.approx(float(given["targetHeight"]) * FOOT)


def _seconds(text: str) -> Fraction:
    """Return the arc seconds of a packed angle, digit by digit."""
    sign, degrees, digits = re.fullmatch(r"(-?)(\d+)\.(\d*)", text).groups()  # type: ignore[union-attr]
    digits = digits.ljust(4, "0")
    seconds = int(degrees) * 3600 + int(digits[:2]) * 60 + Fraction(f"{digits[2:4]}.{digits[4:]}0")
    return -seconds if sign else seconds


def test_angles_run_clockwise(survey: tuple[Fieldbook, Control]) -> None:
    """Side shots computed clockwise from the backsight land on the points that the file stores.

    Half of them within 0.01 ft, all within 0.1 ft in plan; anticlockwise half of them miss by
    more than 10 ft.
    """
    book, control = survey
    clockwise = _misses(book, control, 1.0)
    against = _misses(book, control, -1.0)
    assert len(clockwise) > 2800
    assert np.median(clockwise) < 0.01 * FOOT
    assert np.max(clockwise) < 0.1 * FOOT
    assert np.median(against) > 10 * FOOT


def _misses(book: Fieldbook, control: Control, sense: float) -> np.ndarray:
    """Return how far (m) each side shot lies from its stored point when turned in a sense."""
    shots = book.shots
    known = dict(zip(control.names, control.coordinates, strict=True))
    names = [book.points[i] for i in shots.point]
    misses = []
    for number, setup in enumerate(book.setups):
        rows = np.flatnonzero((shots.setup == number) & np.isfinite(shots.distance))
        axis = known[setup.station]
        back = [row for row in rows if shots.role[row] == "backsight"]
        ray = known[names[back[0]]] - axis
        zero = np.arctan2(ray[1], ray[0]) - sense * wrap_half(shots.direction[back]).mean()
        side = np.array([row for row in rows if names[row] not in known])
        polar = polar_offset(
            zero + sense * shots.direction[side], shots.zenith[side], shots.distance[side]
        )
        stored = shots.field_coordinates[side, :2] - axis[:2]
        misses.append(np.hypot(*(polar[:, :2] - stored).T))
    return np.concatenate(misses)


def test_three_bad_closing_backsights_show(survey: tuple[Fieldbook, Control]) -> None:
    """Held to control the plan has 98 degrees of freedom and its three known bad backsights.

    An independent adjustment of this file (plan, pointings one by one, 5", 0.016 ft + 3 ppm)
    has dof 98 and sigma0 1.02, with the closing backsights of setups 100, 10 and 30 off by 22
    to 30". It states no centring; 2.8 mm at the target gives its sigma0.
    """
    book, control = survey
    tests = _plan_fit(book, control)
    assert tests.dof == 98
    assert (tests.weighted_sum / tests.dof) ** 0.5 == pytest.approx(1.02, abs=0.05)
    direction = np.nan_to_num(np.abs(tests.w[:, 0]))
    bad = np.flatnonzero(direction > 4.0)
    assert sorted(labels_of(book)[row] for row in bad) == ["10", "100", "30"]
    assert set(book.shots.role[bad]) == {"backsight"}
    off = np.abs(tests.residual[bad, 0]) / ARC_SECOND
    assert off.min() > 21.5 and off.max() < 30.5  # arc seconds
    assert np.delete(direction, bad).max() < 3.5
    last = [np.flatnonzero(_backsights(book, row))[-1] for row in bad]
    assert last == bad.tolist(), "the closing shots, not the opening ones"


def _backsights(book: Fieldbook, row: int) -> np.ndarray:
    return (book.shots.setup == book.shots.setup[row]) & (book.shots.role == "backsight")


def _plan_fit(book: Fieldbook, control: Control) -> PointingTests:
    """Adjust directions and distances of measured shots, each pointing as a target of its own."""
    shots = replace(
        book.shots, target=np.array([str(row) for row in range(len(book.shots))], dtype=object)
    )
    measured = np.isfinite(shots.distance)
    gear = Instrument(5 * ARC_SECOND, 5 * ARC_SECOND, 0.016 * FOOT, 3.0)
    # Each pointing is taken as a target of its own: centring is not common to them here.
    case = Case(
        shots=shots,
        setups=book.setups,
        points=complete_points(book.points, book.setups, control),
        use=np.column_stack([measured, np.zeros_like(measured), measured]),
        control=control,
        given=control,
        booked=book.setups,
        links=NO_LINKS,
        precision=Precision({"default": gear}, 1e-6, 0.0028, 1e-3, 1e-3),
        datum=Datum("control"),
        refraction=0.13,
    )
    solved = solve(case)
    return examine_pointings(solved.adjustment, solved.network.sights, solved.reduction.pointings)


def test_five_pointings_at_each_backsight(survey: tuple[Fieldbook, Control]) -> None:
    """Each setup sights one control mark: once to set the circle, and four times to measure."""
    book, control = survey
    names = [book.points[i] for i in book.shots.point]
    seen = Counter(
        label for label, name in zip(labels_of(book), names, strict=True) if name in control.names
    )
    assert set(seen.values()) == {5}


@pytest.mark.slow
def test_the_whole_run_names_the_three_backsights(job: Job) -> None:
    """Directions and zenith angles, with nothing told beyond the file: three wrong directions.

    Every row is accounted for in the counts of the run.
    """
    result = run(job)
    named = [f for f in result.findings if f.kind == "direction" and f.action == "excluded"]
    assert sorted(finding.setup for finding in named) == ["10", "100", "30"]
    # Beside heights that misfit by 0.08 ft they are out of the ordinary, and no more is claimed.
    assert {(finding.severity, finding.grade) for finding in named} == {("check", "noticed")}
    assert result.answer.verdict.status == 1
    counts = dict(result.summary.rows)
    assert sum(counts.values()) == 2945
    assert (counts["repeated"], counts["invalid"], counts["unused"]) == (5, 0, 0)
