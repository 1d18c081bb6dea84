"""How five groups of readings scatter, against the restricted likelihood with its prior by scipy.

The referee projects onto what the columns taken out leave (`scipy.linalg.null_space`), evaluates
the density there and looks for its highest place with a general minimiser.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.optimize import minimize

from tieup.adjust.scatter import Misclosures, Scatter, estimate_scatter, expected_scatter

WHOLE, GROUP = 3.0, 6.0  # degrees of freedom that the stated sds are worth
COUNT = 60


def draw(times: list[float], known: float = 0.0) -> Misclosures:
    """Draw misclosures of five groups whose variances are so many times as stated."""
    rng = np.random.default_rng(4)
    parts = []
    for group in range(5):
        half = rng.normal(size=(COUNT, 12)) * (1.0 + 0.2 * group)
        parts.append(half @ half.T + 0.05 * np.eye(COUNT))
    whole = np.tensordot(times, parts, axes=1) + known * np.eye(COUNT)
    t = np.linalg.cholesky(whole) @ rng.normal(size=COUNT)
    return Misclosures(t, np.array(parts), known * np.eye(COUNT))


def logs(phi: np.ndarray) -> np.ndarray:
    """Return the logs of the five factors: one for all, and each group's own beside it."""
    return phi[0] + phi[1:]


def height(given: Misclosures, taken: np.ndarray, phi: np.ndarray) -> float:
    """Return the log of the penalised likelihood without the powers of 2 pi."""
    left = null_space(taken.T) if taken.size else np.eye(COUNT)
    omega = left.T @ (np.tensordot(np.exp(logs(phi)), given.parts, axes=1) + given.known) @ left
    t = left.T @ given.t
    volume = np.linalg.slogdet(omega)[1] + np.linalg.slogdet(taken.T @ taken)[1]
    weights = np.array([WHOLE, *[GROUP] * 5])
    prior = -0.5 * np.sum(weights * (phi + np.exp(-phi)))
    return float(-0.5 * (volume + t @ np.linalg.solve(omega, t)) + prior)


def information(given: Misclosures, taken: np.ndarray, factors: np.ndarray) -> np.ndarray:
    """Return half the traces of P V_k P V_l, times both factors."""
    left = null_space(taken.T) if taken.size else np.eye(COUNT)
    omega = np.tensordot(factors, given.parts, axes=1) + given.known
    p = left @ np.linalg.inv(left.T @ omega @ left) @ left.T
    each = [factor * p @ part for factor, part in zip(factors, given.parts, strict=True)]
    return np.array([[0.5 * np.trace(a @ b) for b in each] for a in each])


@pytest.fixture(scope="module")
def given() -> tuple[Misclosures, np.ndarray, Scatter]:
    """Return misclosures with two columns out, of which one is there twice, and the estimate."""
    misclosures = draw([4.0, 1.0, 0.5, 2.0, 9.0], known=0.3)
    columns = np.random.default_rng(5).normal(size=(COUNT, 2))
    spoilt = Misclosures(
        misclosures.t + columns @ [50.0, -80.0], misclosures.parts, misclosures.known
    )
    return spoilt, columns, estimate_scatter(spoilt, columns)


def test_the_factors_are_where_the_penalised_likelihood_is_highest(given) -> None:
    """To the step at which the search ends, a few thousandths of a log; the height with it."""
    misclosures, taken, found = given
    best = minimize(
        lambda phi: -height(misclosures, taken, phi), np.zeros(6), options={"gtol": 1e-7}
    )
    np.testing.assert_allclose(np.log(found.factors), logs(best.x), rtol=0, atol=4e-3)
    assert found.support == pytest.approx(-best.fun, abs=1e-3)
    np.testing.assert_allclose(found.times, np.sqrt(found.factors))
    assert found.cautious.tolist() == [max(f, 1.0) for f in found.factors]
    assert (found.cautious == 1.0).any() and (found.cautious > 1.0).any()


def test_what_was_taken_out_once_or_twice_has_no_say(given) -> None:
    """Whatever its size; a column that is there twice is out once. From another start too."""
    misclosures, taken, found = given
    other = Misclosures(misclosures.t + taken @ [1e3, 2e3], misclosures.parts, misclosures.known)
    twice = np.column_stack([taken, taken[:, 0]])
    for again in (
        estimate_scatter(other, taken),
        estimate_scatter(misclosures, twice),
        estimate_scatter(misclosures, taken, found),
    ):
        np.testing.assert_allclose(np.log(again.factors), np.log(found.factors), atol=4e-3)
        np.testing.assert_allclose(again.redundancy, found.redundancy, atol=2e-2)
    whole = estimate_scatter(draw([1.0] * 5), np.zeros((COUNT, 0)))
    assert whole.redundancy.sum() == pytest.approx(COUNT, abs=1e-6)  # nothing known beside them


def test_how_well_the_factors_are_known(given) -> None:
    """Information and prior together, by dense traces; degrees of freedom after Satterthwaite.

    A prior keeps 0.075 of its weight where it is flat. Estimates differ from day to day by less:
    the prior holds them back.
    """
    misclosures, taken, found = given
    by_whole = np.column_stack([np.ones(5), np.eye(5)])
    weights = np.array([WHOLE, *[GROUP] * 5])
    own = information(misclosures, taken, found.factors)
    np.testing.assert_allclose(found.information, own, rtol=0, atol=1e-6 * own.max())
    phi = minimize(lambda p: -height(misclosures, taken, p), np.zeros(6)).x
    prior = np.diag(weights * np.maximum(0.5 * np.exp(-phi), 0.075))
    spread = by_whole @ np.linalg.inv(by_whole.T @ own @ by_whole + prior) @ by_whole.T
    np.testing.assert_allclose(found.covariance, spread, rtol=2e-2)
    shares = np.array([[1.0, 0, 0, 0, 0], [0.2, 0.3, 0.1, 0.4, 0.0]])
    degrees = [2.0 / (a @ found.covariance @ a) for a in shares]
    np.testing.assert_allclose(found.freedom(shares), degrees, rtol=1e-9)
    assert found.freedom(np.zeros((1, 5)))[0] == pytest.approx(1e6)
    gain = np.linalg.inv(by_whole.T @ own @ by_whole + 0.5 * np.diag(weights))
    gain = by_whole @ gain @ by_whole.T
    np.testing.assert_allclose(found.swing, gain @ own @ gain.T, rtol=1e-6)
    assert (np.diagonal(found.swing) < np.diagonal(found.covariance)).all()


def test_what_is_expected_is_the_estimate_of_readings_that_scatter_as_stated() -> None:
    """All factors 1, known as the information at 1 and half the prior's weight have it."""
    misclosures = draw([1.0] * 5, known=0.3)
    found = expected_scatter(misclosures)
    assert found.factors.tolist() == [1.0] * 5
    by_whole = np.column_stack([np.ones(5), np.eye(5)])
    own = information(misclosures, np.zeros((COUNT, 0)), np.ones(5))
    prior = np.diag(0.5 * np.array([WHOLE, *[GROUP] * 5]))
    spread = by_whole @ np.linalg.inv(by_whole.T @ own @ by_whole + prior) @ by_whole.T
    np.testing.assert_allclose(found.covariance, spread, rtol=1e-9)
    omega = misclosures.covariance(np.ones(5))
    shares = [np.trace(np.linalg.solve(omega, part)) for part in misclosures.parts]
    np.testing.assert_allclose(found.redundancy, shares, rtol=1e-9)
