"""Weighted least squares of a few linear parameters: observed = design @ x + error, independent.

Sign: residual v = adjusted - observed. Weights are 1 / sd^2, so sigma0 of sound data is 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.errors import AdjustmentError
from tieup.model.arrays import FloatArray

REFINEMENTS = 2  # steps that win back what rounding took from the first
EPSILON = float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class LinearFit:
    """The result of `fit_linear`; m observations, p parameters.

    ``cofactor`` (p, p) is the inverse of the normal matrix: with a-priori sds it is the
    covariance of the ``parameters`` (p,). ``residuals`` and ``redundancy`` have shape (m,), the
    latter sums to ``dof``. ``weighted_sum`` is v'Pv.
    """

    parameters: FloatArray
    cofactor: FloatArray
    residuals: FloatArray
    redundancy: FloatArray
    dof: int
    weighted_sum: float

    @property
    def sigma0(self) -> float:
        """Return the root mean of v'Pv over dof, NaN with dof 0."""
        return math.sqrt(self.weighted_sum / self.dof) if self.dof > 0 else math.nan


def fit_linear(design: FloatArray, observed: FloatArray, sd: FloatArray) -> LinearFit:
    """Fit by the singular values of the weighted design, its columns scaled to length 1.

    Parameters
    ----------
    design, observed, sd
        Shapes (m, p), (m,), (m,); sd > 0 in the unit of the observation.

    Raises
    ------
    AdjustmentError
        When the observations do not determine the parameters.
    """
    if len(observed) < design.shape[1]:
        raise AdjustmentError(
            f"least squares: {len(observed)} observations cannot determine "
            f"{design.shape[1]} parameters; observe more"
        )
    whitened = design / sd[:, None]
    length = np.linalg.norm(whitened, axis=0)
    scale = np.where(length > 0.0, length, 1.0)
    left, singular, right = np.linalg.svd(whitened / scale, full_matrices=False)
    lost = singular <= 10.0 * max(design.shape) * EPSILON * singular[0]
    if lost.any():
        raise AdjustmentError(
            "least squares: the observations do not determine the parameters (rank defect "
            f"{np.count_nonzero(lost)} of {len(scale)}); observe what ties them"
        )
    parameters = np.zeros(design.shape[1])
    for _ in range(1 + REFINEMENTS):
        misclosure = (observed - design @ parameters) / sd
        parameters = parameters + right.T @ ((left.T @ misclosure) / singular) / scale
    misclosure = (observed - design @ parameters) / sd
    root = right.T / singular / scale[:, None]
    return LinearFit(
        parameters=parameters,
        cofactor=root @ root.T,
        residuals=-misclosure * sd,
        redundancy=np.clip(1.0 - np.sum(left**2, axis=1), 0.0, 1.0),
        dof=len(observed) - len(parameters),
        weighted_sum=float(misclosure @ misclosure),
    )
