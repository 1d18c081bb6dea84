"""Three total stations that sight the same prisms: real noise, solved as free stations.

Source: norlab-ulaval/RTS_project, data/<date>/total_stations/, MIT licence, (c) 2022 Maxime
Vaidis. The project carries none of these files. Expected: what an independent solution of the
same observations gave, with 4", 2 mm + 2 ppm and 1.5 mm for the centring of each prism, in all
three coordinates: the points are prism centres, so their height is as uncertain as their plan.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tests.at_hand import RTS, needs_rts
from tests.endtoend.jobs import Output, reconcile
from tieup.config import load_job
from tieup.diagnose.search.diagnose import diagnose
from tieup.pipeline import make_case, read_site

pytestmark = needs_rts

JOB = """\
title: {name}
units: {{angle: rad, length: m}}
raw: [raw/*.txt]
datum: free
skip_rows: 1          # a title line
header: false
columns:
  setup: 1
  point: 2
  zenith: 4           # the file calls it elevation; 0 is up
  direction: 5
  distance: 6
instruments:
  default: {{direction: 4, zenith: 4, distance: [2, 2]}}
centring: {{instrument: 0, target: 1.5}}
heights: {{instrument: 0, target: 1.5}}
"""


@dataclass(frozen=True)
class Expected:
    """What the independent solution gave; ``constant`` in mm, one for all distances."""

    name: str
    marks: int
    dof: int
    sigma0: float
    largest_w: float
    constant: float


SETS = (
    Expected("20220314_GCP", 8, 40, 1.04, 3.8, 9.7),
    Expected("20220331-1_GCP", 10, 52, 0.90, 3.3, 11.3),
    Expected("20220622-1_GCP_raw", 15, 82, 0.61, 2.0, 7.7),
)


@pytest.fixture(params=SETS, ids=lambda expected: expected.name)
def expected(request: pytest.FixtureRequest) -> Expected:
    """Return each set in turn."""
    chosen: Expected = request.param
    return chosen


def _job_folder(expected: Expected, tmp_path: Path) -> Path:
    job = tmp_path / expected.name
    (job / "raw").mkdir(parents=True)
    shutil.copy(RTS / f"{expected.name}.txt", job / "raw")
    (job / "job.yaml").write_text(JOB.format(name=expected.name), encoding="utf-8")
    return job


@pytest.fixture
def run(expected: Expected, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Output:
    """Copy the set into a job folder and reconcile it."""
    return reconcile(capsys, _job_folder(expected, tmp_path))


def test_the_solution_at_stated_weights_is_the_independent_one(
    expected: Expected, tmp_path: Path
) -> None:
    """At one and the same weights: sigma0 within 0.02, the largest w within 0.1."""
    job = load_job(_job_folder(expected, tmp_path))
    fieldbook, control = read_site(job)
    adjustment = diagnose(make_case(job, fieldbook, control)).stated.adjustment
    sigma0 = np.sqrt(adjustment.weighted_sum / adjustment.dof)
    assert sigma0 == pytest.approx(expected.sigma0, abs=0.02)
    largest = np.nanmax(np.abs(adjustment.standardised))
    assert largest == pytest.approx(expected.largest_w, abs=0.1)


def test_real_observations_fit_as_an_independent_solution_says(
    run: Output, expected: Expected
) -> None:
    """Every reading used; dof equal, sigma0 within 0.05.

    The residuals are of weights refined by the readings: the largest w is not that of the stated
    weights, but within half of it either way, and nothing is out of the ordinary in either.
    """
    record, rows = run.document("run"), run.table("observations")
    assert {row["status"] for row in rows} == {"used"}
    assert len(rows) == 3 * 3 * expected.marks
    assert len(run.table("coordinates")) == expected.marks + 3
    assert record["dof"] == expected.dof
    assert record["sigma0"] == pytest.approx(expected.sigma0, abs=0.05)
    assert record["rank_defect"] == 4
    largest = max(abs(float(row["w"])) for row in rows if row["w"])
    assert 0.5 * expected.largest_w < largest < min(2.0 * expected.largest_w, 4.5)


def test_the_constant_that_the_owners_add_is_found(run: Output, expected: Expected) -> None:
    """The owners' own reader adds 10 mm to every distance: one constant shows as much.

    It is the same within one sd as the independent solution with one constant for all, which has
    the stated weights.
    """
    found = run.finding("prism-constant")
    assert found["unit"] == "m"
    assert -1000.0 * found["size"] == pytest.approx(expected.constant, abs=1000.0 * found["sd"])
    assert abs(-1000.0 * found["size"] - 10.0) < 3.0 * 1000.0 * found["sd"]
