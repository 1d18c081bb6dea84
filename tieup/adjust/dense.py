"""Small weighted least squares of any kind: observed = f(parameters) + error, independent.

Takes a model (values and exact Jacobian), start values, observations and their sds; gives
the adjusted parameters with cofactor, residuals and redundancy numbers. Meant for a few
dozen unknowns: every step decomposes the full weighted Jacobian.

Sign: residual v = adjusted - observed. Weights are 1 / sd^2, so sigma0 of sound data is 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tieup.errors import AdjustmentError
from tieup.model.arrays import FloatArray

Model = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Parameters (p,) to values (m,) and their exact Jacobian (m, p)."""

MOST_ITERATIONS = 100
MOST_HALVINGS = 30
# The step is negligible when it would change the residuals by less than this part of them.
RELATIVE_OFFSET = 1e-10
# Rounding errors that one computed value gathers; 12 was the most in 2000 random problems.
_ROUNDINGS = 30
_EPSILON = float(np.finfo(np.float64).eps)
_COMPLEX_STEP = 1e-100


@dataclass(frozen=True)
class DenseSolution:
    """The result of `gauss_newton`; m observations, p parameters.

    ``cofactor`` (p, p) is the inverse of the normal matrix: with a-priori sds it is the
    covariance of the ``parameters`` (p,); multiply by sigma0^2 where the sds are relative.
    ``residuals`` and ``redundancy`` have shape (m,), the latter sums to ``dof``.
    ``weighted_sum`` is v'Pv; ``sigma0`` its root mean over dof, NaN with dof 0.
    ``iterations`` counts the steps taken.
    """

    parameters: FloatArray
    cofactor: FloatArray
    residuals: FloatArray
    redundancy: FloatArray
    dof: int
    weighted_sum: float
    sigma0: float
    iterations: int


@dataclass(frozen=True)
class _Place:
    """The linearised problem at one set of parameters.

    ``misclosure`` is (observed - computed) / sd, ``jacobian`` is divided by sd as well;
    ``length`` (p,) holds the lengths of its columns. ``noise`` is the length of the
    misclosure vector that rounding alone can cause.
    """

    parameters: FloatArray
    misclosure: FloatArray
    jacobian: FloatArray
    length: FloatArray
    weighted_sum: float
    noise: float

    @property
    def finite(self) -> bool:
        """Say whether the model is defined here."""
        return math.isfinite(self.weighted_sum) and bool(np.isfinite(self.length).all())


@dataclass(frozen=True)
class _Problem:
    model: Model
    observed: FloatArray
    sd: FloatArray

    def at(self, parameters: FloatArray) -> _Place:
        """Evaluate the model, which may be undefined there."""
        with np.errstate(all="ignore"):
            values, jacobian = self.model(parameters)
            misclosure = (self.observed - values) / self.sd
            jacobian = jacobian / self.sd[:, None]
            length = np.linalg.norm(jacobian, axis=0)
            terms = np.abs(jacobian) @ np.abs(parameters) + np.abs(self.observed / self.sd)
            total = float(misclosure @ misclosure)
            noise = _ROUNDINGS * _EPSILON * float(np.linalg.norm(terms))
        return _Place(parameters, misclosure, jacobian, length, total, noise)


@dataclass(frozen=True)
class _Factor:
    """Singular value decomposition of the Jacobian with its columns scaled to length 1."""

    scale: FloatArray
    left: FloatArray
    singular: FloatArray
    right: FloatArray

    def step(self, misclosure: FloatArray) -> FloatArray:
        return self.right.T @ ((self.left.T @ misclosure) / self.singular) / self.scale

    def cofactor(self) -> FloatArray:
        root = self.right.T / self.singular / self.scale[:, None]
        return root @ root.T


def linear_model(design: FloatArray) -> Model:
    """Return the model of observations that are linear in the parameters: design @ x."""
    return lambda parameters: (design @ parameters, design)


