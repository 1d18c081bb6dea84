"""What one mistake does to a site that is solved as it is, by a linear model of our own.

Least squares with the stated sds, linearised at the truth; side shots take no part, a setup's
movement is that of all its shots. In a free job only differences between setups mean anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.days import (
    STATED_CENTRING,
    STATED_DISTANCE,
    STATED_HEIGHT,
    STATED_POINTING,
    STATED_REFRACTION,
    Day,
    polar,
    readings,
)
from tests.bench.grounds import FloatArray

STEP = 1e-5  # m and rad
SAME = 1e-9  # singular values below this share are the motions of a free site
POWER = 5.6  # sds that a mistake needs to be noticed with power 0.80 in a typical job


@dataclass(frozen=True)
class Model:
    """The equations of one day, weighted: ``design`` (n, u), ``gain`` (u, n)."""

    design: FloatArray
    gain: FloatArray
    root: FloatArray  # (n, n) takes misclosures to unit weight

    def effect(self, change: FloatArray) -> FloatArray:
        """Return what a change of the misclosures (n,) does to the unknowns (u,)."""
        return self.gain @ (self.root @ change)

    def strength(self, change: FloatArray) -> float:
        """Return how many sds a change of the misclosures is off in its own test."""
        whole = self.root @ change
        return float(np.linalg.norm(whole - self.design @ (self.gain @ whole)))


class Linear:
    """One day's linear model: unknowns are axis and circle of each setup, then the marks."""

    def __init__(self, day: Day) -> None:
        self.day = day
        self.rows = day.shared()
        self.bays = day.ground.bays
        self.marks = [name for name in day.ground.marks if name not in day.control]
        self.count = 4 * len(self.bays) + 3 * len(self.marks)
        self.model = self._model()

    def change(self, spoiled: Day) -> FloatArray:
        """Return what a mistake changes in the misclosures."""
        off = self._misclosure(spoiled) - self._misclosure(self.day)
        angles = np.arange(3 * len(self.rows)) % 3 < 2
        wrapped = np.mod(off[: len(angles)] + np.pi, 2.0 * np.pi) - np.pi
        off[: len(angles)] = np.where(angles, wrapped, off[: len(angles)])
        return off

    def poses(self, effect: FloatArray) -> FloatArray:
        """Return shift N, E, H (m) and turn (rad) of each setup (S, 4)."""
        return effect[: 4 * len(self.bays)].reshape(-1, 4)

    def _misclosure(self, day: Day) -> FloatArray:
        """Return booked minus computed at the true places: readings, then what stands where."""
        read = readings(day)[list(self.rows)]
        second = np.array([day.rows[k].face == 2 for k in self.rows])
        read[:, 0] -= np.pi * second
        read[:, 1] = np.where(second, 2.0 * np.pi - read[:, 1], read[:, 1])
        away = read.ravel() - self._computed(np.zeros(self.count), day)[: 3 * len(self.rows)]
        return np.concatenate([away, -self._computed(np.zeros(self.count), day)[3 * len(read) :]])

    def _computed(self, unknowns: FloatArray, day: Day) -> FloatArray:
        """Return the readings at true places plus ``unknowns``, and axis minus mark minus height.

        The heights and the control are those in the book of ``day``.
        """
        pose = unknowns[: 4 * len(self.bays)].reshape(-1, 4)
        places = {**day.ground.places, **day.control}
        moved = unknowns[4 * len(self.bays) :].reshape(-1, 3)
        places |= {name: places[name] + d for name, d in zip(self.marks, moved, strict=True)}
        axis = np.array([bay.axis for bay in self.bays]) + pose[:, :3]
        rows = [day.rows[k] for k in self.rows]
        own = np.array([row.bay for row in rows])
        prism = np.array([places[row.point] + [0.0, 0.0, row.booked] for row in rows])
        read = polar(axis[own], prism, STATED_REFRACTION)
        read[:, 0] -= np.array([bay.turn for bay in self.bays])[own] + pose[own, 3]
        over = [
            axis[k] - places[bay.station] - [0.0, 0.0, day.booked[k]]
            for k, bay in enumerate(self.bays)
            if bay.station
        ]
        return np.concatenate([read.ravel(), *over])

    def _model(self) -> Model:
        design = np.column_stack(
            [
                (self._computed(step, self.day) - self._computed(-step, self.day)) / (2.0 * STEP)
                for step in STEP * np.eye(self.count)
            ]
        )
        root = self._root(len(design))
        design = root @ design
        size = np.linalg.norm(design, axis=0)
        gain = np.linalg.pinv(design / size, rcond=SAME) / size[:, None]
        return Model(design, gain, root)

    def _root(self, count: int) -> FloatArray:
        """Return the inverse Cholesky factor of the stated covariance of the misclosures."""
        whole = np.zeros((count, count))
        at_target = np.diag([STATED_CENTRING[1], STATED_CENTRING[1], STATED_HEIGHT[1]]) ** 2
        for n, k in enumerate(self.rows):
            row = self.day.rows[k]
            axis = self.bays[row.bay].axis
            prism = self.day.ground.places[row.point] + [0.0, 0.0, row.booked]
            own = _slopes(axis, prism)
            far = STATED_DISTANCE[0] + STATED_DISTANCE[1] * np.linalg.norm(prism - axis)
            part = slice(3 * n, 3 * n + 3)
            whole[part, part] = own @ at_target @ own.T
            whole[part, part] += np.diag([STATED_POINTING, STATED_POINTING, far]) ** 2
        over = np.array([STATED_CENTRING[0], STATED_CENTRING[0], STATED_HEIGHT[0]]) ** 2
        for n in range(3 * len(self.rows), count, 3):
            whole[n : n + 3, n : n + 3] = np.diag(over)
        return np.linalg.inv(np.linalg.cholesky(whole))


def _slopes(axis: FloatArray, prism: FloatArray) -> FloatArray:
    """Return how the three readings change with the place of the prism (3, 3)."""
    columns = []
    for step in STEP * np.eye(3):
        ahead = polar(axis[None], (prism + step)[None], STATED_REFRACTION)
        behind = polar(axis[None], (prism - step)[None], STATED_REFRACTION)
        columns.append((ahead - behind)[0] / (2.0 * STEP))
    return np.column_stack(columns)


def real_mdb(linear: Linear, unit: Day, size: float) -> float:
    """Return the size (m) of a mistake that is noticed in four of five days.

    ``unit`` is the day with the mistake of ``size``. Infinite where nothing would show.
    """
    strength = linear.model.strength(linear.change(unit))
    return POWER * abs(size) / strength if strength > 1e-6 else np.inf
