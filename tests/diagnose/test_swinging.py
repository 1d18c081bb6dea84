"""A sight that alone keeps the solution from settling is left out and named, not a refusal."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.bench.settling import job
from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.adjust.adjust import adjust
from tieup.diagnose.basis import solve
from tieup.diagnose.search.diagnose import diagnose
from tieup.errors import AdjustmentError
from tieup.model.network import Network
from tieup.model.settings import Precision


def test_a_sight_that_swings_becomes_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    """With one sight in, nothing settles: its rows go out, it is the finding, the rest solves."""
    rng = np.random.default_rng(11)
    case = case_of(simulate(random_site(rng, setups=4, ties=5, side_shots=4), Precision(), rng))
    plain = diagnose(case)
    assert not plain.mistakes
    first = int(np.flatnonzero(case.shots.setup == 2)[0])
    setup, point = 2, int(case.shots.point[first])

    def swinging(network: Network, *given: Any) -> Any:
        sights = network.sights
        here = (sights.setup == setup) & (sights.point == point)
        here &= np.isfinite(sights.value).any(axis=1)
        if here.any():
            raise AdjustmentError("did not settle", sight=int(np.flatnonzero(here)[0]))
        return adjust(network, *given)

    monkeypatch.setattr(solve, "adjust", swinging)
    found = diagnose(case)
    (mistake,) = found.mistakes
    rows = np.flatnonzero((case.shots.setup == setup) & (case.shots.point == point))
    assert (mistake.kind, mistake.setup) == ("point-name", case.setups[setup].label)
    assert mistake.points == (case.points[point],)
    assert np.array_equal(mistake.rows, rows)
    assert not found.solved.case.use[rows].any()
    assert found.solved.case.use.sum() == case.use.sum() - 3 * len(rows)


def test_a_wrong_station_that_its_own_setup_sights_is_no_refusal() -> None:
    """S4 is booked over T2, which it sights: put back, that sight has its target at the axis.

    The name of that mark in that setup is a finding.
    """
    found = diagnose(case_of(job(2, 662, False))).mistakes
    assert any(mistake.setup == "S4" and "T2" in mistake.points for mistake in found)


def test_what_swings_without_a_sight_to_blame_is_still_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No sight is named: the reason goes out as it is, nothing is left out at random."""
    rng = np.random.default_rng(11)
    case = case_of(simulate(random_site(rng, setups=3, side_shots=2), Precision(), rng))

    def refused(*_: Any) -> Any:
        raise AdjustmentError("no way")

    monkeypatch.setattr(solve, "adjust", refused)
    with pytest.raises(AdjustmentError, match="no way"):
        solve.solve(case)


def test_a_look_at_a_sight_that_does_not_settle_costs_the_look_alone() -> None:
    """Three wrong names: one sight put back keeps the site from settling, and the job comes out."""
    assert diagnose(case_of(job(1, 1066, True))).mistakes
