"""How much the readings of five groups really scatter: variance components with a prior.

The groups are directions, zenith angles, distances, centring and heights; each has a factor
theta_k by which its stated variances are to be multiplied. All is in the misclosures t = B'y, r
numbers that no unknown moves (B'A = 0):

    Cov t = Omega = sum theta_k V_k + V_0,     V_k = B' Q_k B,     W = Omega^-1

ln theta_k = m + d_k: the gear as a whole, and one group against the others, each with the log of
a scaled inverse chi-square of mode 1 as prior. The likelihood is the restricted one, its maximum
found by scoring. A group that nothing shows stays where the gear as a whole puts it, and how well
it is known stands in the covariance.

What hypotheses explain is taken out first: with T their columns in r rows, W becomes
W - W T (T'WT)^- T'W. A mistake must not feed the scatter that it is judged by.

References: Patterson and Thompson (1971), restricted likelihood; Koch, Parameter Estimation
and Hypothesis Testing in Linear Models (1999), variance components and their priors;
Satterthwaite (1946), degrees of freedom of a sum of variances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray

GROUPS = ("direction", "zenith", "distance", "centring", "height")
WHOLE_WEIGHT, GROUP_WEIGHT = 3.0, 6.0  # degrees of freedom that the stated values are worth
LEAST_CURVATURE = 0.075  # share of a prior's weight that its curvature keeps where it is flat
FARTHEST = 1.0  # largest step of a logarithm
SETTLED = 3e-3  # step of a logarithm; known to 0.1 at best
FAR = 0.5  # step of a logarithm after which the information is worked out anew
ROUNDS = 30
KNOWN = 1e6  # degrees of freedom of a variance that is as good as known
BY_WHOLE = np.hstack([np.ones((5, 1)), np.eye(5)])  # d ln theta / d (m, d)


@dataclass(frozen=True)
class Misclosures:
    """``t`` (r,) with the parts of its covariance: ``parts`` (5, r, r), ``known`` (r, r)."""

    t: FloatArray
    parts: FloatArray
    known: FloatArray

    def __len__(self) -> int:
        return len(self.t)

    def covariance(self, factors: FloatArray) -> FloatArray:
        """Return Omega (r, r) with variance ``factors`` (5,)."""
        return np.asarray(np.tensordot(factors, self.parts, axes=1) + self.known)


@dataclass(frozen=True)
class Scatter:
    """Variance ``factors`` (5,), the ``covariance`` (5, 5) of their logs, ``redundancy`` (5,).

    ``support`` is the log of the penalised likelihood, to compare two ways to take one set of data.
    ``information`` (5, 5) is that of the logs, as it was last worked out.
    """

    factors: FloatArray
    covariance: FloatArray
    redundancy: FloatArray
    support: float
    information: FloatArray

    @property
    def times(self) -> FloatArray:
        """Return how many times more than stated each group scatters (5,)."""
        return np.sqrt(self.factors)

    @property
    def cautious(self) -> FloatArray:
        """Return the larger of stated and estimated (5,): what a mistake is judged by."""
        return np.maximum(self.factors, 1.0)

    @property
    def swing(self) -> FloatArray:
        """Return by how much estimates of the logs (5, 5) differ from day to day, around 0.

        Less than ``covariance``, for the prior holds every estimate back.
        """
        prior = np.diag(0.5 * prior_weights())
        gain = np.linalg.inv(BY_WHOLE.T @ self.information @ BY_WHOLE + prior)
        gain = BY_WHOLE @ gain @ BY_WHOLE.T
        return np.asarray(gain @ self.information @ gain.T)

    def freedom(self, shares: FloatArray) -> FloatArray:
        """Return how well variances are known: degrees (n,) of ``shares`` (n, 5) of each group.

        df = 2 / (a'La) with L the covariance of the logs (Satterthwaite).
        """
        spread = np.einsum("nk,kl,nl->n", shares, self.covariance, shares)
        return np.asarray(2.0 / np.maximum(spread, 2.0 / KNOWN))


def estimate_scatter(
    misclosures: Misclosures, taken: FloatArray, start: Scatter | None = None
) -> Scatter:
    """Estimate the factors with the columns ``taken`` (r, a) out.

    ``start`` is an estimate with about the same columns out, to begin with: its information
    serves again, as it hardly changes with a column or two.
    """
    phi = np.zeros(6)
    if start is not None:
        phi[0] = np.log(start.factors).mean()
        phi[1:] = np.log(start.factors) - phi[0]
    state = _state(misclosures, taken, np.exp(BY_WHOLE @ phi))
    information = _information(misclosures, state) if start is None else start.information
    for _ in range(ROUNDS):
        step = np.linalg.solve(_curvature(information, phi), _gradient(state, phi))
        if np.abs(step).max() < SETTLED:
            break
        phi = phi + np.clip(step, -FARTHEST, FARTHEST)
        state = _state(misclosures, taken, np.exp(BY_WHOLE @ phi))
        if start is None and np.abs(step).max() > FAR:
            information = _information(misclosures, state)
    if start is None:
        information = _information(misclosures, state)
    spread = BY_WHOLE @ np.linalg.inv(_curvature(information, phi)) @ BY_WHOLE.T
    support = state.likelihood + _log_prior(phi)
    return Scatter(state.factors, spread, state.shares, support, information)


def expected_scatter(misclosures: Misclosures) -> Scatter:
    """Return what is expected of an estimate where the readings scatter as stated.

    All factors are 1; how well they will be known hangs on the misclosures' covariance alone.
    """
    state = _state(misclosures, np.zeros((len(misclosures), 0)), np.ones(5))
    return scatter_as_stated(state.shares, _information(misclosures, state))


def scatter_as_stated(shares: FloatArray, information: FloatArray) -> Scatter:
    """Return a scatter whose factors are all 1, of ``shares`` (5,) and ``information`` (5, 5)."""
    spread = BY_WHOLE @ np.linalg.inv(_curvature(information, np.zeros(6))) @ BY_WHOLE.T
    return Scatter(np.ones(5), spread, shares, 0.0, information)


@dataclass(frozen=True)
class _State:
    """At given factors: W (r, r) with the columns out, g = W t, theta_k tr(W V_k) (5,)."""

    factors: FloatArray
    weight: FloatArray
    pushed: FloatArray
    shares: FloatArray
    squares: FloatArray
    likelihood: float


def _state(misclosures: Misclosures, taken: FloatArray, factors: FloatArray) -> _State:
    omega = misclosures.covariance(factors)
    weight, log_volume = _inverse(omega)
    if taken.shape[1]:
        left = weight @ taken
        normal = taken.T @ left
        weight = weight - left @ np.linalg.pinv(normal, rcond=1e-10, hermitian=True) @ left.T
        size = np.linalg.eigvalsh(normal)
        log_volume += float(np.log(size[size > 1e-10 * size.max(initial=0.0)]).sum())
    pushed = weight @ misclosures.t
    parts = misclosures.parts
    shares = factors * (parts.reshape(len(parts), -1) @ weight.ravel())
    squares = factors * (parts @ pushed @ pushed)
    likelihood = -0.5 * (log_volume + float(misclosures.t @ pushed))
    return _State(factors, weight, pushed, shares, squares, likelihood)


def _inverse(omega: FloatArray) -> tuple[FloatArray, float]:
    """Return the inverse of a covariance (r, r) and the log of its determinant."""
    from scipy.linalg.lapack import dpotrf, dpotri

    root, _ = dpotrf(omega, lower=1)
    volume = 2.0 * float(np.log(np.diagonal(root)).sum())
    half, _ = dpotri(root, lower=1)  # nothing above the diagonal
    inverse = half + half.T
    np.fill_diagonal(inverse, np.diagonal(half))
    return inverse, volume


def _information(misclosures: Misclosures, state: _State) -> FloatArray:
    """Return 1/2 theta_k theta_l tr(W V_k W V_l) (5, 5)."""
    products = state.weight @ misclosures.parts * state.factors[:, None, None]
    flat, turned = (p.reshape(len(p), -1) for p in (products, products.transpose(0, 2, 1)))
    return np.asarray(0.5 * flat @ turned.T)


def _gradient(state: _State, phi: FloatArray) -> FloatArray:
    score = 0.5 * (state.squares - state.shares)
    return np.asarray(BY_WHOLE.T @ score - 0.5 * prior_weights() * (1.0 - np.exp(-phi)))


def _curvature(information: FloatArray, phi: FloatArray) -> FloatArray:
    prior = prior_weights() * np.maximum(0.5 * np.exp(-phi), LEAST_CURVATURE)
    return np.asarray(BY_WHOLE.T @ information @ BY_WHOLE + np.diag(prior))


def _log_prior(phi: FloatArray) -> float:
    return float(-0.5 * np.sum(prior_weights() * (phi + np.exp(-phi))))


def prior_weights() -> FloatArray:
    """Return what the stated values are worth in m and each d (6,)."""
    return np.array([WHOLE_WEIGHT, *[GROUP_WEIGHT] * 5])
