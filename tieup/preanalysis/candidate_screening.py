"""Which of very many further sights are worth a closer look: a first measure of all at once.

Each sight takes H H' off the covariance (`tieup.preanalysis.update`). What that takes off the
variances of marks and instruments is summed, those near the worst ratio counting for most;
sights of what nothing checks come first of all.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import Sights
from tieup.model.point_words import UNCHECKED
from tieup.preanalysis.design_quality import EMPHASIS
from tieup.preanalysis.update import Base, sight_rows

MOST_TRIED = 400  # candidates looked at closely
BATCH = 500
LIGHT = 1e-2  # what counts for less than this part of the heaviest is left out
URGENT = 1e6  # what nothing checks goes before any gain in precision


def most_promising(base: Base, sights: Sights, most: int = MOST_TRIED) -> IntArray:
    """Return the numbers of up to ``most`` of the further ``sights`` (k,) in their order."""
    if len(sights) <= most:
        return np.arange(len(sights))
    standing = base.state.standing
    urgent = standing.lacking[sights.setup].astype(np.float64)
    urgent += (standing.proof == UNCHECKED)[sights.point]
    score = URGENT * urgent + first_gains(base, sights)
    return np.sort(np.argsort(-score, kind="stable")[:most])


def first_gains(base: Base, sights: Sights) -> FloatArray:
    """Return the first measure (k,) of what each further sight gains."""
    joint, rows = base.joint, sight_rows(base, sights)
    columns = np.array(
        [joint.columns(s, p) for s, p in zip(sights.setup, sights.point, strict=True)]
    )
    weight = _weights(base)
    heavy = np.flatnonzero(weight > LIGHT * weight.max(initial=0.0))
    near = joint.matrix[heavy]
    gain = np.zeros(len(sights))
    for start in range(0, len(sights), BATCH):
        part = slice(start, start + BATCH)
        across = rows[part].transpose(0, 2, 1)
        own = joint.matrix[columns[part][:, :, None], columns[part][:, None, :]]
        inner = np.eye(3) + rows[part] @ own @ across
        pulled = near[:, columns[part]].transpose(1, 0, 2) @ across
        half = np.linalg.solve(np.linalg.cholesky(inner), pulled.transpose(0, 2, 1))
        gain[part] = (half**2).sum(axis=1) @ weight[heavy]
    return gain


def _weights(base: Base) -> FloatArray:
    """Return what a variance of each unknown (N,) counts for, per m^2; 0 for orientations."""
    standing, joint, demand = base.state.standing, base.joint, base.demand
    limits = demand.sizes[[0, 0, 1]]
    size = np.array(
        [confidence_factor(2, demand.confidence)] * 2 + [confidence_factor(1, demand.confidence)]
    )
    worst = max(standing.worst, 1e-9)
    wanted = standing.wanted[joint.marks][:, None]
    of_marks = np.where(wanted, np.nan_to_num(standing.ratio[joint.marks]), 0.0)
    of_setups = np.nan_to_num(standing.stance_ratio[joint.setups])
    unit = (size / limits) ** 2
    marks = (of_marks / worst)[:, [0, 0, 1]] ** EMPHASIS * unit
    setups = np.zeros((len(of_setups), 4))
    setups[:, :3] = (of_setups / worst)[:, [0, 0, 1]] ** EMPHASIS * unit
    return np.concatenate([setups.ravel(), marks.ravel()])
