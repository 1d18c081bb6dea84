"""Walk round the setups through the marks they share, and see how the walk closes.

An extra, not the proof: a ring of free stations is no traverse, and 1:10,000 of a 150 m ring
is 15 mm. But a contract that asks for a closure gets one, from the raw sights alone: each
setup's marks in its own frame, fitted rigidly onto the next setup's by the marks common to
both, all the way round. Control closes a walk too: it is one more frame, with the listed
coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.geometry import curvature_coefficient, polar_offset, wrap_half
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.network.bridges import Loop, find_loops

CONTROL = -1
MOST_LOOPS = 50
LEAST_SHARED = 2  # marks that carry a position and a bearing from frame to frame
LEAST_BASE = 1.0  # m between them


@dataclass(frozen=True)
class Closure:
    """How one walk closes: ``setups`` in order (-1 is control), ``length`` (m).

    ``plan`` and ``height`` misclosures (m), ``turn`` the angular one (rad). ``ratio`` is plan
    over length.
    """

    setups: tuple[int, ...]
    length: float
    plan: float
    height: float
    turn: float

    @property
    def ratio(self) -> float:
        """Return the linear misclosure over the length walked."""
        return self.plan / self.length

    @property
    def stations(self) -> int:
        """Return how many setups were walked."""
        return sum(setup != CONTROL for setup in self.setups)


Frame = dict[int, FloatArray]


def find_closures(adjustment: Adjustment, sights: Sights, refraction: float) -> list[Closure]:
    """Return the closures of short loops that together cover every redundant pair."""
    frames = _frames(adjustment, sights, refraction)
    pairs = np.array(_sharing(frames), dtype=np.int64).reshape(-1, 2)
    among = pairs[(pairs != CONTROL).all(axis=1)]
    loops = [*find_loops(among, MOST_LOOPS)]
    loops += [loop for loop in find_loops(pairs, MOST_LOOPS) if CONTROL in loop.setups]
    walks = [_walk(_rotated(loop), frames, adjustment.axis) for loop in loops]
    return [walk for walk in walks if walk is not None and walk.length > 0]


def _frames(adjustment: Adjustment, sights: Sights, refraction: float) -> dict[int, Frame]:
    """Return the marks of every setup in its own frame (3,), and control's in its own."""
    control: BoolArray = np.asarray(np.isfinite(adjustment.problem.network.control).all(axis=1))
    complete = np.isfinite(sights.value).all(axis=1)
    times = np.bincount(sights.point[complete], minlength=len(control))
    whole = np.flatnonzero(complete & ((times > 1) | control)[sights.point])
    value = sights.value[whole]
    offset = polar_offset(
        value[:, DIRECTION],
        value[:, ZENITH],
        value[:, DISTANCE],
        curvature_coefficient(refraction),
    )
    offset[:, 2] -= sights.target_height[whole]
    frames: dict[int, Frame] = {}
    for row, place in zip(whole, offset, strict=True):
        frames.setdefault(int(sights.setup[row]), {}).setdefault(int(sights.point[row]), place)
    if control.any():
        listed = adjustment.problem.network.control
        frames[CONTROL] = {int(p): listed[p] for p in np.flatnonzero(control)}
    return frames


def _sharing(frames: dict[int, Frame]) -> list[tuple[int, int]]:
    """Return the pairs of frames that share enough marks."""
    owners: dict[int, list[int]] = {}
    for number in sorted(number for number in frames if len(frames[number]) >= LEAST_SHARED):
        for point in frames[number]:
            owners.setdefault(point, []).append(number)
    count: dict[tuple[int, int], int] = {}
    for numbers in owners.values():
        for i, a in enumerate(numbers):
            for b in numbers[i + 1 :]:
                count[a, b] = count.get((a, b), 0) + 1
    return sorted(pair for pair, shared in count.items() if shared >= LEAST_SHARED)


def _fit(here: Frame, there: Frame) -> tuple[complex, complex, float] | None:
    """Return turn, shift and height that bring ``there`` onto ``here``; plan as N + iE."""
    common = sorted(here.keys() & there.keys())
    a = np.array([here[p] for p in common])
    b = np.array([there[p] for p in common])
    z, w = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    if max(abs(z - z[0])) < LEAST_BASE:
        return None
    cross = np.sum((z - z.mean()) * np.conj(w - w.mean()))
    turn = complex(cross / abs(cross))
    return turn, complex(z.mean() - turn * w.mean()), float((a[:, 2] - b[:, 2]).mean())


def _rotated(loop: Loop) -> Loop:
    """Begin the loop at a setup, not at control."""
    setups = loop.setups
    start = next(i for i, setup in enumerate(setups) if setup != CONTROL)
    return replace(loop, setups=setups[start:] + setups[:start])


def _walk(loop: Loop, frames: dict[int, Frame], axis: FloatArray) -> Closure | None:
    """Carry the first frame round the loop, back onto itself; None where two marks coincide."""
    turn, shift, height = 1.0 + 0j, 0j, 0.0
    for a, b in zip(loop.setups, (*loop.setups[1:], loop.setups[0]), strict=True):
        step = _fit(frames[a], frames[b])
        if step is None:
            return None
        turn, shift, height = turn * step[0], shift + turn * step[1], height + step[2]
    stations = axis[np.array([s for s in loop.setups if s != CONTROL], dtype=np.int64), :2]
    legs = np.roll(stations, -1, axis=0) - stations
    angle = float(wrap_half(np.angle(turn)))
    return Closure(loop.setups, float(np.hypot(*legs.T).sum()), abs(shift), height, angle)