def with_complex_step(function: Callable[[FloatArray], FloatArray]) -> Model:
    """Return the model of an analytic function, differentiated by the complex step.

    ``df/dx = Im f(x + ih) / h`` has no cancellation, so h can be tiny and the derivative is
    exact to round-off. ``function`` must accept complex parameters and use analytic
    operations only (no absolute value, no two-argument arctangent).

    References
    ----------
    Squire and Trapp, Using complex variables to estimate derivatives, SIAM Review 40 (1998).
    """

    def model(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        probes = parameters + 1j * _COMPLEX_STEP * np.eye(parameters.size)
        columns = [np.imag(function(probe)) / _COMPLEX_STEP for probe in probes]
        return function(parameters), np.stack(columns, axis=1)

    return model


def gauss_newton(
    model: Model, start: FloatArray, observed: FloatArray, sd: FloatArray
) -> DenseSolution:
    """Minimise the weighted sum of squared residuals by Gauss-Newton with step halving.

    Stops when the step would change the residuals by less than `RELATIVE_OFFSET` of their
    length (the orthogonality criterion of Bates and Watts, 1981) or by less than the
    rounding error of the model. A linear model takes one step and one or two of refinement.

    Parameters
    ----------
    model
        Gives values (m,) and exact Jacobian (m, p) at parameters (p,).
    start
        Approximate parameters, shape (p,); anything for a linear model.
    observed, sd
        Shape (m,); sd > 0 in the unit of the observation. Angles must lie within half a
        turn of the model's values.

    Raises
    ------
    AdjustmentError
        When an input is not finite or an sd not positive, when the observations do not
        determine the parameters, or when the solution does not converge.
    """
    _check(start, observed, sd)
    problem = _Problem(model, observed, sd)
    place = problem.at(start)
    if not place.finite:
        raise AdjustmentError(
            "least squares: the model is not finite at the start values; "
            "give start values nearer to the solution"
        )
    for iteration in range(1, MOST_ITERATIONS + 1):
        factor = _decompose(place)
        step = factor.step(place.misclosure)
        if _negligible(factor, place):
            return _solution(problem.at(place.parameters + step), sd, iteration)
        place = _advance(problem, place, step)
    raise AdjustmentError(
        f"least squares: not converged after {MOST_ITERATIONS} iterations; "
        "look for a gross error or give better start values"
    )


def _check(start: FloatArray, observed: FloatArray, sd: FloatArray) -> None:
    if not (np.isfinite(start).all() and np.isfinite(observed).all() and (sd > 0).all()):
        raise AdjustmentError(
            "least squares: start values and observations must be finite and every sd "
            "greater than zero"
        )
    if observed.size < start.size:
        raise AdjustmentError(
            f"least squares: {observed.size} observations cannot determine "
            f"{start.size} parameters; observe more"
        )


def _decompose(place: _Place) -> _Factor:
    """Decompose the weighted Jacobian; raise when a combination of parameters is free."""
    scale = np.where(place.length > 0.0, place.length, 1.0)
    left, singular, right = np.linalg.svd(place.jacobian / scale, full_matrices=False)
    lost = singular <= 10.0 * max(place.jacobian.shape) * _EPSILON * singular[0]
    if lost.any():
        share = np.linalg.norm(right[lost], axis=0)
        free = np.flatnonzero(share > 0.1 * share.max()) + 1
        raise AdjustmentError(
            "least squares: the observations do not determine the parameters (rank defect "
            f"{np.count_nonzero(lost)} among parameters {', '.join(map(str, free))} of "
            f"{scale.size}); hold one of them or observe what ties it"
        )
    return _Factor(scale, left, singular, right)


def _negligible(factor: _Factor, place: _Place) -> bool:
    """Decide whether the step moves the computed values by nothing that matters."""
    change = float(np.linalg.norm(factor.left.T @ place.misclosure))
    return change <= RELATIVE_OFFSET * math.sqrt(place.weighted_sum) + place.noise


def _advance(problem: _Problem, place: _Place, step: FloatArray) -> _Place:
    """Take the longest of the step's halvings that does not enlarge the weighted sum."""
    allowed = math.sqrt(place.weighted_sum) * (1.0 + 1e-12) + place.noise
    for halving in range(MOST_HALVINGS):
        trial = problem.at(place.parameters + step * 0.5**halving)
        if trial.finite and math.sqrt(trial.weighted_sum) <= allowed:
            return trial
    raise AdjustmentError(
        "least squares: no step along the descent direction improves the fit; "
        "give better start values"
    )


def _solution(final: _Place, sd: FloatArray, iterations: int) -> DenseSolution:
    factor = _decompose(final)
    dof = final.misclosure.size - final.parameters.size
    leverage = np.sum(factor.left**2, axis=1)
    return DenseSolution(
        parameters=final.parameters,
        cofactor=factor.cofactor(),
        residuals=-final.misclosure * sd,
        redundancy=np.clip(1.0 - leverage, 0.0, 1.0),
        dof=dof,
        weighted_sum=final.weighted_sum,
        sigma0=math.sqrt(final.weighted_sum / dof) if dof > 0 else math.nan,
        iterations=iterations,
    )
