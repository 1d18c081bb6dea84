"""Make the three observations of a connection independent, each with an sd of 1.

Centring and height of a target enter zenith angle and distance of one sight together, so the
two are correlated. With L the lean rho / sqrt(1 - rho^2) of the distance on the zenith angle:

    direction / sd      zenith / sd      distance / rest - L (zenith / sd)

``rest`` is the sd of the distance once the zenith angle is known, sd sqrt(1 - rho^2). Written as
a matrix T, the weights are P = T'T; residuals and design rows are multiplied by T.

References: Ghilani, Adjustment Computations, correlated observations, weights from a full
covariance; Cholesky factor of a 2 x 2 covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.stacks import new_columns
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH


@dataclass(frozen=True)
class Whitening:
    """Of c connections: ``sd`` (c, 3), ``scale`` (c, 3) and ``lean`` (c,).

    ``sd`` is in rad, rad, m or, of plumb lines, in m. ``scale`` is 1/sd, of the distance 1/rest, 0
    where not observed; ``lean`` is 0 where zenith angle or distance is not observed.
    """

    sd: FloatArray
    scale: FloatArray
    lean: FloatArray

    def of(self, rows: IntArray) -> Whitening:
        """Return the whitening of some connections."""
        return Whitening(self.sd[rows], self.scale[rows], self.lean[rows])

    def whitened(self, values: FloatArray) -> FloatArray:
        """Return ``values`` (c, 3) or (c, 3, h) times T; 0 where not observed."""
        shape = (*self.scale.shape, *(1,) * (values.ndim - 2))
        result = np.where(self.scale.reshape(shape) > 0, values, 0.0) * self.scale.reshape(shape)
        result[:, DISTANCE] -= self.lean.reshape(shape[:1] + shape[2:]) * result[:, ZENITH]
        return np.asarray(result)

    def restored(self, values: FloatArray) -> FloatArray:
        """Return whitened ``values`` (c, 3) or (c, 3, h) as they were; NaN where not observed."""
        shape = (*self.scale.shape, *(1,) * (values.ndim - 2))
        scale = np.where(self.scale > 0, self.scale, np.nan).reshape(shape)
        result = values / scale
        leaning = self.lean.reshape(shape[:1] + shape[2:]) * values[:, ZENITH]
        result[:, DISTANCE] += leaning / scale[:, DISTANCE]
        return np.asarray(result)

    def weighed(self, values: FloatArray) -> FloatArray:
        """Return T' times whitened ``values`` (c, 3): of residuals v the P v of each reading."""
        result = values * self.scale
        result[:, ZENITH] -= self.lean * values[:, DISTANCE] * self.scale[:, ZENITH]
        return np.asarray(result)

    def redundancy(self, leverage: FloatArray) -> FloatArray:
        """Return the redundancy numbers (c, 3), the diagonal of Qv P, NaN where not observed."""
        share = 1.0 - np.diagonal(leverage, axis1=1, axis2=2)
        across = self.lean * leverage[:, ZENITH, DISTANCE]
        result = np.where(self.scale > 0, share, np.nan)
        result[:, ZENITH] += across
        result[:, DISTANCE] -= across
        return np.asarray(result)

    def information(self, leverage: FloatArray) -> FloatArray:
        """Return the diagonal of P Qv P (c, 3): the information on a bias of each reading."""
        kept = 1.0 - np.diagonal(leverage, axis1=1, axis2=2)
        across = -leverage[:, ZENITH, DISTANCE]
        kept[:, ZENITH] += self.lean**2 * kept[:, DISTANCE] - 2.0 * self.lean * across
        return np.asarray(kept * self.scale**2)

    def residual_variance(self, leverage: FloatArray) -> FloatArray:
        """Return the variances (c, 3) of the residuals, the diagonal of Qv; NaN not observed."""
        kept = 1.0 - np.diagonal(leverage, axis1=1, axis2=2)
        across = -leverage[:, ZENITH, DISTANCE]
        kept[:, DISTANCE] += self.lean**2 * kept[:, ZENITH] + 2.0 * self.lean * across
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.scale > 0, kept / self.scale**2, np.nan)


def make_whitening(sd: FloatArray, shared: FloatArray, observed: BoolArray) -> Whitening:
    """Return the whitening of observations with ``sd`` (c, 3) that are ``observed`` (c, 3).

    ``shared`` (c,) is the covariance of zenith angle and distance in rad m.
    """
    both = observed[:, ZENITH] & observed[:, DISTANCE]
    correlation = np.where(both, shared / (sd[:, ZENITH] * sd[:, DISTANCE]), 0.0)
    left = np.sqrt(1.0 - correlation**2)
    scale = new_columns(len(sd), 3)
    for kind in (DIRECTION, ZENITH, DISTANCE):
        scale[:, kind] = np.where(observed[:, kind], 1.0 / sd[:, kind], 0.0)
    scale[:, DISTANCE] /= left
    return Whitening(sd, scale, correlation / left)
