"""What a further shot of a measured site would do to what its bays are guarded against.

With a (3, 7) the whitened rows of the shot, Q the covariance before it, S = I + a Q a' and
K = Q a' S^-1, a mistake that puts d = c - a E into the misclosure of the shot (c straight, E by
what it does to the solution) then has

    N+ = N + d' S^-1 d,   E+ = E + K d,   Q+ = Q - K S K'

for the inverse of its covariance, its effect and the covariance of the site. What the shot will
read is drawn from what is expected. This ranks; what is promised comes from a solution with the
shot in it.

References: Ghilani, Adjustment Computations, sequential least squares; `tieup.adjust.guards`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.adjust.guards import Guards, pose_effect
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.preanalysis.full_covariance import FullCovariance, full_covariance
from tieup.ties.bay_places import HEIGHT, PLAN
from tieup.ties.bays import PASSES, PlaceStanding

LEAST = 1e-9  # share of the largest below which a direction of a mistake's size is none
TINY = 1e-300  # variance of what is no size at all
DRAWS = 8  # of what the shot may read: what counts is the largest of many, in the mean
HALF_NORMAL = 0.8  # mean size of a standard normal value
SHOWS = 1e-2  # sds of the readings that a hidden mistake of one sd puts into the shot: it shows


@dataclass(frozen=True)
class Foresight:
    """A solution and its guards, ready to be asked; ``inverse`` (n, 4, 4) of each covariance."""

    adjustment: Adjustment
    guards: Guards
    joint: FullCovariance
    inverse: FloatArray


def foresight(adjustment: Adjustment, guards: Guards, marks: IntArray) -> Foresight:
    """Make ready for further shots of ``marks`` from any setup."""
    setups = np.flatnonzero(adjustment.problem.solved_setup)
    joint = full_covariance(adjustment, setups, marks)
    return Foresight(adjustment, guards, joint, _inverse(guards.spread))


def _inverse(matrices: FloatArray) -> FloatArray:
    """Return the inverses (n, q, q) of covariances, 0 along what they say nothing of."""
    scale = np.sqrt(np.maximum(np.diagonal(matrices, axis1=1, axis2=2), TINY))
    both = scale[:, :, None] * scale[:, None, :]
    unit = np.linalg.pinv(matrices / both, rcond=LEAST, hermitian=True)
    return np.asarray(unit / both)


def expected(
    base: Foresight, row: FloatArray, ends: tuple[int, int], standing: PlaceStanding
) -> tuple[FloatArray, int]:
    """Return what is expected of one place with one more shot.

    ``row`` (3, 7) are its whitened rows, ``ends`` its setup and point.

    Returns
    -------
    What would be known and the largest bound (2, 2), plan and height in m, and how many mistakes
    would still not show.
    """
    joint, guards = base.joint, base.guards
    columns = joint.columns(*ends)
    pulled = joint.matrix[:, columns] @ row.T
    inner = np.eye(3) + row @ pulled[columns]
    root = np.linalg.cholesky(inner)
    shot = _Shot(pulled, np.asarray(np.linalg.solve(inner, pulled.T).T), np.linalg.inv(root))
    own = np.concatenate([guards.setup[ends[0]], _of_point(base, ends[1])])
    off = _straight(guards, row, ends[0]) - row @ own
    moved = guards.setup.copy()
    poses = shot.gain[: 4 * len(joint.setups)].reshape(len(joint.setups), 4, 3)
    moved[joint.setups] += poses @ off
    after, sizes = _sizes_after(base, shot.inverse_root @ off)
    return _of_place(base, replace(after, setup=moved), sizes, standing, shot)


@dataclass(frozen=True)
class _Shot:
    """Q a' (N, 3), the gain K (N, 3) and the inverse (3, 3) of the root of S."""

    pulled: FloatArray
    gain: FloatArray
    inverse_root: FloatArray


