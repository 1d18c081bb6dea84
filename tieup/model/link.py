"""Observations straight between two marks, as they were booked."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.link_kinds import fixed_rows


@dataclass(frozen=True)
class BookedLink:
    """One row of a list of links: of levels, tapes or baselines.

    ``kind`` is a name of `tieup.model.link_kinds.LINK_KINDS`; ``values`` and ``sds`` (m) are those
    of its components, from ``start`` to ``end``, with ``correlation`` (k, k) between them.
    ``sha256`` is that of the file.
    """

    kind: str
    start: str
    end: str
    values: tuple[float, ...]
    sds: tuple[float, ...]
    file: str
    line: int
    note: str
    sha256: str
    correlation: FloatArray = field(default_factory=lambda: np.eye(1), compare=False)

    @property
    def value(self) -> float:
        """Return the value of the only component."""
        return self.values[0]

    @property
    def sd(self) -> float:
        """Return the sd of the only component."""
        return self.sds[0]

    def rows(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return values (k,), sds (k,) and rows by N, E, H (k, 3) of independent observations.

        Each component less what the ones before it say of it: with the correlations L D L', L of
        unit diagonal, the rows are L^-1 (scaled by the sds), so that they do not mix units and
        are those of the components themselves where nothing is correlated.

        References: Ghilani, Adjustment Computations, correlated observations, weights from a full
        covariance.
        """
        sds, root = np.array(self.sds), np.linalg.cholesky(self.correlation)
        left = np.diagonal(root)
        back = np.linalg.inv(root / left) * (sds[:, None] / sds)
        along = back if len(back) > 1 else fixed_rows(np.array([self.kind], dtype=object))
        return back @ np.array(self.values), left * sds, along
