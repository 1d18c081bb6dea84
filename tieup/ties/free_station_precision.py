"""One free station alone on known marks, in plan: how well it stands and what it would catch.

The handbook's equations with the marks known: unknowns N, E and the orientation; a
direction and a distance per mark. What the setup alone would catch does not lean on any
other setup, so it is what a crew can still mend while the legs stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tieup.adjust.distributions import LEAST_REDUNDANCY
from tieup.model.arrays import FloatArray

CIRCLE_MARKS = 12  # marks looked at for the danger circle
DETERMINED = 1e-10  # smallest eigenvalue of the scaled normal matrix


@dataclass(frozen=True)
class FreeStation:
    """A station on k known marks.

    ``covariance`` (..., 3, 3) of N, E (m) and orientation (rad), NaN where the marks do not fix
    the station. ``redundancy`` (..., 2k): directions, then distances; NaN where not observed.
    ``shift_sd`` (..., k): sd (m) of a shift of each mark in the direction that is tested
    worst, infinite where a shift would pass unseen.
    """

    covariance: FloatArray
    redundancy: FloatArray
    shift_sd: FloatArray


def station_alone(offset: FloatArray, sd: FloatArray) -> FreeStation:
    """Work out precision and reliability of one free station, or of many of k marks each.

    Parameters
    ----------
    offset
        Shape (..., k, 2): N, E from the station to each mark (m).
    sd
        Shape (..., k, 2): sd of the direction (rad) and of the distance (m) with all that
        belongs to them (centring, the mark's own sd); NaN where not observed.
    """
    sd = np.broadcast_to(sd, offset.shape)
    scale = np.where(np.isfinite(sd), 1.0 / sd, 0.0)
    length = np.maximum(np.hypot(offset[..., 0], offset[..., 1]), 1e-3)[..., None]
    across = np.stack([-offset[..., 1], offset[..., 0]], axis=-1) / length**2 * scale[..., :1]
    along = offset / length * scale[..., 1:]
    k = offset.shape[-2]
    by_mark = np.concatenate([across, along], axis=-2)  # (..., 2k, 2)
    design = np.concatenate([-by_mark, np.zeros((*by_mark.shape[:-1], 1))], axis=-1)
    design[..., :k, 2] = -scale[..., 0]
    normal = np.swapaxes(design, -1, -2) @ design
    root = np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
    least = np.linalg.eigvalsh(normal / root[..., :, None] / root[..., None, :])[..., 0]
    fixed = (least > DETERMINED)[..., None, None]
    covariance = np.linalg.inv(np.where(fixed, normal, np.eye(3)))
    residual = np.eye(2 * k) - design @ covariance @ np.swapaxes(design, -1, -2)
    observed = np.concatenate([np.isfinite(sd[..., 0]), np.isfinite(sd[..., 1])], axis=-1)
    redundancy = np.diagonal(residual, axis1=-2, axis2=-1)
    return FreeStation(
        np.where(fixed, covariance, np.nan),
        np.where(observed & fixed[..., 0], redundancy, np.nan),
        np.where(fixed[..., 0], _shift_sd(residual, by_mark), np.inf),
    )


def _shift_sd(residual: FloatArray, by_mark: FloatArray) -> FloatArray:
    """Return the sd of each mark's shift (..., k) in its worst direction."""
    k = by_mark.shape[-2] // 2
    worst = []
    for i in range(k):
        rows = np.array([i, k + i])
        place = by_mark[..., rows, :]
        kept = np.swapaxes(place, -1, -2) @ residual[..., rows[:, None], rows] @ place
        whole = np.swapaxes(place, -1, -2) @ place
        least = np.linalg.eigvalsh(kept)[..., 0]
        shows = least > LEAST_REDUNDANCY * np.linalg.eigvalsh(whole)[..., -1]
        worst.append(np.where(shows, np.where(shows, least, 1.0) ** -0.5, np.inf))
    return np.stack(worst, axis=-1)


def danger(offset: FloatArray) -> float:
    """Return how near a station is to the circle through three of its marks, at best.

    The distance of the station (the origin) from the circle, over the circle's radius, for the
    three marks that are farthest from danger; offset (k, 2) in m. A station on the circle
    cannot be found by directions alone.
    """
    best = 0.0
    for a, b, c in combinations(offset[:CIRCLE_MARKS], 3):
        centre = _centre(a, b, c)
        if centre is None:
            return 1.0  # three marks in a line: their circle is the line, far round
        radius = float(np.hypot(*(a - centre)))
        best = max(best, abs(float(np.hypot(*centre)) - radius) / radius)
    return best


def _centre(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray | None:
    matrix = 2.0 * np.array([b - a, c - a])
    if abs(np.linalg.det(matrix)) < 1e-9 * np.abs(matrix).max() ** 2:
        return None
    return np.asarray(np.linalg.solve(matrix, np.array([b @ b - a @ a, c @ c - a @ a])))
