"""What a mistake is made of: the bias it puts into the raw observations.

A hypothesis names a mistake and gives one column for each of its unknown sizes: what
one unit of that size adds to the raw readings (observed minus right). What gives
the hypotheses of a kind of mistake stands with it, in `tieup.diagnose.kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS


@dataclass(frozen=True)
class BiasColumn:
    """Bias per unit of one size.

    ``rows`` (n,) raw rows and ``bias`` (n, 3) in rad, rad, m per unit. ``plumb``: setups (as
    (setup, component, bias in m)) whose plumb line is wrong. ``control``: (point,
    component, bias in m) of weighted control coordinates. ``links``: (number among the
    adjustment's links, bias in m).
    """

    rows: IntArray
    bias: FloatArray
    plumb: tuple[tuple[int, int, float], ...] = ()
    control: tuple[tuple[int, int, float], ...] = ()
    links: tuple[tuple[int, float], ...] = ()


OF_AZIMUTH, OF_LEVEL_DISTANCE = "azimuth", "horizontal-distance"
READINGS = {kind: n for n, kind in enumerate(KINDS)} | {
    OF_AZIMUTH: DIRECTION,
    OF_LEVEL_DISTANCE: DISTANCE,
}
"""The kinds of mistakes that are a wrong reading of a sight, with the reading's component."""

EVERY_LOOK = "every look"
"""The detail of a mistake that is in all looks of a setup at one mark."""


@dataclass(frozen=True)
class Hypothesis:
    """One possible mistake.

    ``setup`` is a label or empty, ``points`` names. ``rows`` are the raw rows it claims and
    ``kinds`` the components of them (0 direction, 1 zenith, 2 distance) that it
    contaminates. ``unit`` is that of each size: m, rad or 1 (a ratio). ``prior`` is added to
    the log-likelihood: how much more common this mistake is than the rest, in units
    of the log. ``detail`` tells apart hypotheses of one kind and subject. ``links`` are the
    adjustment's level runs and tapes that it claims.
    """

    kind: str
    setup: str
    points: tuple[str, ...]
    columns: tuple[BiasColumn, ...]
    rows: IntArray
    kinds: tuple[int, ...]
    unit: str
    prior: float = 0.0
    detail: str = ""
    links: tuple[int, ...] = ()

    @property
    def reading(self) -> int:
        """Return which single reading of a sight it takes for wrong, -1 where it is another one."""
        return READINGS.get(self.kind, -1) if self.detail != EVERY_LOOK else -1

    @property
    def degrees(self) -> int:
        """Return the number of unknown sizes."""
        return len(self.columns)


NO_ROWS: IntArray = np.zeros(0, dtype=np.int64)
NO_BIAS: FloatArray = np.zeros((0, 3))


def component_bias(rows: IntArray, kind: int, value: FloatArray | float = 1.0) -> BiasColumn:
    """Return a column that adds ``value`` to one component of the rows."""
    bias = np.zeros((len(rows), 3))
    bias[:, kind] = value
    return BiasColumn(rows, bias)
