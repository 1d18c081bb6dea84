"""Two units in one job: found where every setup has them, left to others where one has."""

from __future__ import annotations

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.simulate import Survey, random_site, simulate
from tests.simulate.mistakes import distance_unit
from tieup.diagnose.first_solution.foreign_units import free_of_foreign_units
from tieup.model.settings import Precision

KINDS = ("free", "mixed", "occupied")
JOBS = 60


def job(seed: int) -> Survey:
    """Return a simulated job of two to six setups held to control."""
    rng = np.random.default_rng(seed)
    site = random_site(rng, setups=2 + seed % 5, kind=KINDS[seed % 3])
    return simulate(site, Precision(), rng)


def test_clean_jobs_are_left_as_they_are() -> None:
    """60 clean jobs: none is called foreign (measured: 0 of 80)."""
    for seed in range(JOBS):
        case = case_of(job(seed))
        found, findings = free_of_foreign_units(case)
        assert found is case and findings == ()


def test_one_setup_in_feet_is_not_the_whole_job() -> None:
    """60 jobs with one setup in feet: the list stays held, that setup is for others to name."""
    for seed in range(JOBS):
        assert free_of_foreign_units(case_of(distance_unit(job(seed), "S2")))[1] == ()


@pytest.mark.parametrize("seed", range(12))
def test_every_setup_in_feet_is_seen_against_the_list(seed: int) -> None:
    """Distances in feet read as metres in all setups: 3.28 times the list, which is let go."""
    survey = job(seed)
    for setup in survey.setups:
        survey = distance_unit(survey, setup.label)
    case, (finding,) = free_of_foreign_units(case_of(survey))
    assert case.control is None and case.datum.kind == "free"
    assert (finding.kind, finding.severity) == ("distance-unit", "stop")
    assert finding.size == pytest.approx(1 / 0.3048, rel=0.01)
