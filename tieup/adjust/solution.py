"""What an adjustment returns: coordinates, residuals, reliability, covariances.

Signs and units: residual = adjusted minus observed, in rad, rad, m (sights) or m (plumb
lines). Standard deviations are a priori (variance factor 1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.datum import Transfer
from tieup.adjust.elimination import DesignRows, Eliminated, Held
from tieup.adjust.observation_equations import Connections
from tieup.adjust.problem import Problem
from tieup.adjust.radiated_points import Aside
from tieup.adjust.reliability import CrossCovariances
from tieup.adjust.turn_border import Columns
from tieup.adjust.whitening import Whitening
from tieup.model.arrays import BoolArray, FloatArray


@dataclass(frozen=True)
class Adjustment:
    """One solution of one network in one frame.

    ``axis`` (S, 3) m, ``orientation`` (S,) rad, ``position`` (P, 3) m; NaN where unsolved.
    ``setup_covariance`` (S, 4, 4) and ``point_covariance`` (P, 3, 3).

    For the c connections of the system: ``noise``, which makes their observations independent,
    ``sd``, ``residual``, ``redundancy`` (c, 3), NaN where not observed; ``leverage`` (c, 3, 3) is
    the whitened A Q A' of each connection; ``mark_setup`` (c, 3, 4) the covariance of its mark
    with its setup (held datum), ``between`` that of setups that share one (held datum).
    ``control_residual``/``control_redundancy`` (P, 3) of weighted control, adjusted minus
    given, NaN elsewhere. ``link_residual``/``link_redundancy`` (l,).

    ``dof``, ``weighted_sum`` (v'Pv) and ``defect`` count these observations; deviations
    within sights are added by `tieup.adjust.pointings`.
    ``undetermined_setup`` (S,), ``undetermined_point`` (P,): found undetermined, left out.
    ``held``, ``system``, ``rows``, ``transfer`` serve further questions to the same factor.

    ``turn`` (g,) rad is what is added to the azimuths of each basis of bearings, NaN where none of
    them takes part; ``with_turns`` its covariance with every unknown: setups (S, 4, g), points
    (P, 3, g), turns (g, g).
    """

    problem: Problem
    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    setup_covariance: FloatArray
    point_covariance: FloatArray
    connections: Connections
    noise: Whitening
    sd: FloatArray
    residual: FloatArray
    redundancy: FloatArray
    leverage: FloatArray
    mark_setup: FloatArray
    between: CrossCovariances
    control_residual: FloatArray
    control_redundancy: FloatArray
    link_residual: FloatArray
    link_redundancy: FloatArray
    aside: Aside
    dof: int
    weighted_sum: float
    defect: int
    iterations: int
    undetermined_setup: BoolArray
    undetermined_point: BoolArray
    held: Held
    system: Eliminated
    rows: DesignRows
    transfer: Transfer
    turn: FloatArray
    with_turns: Columns

    @property
    def link_sd(self) -> FloatArray:
        """Return the stated sd (l,) of each link in m."""
        return np.asarray(self.problem.network.links.sd[self.problem.links])

    @property
    def whitened(self) -> FloatArray:
        """Return the whitened residuals T v (c, 3), 0 where not observed."""
        return self.noise.whitened(self.residual)

    @property
    def standardised(self) -> FloatArray:
        """Return w = residual over its own sd (c, 3); NaN where nothing checks it."""
        variance = self.noise.residual_variance(self.leverage)
        seen = self.noise.information(self.leverage) * self.noise.sd**2 > UNCHECKED
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(seen, self.residual / np.sqrt(variance), np.nan)


UNCHECKED = 1e-6  # redundancy below this is rounding: nothing checks the observation