def _of_point(base: Foresight, point: int) -> FloatArray:
    """Return what the columns do to a point (3, h); a side shot goes with its setup."""
    aside = base.adjustment.aside
    hangs = np.flatnonzero(aside.connections.point == point)
    if not len(hangs):
        return np.asarray(base.guards.point[point])
    holder = int(aside.connections.setup[hangs[0]])
    return np.asarray(aside.by_setup[hangs[0]] @ base.guards.setup[holder])


def _straight(guards: Guards, row: FloatArray, setup: int) -> FloatArray:
    """Return what one unit of each column puts into the shot (3, h): it is after every knock."""
    straight = np.zeros((3, guards.setup.shape[2]))
    for number in np.flatnonzero(guards.moved == setup).tolist():
        q, start = int(guards.degrees[number]), int(guards.first[number])
        straight[:, start : start + q] = row[:, :4] @ guards.pose[number][:, :q]
    return straight


def _sizes_after(base: Foresight, flat: FloatArray) -> tuple[Guards, FloatArray]:
    """Return the mistakes with the shot, and their sizes (d, h) as they may be read.

    ``flat`` (3, h): what one unit of each column puts into the shot, over the sds of that.
    """
    guards = base.guards
    spread, hidden = guards.spread.copy(), guards.hidden.copy()
    read = np.random.default_rng(DRAWS).standard_normal((DRAWS, 3))
    sizes = np.zeros((DRAWS, len(guards.size)))
    for q, own, columns in guards.by_degrees():
        part = flat[:, columns].transpose(1, 0, 2)
        shows = np.linalg.norm(part @ hidden[own, :q, :q], axis=1) > SHOWS
        hidden[own, :q, :q] = np.where(shows[:, None, :], 0.0, hidden[own, :q, :q])
        before = base.inverse[own, :q, :q]
        after = _inverse(before + part.transpose(0, 2, 1) @ part)
        spread[own, :q, :q] = after
        score = np.einsum("nqr,nr->nq", before, guards.size[columns])
        scores = score + np.einsum("dk,nkq->dnq", read, part)
        sizes[:, columns] = np.einsum("nqr,dnr->dnq", after, scores)
    return replace(guards, spread=spread, hidden=hidden), sizes


def _of_place(
    base: Foresight, guards: Guards, sizes: FloatArray, standing: PlaceStanding, shot: _Shot
) -> tuple[FloatArray, int]:
    """Return known and largest bound (2, 2) of one place, and how many bounds are infinite."""
    joint, place = base.joint, standing.use
    quantile = float(student_critical(PASSES, guards.freedom.min()))
    own_sd = 1.0 / np.linalg.norm(shot.inverse_root, axis=0)  # of a mistake in each own reading
    result, open_ = np.zeros((2, 2)), 0
    for part, height in enumerate((PLAN, HEIGHT)):
        lever = np.zeros((1 if height else 2, len(joint.matrix)))
        effect = np.zeros((len(lever), guards.setup.shape[2]))
        for setup, sign in zip(place.setups, (1.0, -1.0), strict=False):
            away = place.place - base.adjustment.axis[setup, :2]
            at = 4 * int(np.flatnonzero(joint.setups == setup)[0])
            lever[:, at : at + 4] += sign * pose_effect(np.eye(4), away, height=height)
            effect += sign * pose_effect(guards.setup[setup], away, height=height)
        before = lever @ joint.matrix @ lever.T
        after = before - (lever @ shot.gain) @ (lever @ shot.pulled).T
        shrunk = np.linalg.eigvalsh(after)[-1] / max(np.linalg.eigvalsh(before)[-1], TINY)
        result[0, part] = standing.known[part] * np.sqrt(max(shrunk, 0.0))
        own = np.linalg.norm(lever @ shot.gain, axis=0) * own_sd
        bounds = guards.bounds_of(effect[None], PASSES, sizes)[0]
        open_ += int(np.isinf(bounds[0]).sum())
        largest = bounds.max(axis=1, initial=0.0).mean()
        result[1, part] = max(largest, (quantile + HALF_NORMAL) * own.max())
    return result, open_
