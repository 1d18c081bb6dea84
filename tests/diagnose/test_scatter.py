"""Gear stated too good: the scatter is told as such, and mistakes are what stands out of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from tests.diagnose.cases import case_of
from tests.make_sample import surveys
from tests.simulate import Survey, random_site, simulate
from tieup.adjust.scatter import GROUPS, Misclosures, Scatter, estimate_scatter
from tieup.diagnose.proof.precision import scatter_findings
from tieup.diagnose.search.diagnose import diagnose
from tieup.model.settings import Precision

pytestmark = pytest.mark.slow

Yards = dict[str, Survey]


def stated(times: float) -> Precision:
    """Return a precision stated so many times better than the one that data are drawn with."""
    return Precision().scattering([times**-2.0] * 5)


@pytest.fixture(scope="module")
def yards() -> Yards:
    return surveys()


@pytest.mark.parametrize("times", [2.0, 4.0, 8.0])
def test_a_clean_day_with_gear_stated_too_good_has_no_mistakes(yards: Yards, times: float) -> None:
    """Nothing is left out, and each group is found to scatter about so many times more."""
    found = diagnose(case_of(yards["fire_station_clean"], stated(times)))
    assert found.mistakes == ()
    assert found.scatter is not None
    assert np.abs(np.log(found.scatter.times / times)).max() < 0.5  # of a factor; sd about 0.15


@pytest.mark.parametrize("times", [1.0, 2.0, 4.0, 8.0])
def test_the_planted_mistakes_stand_out_of_the_scatter(yards: Yards, times: float) -> None:
    """The three mistakes of the day are found, and nothing else, however good the stated gear."""
    found = diagnose(case_of(yards["fire_station"], stated(times))).mistakes
    assert {(m.kind, m.setup, m.points) for m in found} == {
        ("swapped-names", "S2", ("T5", "T6")),
        ("target-height", "S3", ("CP5",)),
        ("mark-moved", "", ("CP8",)),
    }


def test_few_small_jobs_with_bad_gear_raise_mistakes() -> None:
    """Of 30 clean small jobs stated twice too good at most 2 show any."""
    rng, counts = np.random.default_rng(5), []
    while len(counts) < 30:
        try:
            site = random_site(
                rng, setups=int(rng.integers(3, 8)), ties=int(rng.integers(4, 8)), side_shots=4
            )
        except ValueError:
            continue
        survey = simulate(site, Precision(), rng)
        counts.append(len(diagnose(case_of(survey, stated(2.0))).mistakes))
    assert sum(count > 0 for count in counts) <= 2


def test_the_finding_says_what_to_state(yards: Yards) -> None:
    """Everything twice as coarse as stated: the figures to state are about those it was drawn with.

    Drawn with 2 seconds and 1.5 mm + 2 ppm (the defaults), known to some 20 %.
    """
    precision = stated(2.0)
    found = diagnose(case_of(yards["fire_station_clean"], precision))
    (finding,) = scatter_findings(found.scatter, precision)
    assert finding.kind == "precision"
    assert finding.size is not None
    assert 1.6 < finding.size < 2.4
    assert "direction: " in finding.cure
    seconds = float(finding.cure.split("direction: ")[1].split(";")[0])
    assert 1.4 < seconds < 2.8  # arc seconds


def one_group(squares: float, count: int) -> Misclosures:
    """Return misclosures of the first group alone, with a given sum of squares."""
    parts = np.zeros((5, count, count))
    parts[0] = np.eye(count)
    return Misclosures(
        np.full(count, np.sqrt(squares / max(count, 1))), parts, np.zeros((count, count))
    )


@pytest.fixture(scope="module")
def many() -> Scatter:
    """Return the scatter by 800 independent checks with mean square 4, to drown the prior."""
    return estimate_scatter(one_group(3200.0, 800), np.zeros((800, 0)))


def test_many_checks_of_one_group_give_its_own_scatter(many: Scatter) -> None:
    """800 independent checks with mean square 4: factor 4 within 2 %, sd of its log root(2/n)."""
    assert many.factors[0] == pytest.approx(4.0, rel=0.02)
    assert many.covariance[0, 0] ** 0.5 == pytest.approx((2.0 / 800) ** 0.5, rel=0.05)


def test_without_checks_the_stated_values_stand() -> None:
    """No misclosure: every factor is 1, the mode of the prior."""
    scatter = estimate_scatter(one_group(0.0, 0), np.zeros((0, 0)))
    np.testing.assert_allclose(scatter.factors, 1.0, rtol=0, atol=1e-6)
    assert len(GROUPS) == 5


def test_degrees_of_one_variance_are_those_of_chi_square(many: Scatter) -> None:
    """A variance from n checks has n degrees (Satterthwaite), with a large n to drown the prior.

    Against the variance of chi-square over n, by scipy.
    """
    share = np.array([[1.0, 0.0, 0.0, 0.0, 0.0]])
    relative = chi2(800).var() / 800.0**2
    assert 2.0 / many.freedom(share)[0] == pytest.approx(relative, rel=0.02)


def test_what_is_taken_out_does_not_feed_the_scatter() -> None:
    """One misclosure of 100 sds in 60: with its column out the factor is that of the others."""
    misclosures = one_group(60.0, 60)
    spoiled = replace(misclosures, t=misclosures.t + 100.0 * np.eye(60)[7])
    out = estimate_scatter(spoiled, np.eye(60)[:, [7]])
    clean = estimate_scatter(misclosures, np.eye(60)[:, [7]])
    np.testing.assert_allclose(out.factors, clean.factors, rtol=1e-6)
    with_it: Scatter = estimate_scatter(spoiled, np.zeros((60, 0)))
    assert with_it.factors[0] > 50.0
