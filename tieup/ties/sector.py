"""Where another mark would help a setup most: a sector of bearings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray
from tieup.ties.free_station_precision import station_alone

BEARINGS = 72  # candidates, every 5 degrees
NEARLY = 1.10  # a bearing is in the sector when it does within 10 % as well as the best
MOST_MARKS = 12
OFF_LINE = np.sin(np.radians(30.0))


@dataclass(frozen=True)
class Sector:
    """Azimuths (rad), clockwise from ``start`` to ``end``.

    ``gain`` is the worst predicted sd of a shot with the mark over that without it, 0 where
    the station hangs in the air without it.
    """

    start: float
    end: float
    gain: float

    def holds(self, azimuth: FloatArray) -> BoolArray:
        """Say which azimuths (rad) lie in the sector."""
        return np.asarray(
            np.mod(azimuth - self.start, 2 * np.pi) <= np.mod(self.end - self.start, 2 * np.pi)
        )


def best_sector(
    offset: FloatArray, sd: FloatArray, shots: FloatArray, line: float = np.nan
) -> Sector | None:
    """Find the bearings at which one more known mark does most for a free station.

    Tried all round at the mean distance of the present marks with their mean sds. Weighed
    are the worst predicted plan sd of the shots, and the sd of the worst tested shift of any
    mark, each against the best it could become.

    Parameters
    ----------
    offset, sd
        Shape (k, 2) as in `tieup.ties.free_station_precision.station_alone`.
    shots
        Shape (n, 2): N, E from the station to what it shoots (m).
    line
        Azimuth (rad) of the line in which the marks stand, NaN where they do not: a mark in
        that line again would leave a mirrored circle or swapped axes unseen.

    Returns
    -------
    Sector, or None where one more mark does not fix the station or leaves a shift unseen.
    """
    offset, sd = offset[:MOST_MARKS], sd[:MOST_MARKS]
    if not len(offset):
        return None
    bearing = 2.0 * np.pi * np.arange(BEARINGS) / BEARINGS
    length = np.hypot(offset[:, 0], offset[:, 1]).mean()
    new = length * np.column_stack([np.cos(bearing), np.sin(bearing)])[:, None, :]
    observed = np.isfinite(sd)
    with np.errstate(invalid="ignore"):
        usual = np.where(observed, sd, 0.0).sum(axis=0) / observed.sum(axis=0)
    present = np.broadcast_to(offset, (BEARINGS, *offset.shape))
    tried = station_alone(np.concatenate([present, new], axis=1), np.vstack([sd, usual]))
    spread, shift = shot_sd(tried.covariance, shots), tried.shift_sd.max(axis=1)
    good = np.isfinite(spread) & np.isfinite(shift)
    if np.isfinite(line):
        good &= np.abs(np.sin(bearing - line)) >= OFF_LINE
    if not good.any():
        return None
    cost = np.full(BEARINGS, np.inf)
    cost[good] = spread[good] / spread[good].min() + shift[good] / shift[good].min()
    best = int(np.argmin(cost))
    start, end = _run_round(cost <= NEARLY * cost[best], best)
    before = float(shot_sd(station_alone(offset, sd).covariance, shots))
    gain = float(spread[best] / before) if np.isfinite(before) else 0.0
    return Sector(float(bearing[start]), float(bearing[end]), gain)


def shot_sd(covariance: FloatArray, shots: FloatArray) -> FloatArray:
    """Return the worst plan sd (...,) (m) that a station's own spread gives its shots.

    ``covariance`` (..., 3, 3) of N, E (m), orientation (rad); ``shots`` (n, 2), offsets in m.
    """
    arms = np.vstack([np.zeros((1, 2)), shots])
    lever = np.zeros((len(arms), 2, 3))
    lever[:, 0, 0] = lever[:, 1, 1] = 1.0
    lever[:, 0, 2], lever[:, 1, 2] = -arms[:, 1], arms[:, 0]
    spread = lever @ covariance[..., None, :, :] @ lever.transpose(0, 2, 1)
    mean = (spread[..., 0, 0] + spread[..., 1, 1]) / 2.0
    half = np.hypot((spread[..., 0, 0] - spread[..., 1, 1]) / 2.0, spread[..., 0, 1])
    return np.asarray(np.sqrt((mean + half).max(axis=-1)))


def _run_round(good: BoolArray, best: int) -> tuple[int, int]:
    """Return first and last of the unbroken run of good bearings round the best one."""
    count = len(good)
    if good.all():
        return (best + count // 2 + 1) % count, (best + count // 2) % count
    start = end = best
    while good[(start - 1) % count]:
        start = (start - 1) % count
    while good[(end + 1) % count]:
        end = (end + 1) % count
    return start, end
