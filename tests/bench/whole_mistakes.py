"""Mistakes that are in many readings of a day at once, and how often each is named as what it is.

    python -m tests.bench.whole_mistakes [turn tilt ...] [--jobs 200] [--first 0]

    turn      a setup's instrument turned by 180" before its side shots: closing looks see it
    tilt      the vertical axis of a setup leans by 20"; tilt-60: by 60"
    prism     a prism of another constant (30 mm) at one mark, in all looks of a setup at it
    pole      one pole height 50 mm off at one mark, in all looks of a setup at it
    poles     all poles of a setup over a mark booked 20 mm off
    control   one of three control marks 20 mm off
    scale     all distances too long by 20 to 500 ppm: a grid or height factor, a wrong setting

For each: jobs in which a finding names it (kind and place right), in which one has it as a rival
that cannot be told apart, in which none speaks of it, and stops that are about something else. A
scale within the limits across the marks is a note, and counts as named. Of the jobs in which none
speaks of it: how many heights of that setup's own points lie in their 95 % interval.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from tests.bench.days import SECOND, Day, Row, draw_day
from tests.bench.grounds import FloatArray, Rng
from tests.bench.outcomes import Outcome, reconciled
from tests.bench.worlds import world_of
from tieup.errors import TieupError
from tieup.model.finding import Finding

SEED = 20
TURN = 180.0 * SECOND
PRISM, POLE, POLES, CONTROL = 0.030, 0.050, 0.020, 0.020  # m
SCALES = (20e-6, 500e-6)


@dataclass(frozen=True)
class Truth:
    """The mistake of a day: kinds of finding that name it, its setup and its point, or empty."""

    kinds: frozenset[str]
    setup: str
    point: str
    size: float

    def names(self, kind: str, setup: str, points: tuple[str, ...]) -> bool:
        """Say whether a kind with its place is this mistake."""
        if kind not in self.kinds or (self.setup and setup != self.setup):
            return False
        return not self.point or self.point in points


Planter = Callable[[Rng, Day], tuple[Day, Truth] | None]


def with_errors(day: Day, rows: list[int], change: FloatArray) -> Day:
    """Return the day with ``change`` (k, 3) added to direction, zenith, distance of some rows."""
    own = list(day.rows)
    for k, more in zip(rows, change, strict=True):
        own[k] = replace(own[k], pointing=own[k].pointing + more)
    return replace(day, rows=tuple(own))


def _rows_of(day: Day, bay: int) -> list[int]:
    return [k for k, row in enumerate(day.rows) if row.bay == bay]


def _turn(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    bay = int(rng.integers(len(day.ground.bays)))
    own = _rows_of(day, bay)
    first = next(k for k in own if day.rows[k].role == "side")
    after = [k for k in own if k >= first]
    angle = TURN * rng.choice([-1.0, 1.0])
    label = day.ground.bays[bay].label
    truth = Truth(frozenset({"instrument-moved"}), label, "", angle)
    return with_errors(day, after, np.tile([angle, 0.0, 0.0], (len(after), 1))), truth


def _tilt(size: float, rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    bay = int(rng.integers(len(day.ground.bays)))
    own, way = _rows_of(day, bay), rng.uniform(0.0, 2.0 * np.pi)
    lean = size * np.array([np.cos(way), np.sin(way)])
    change = np.array([_leant(day, day.rows[k], lean) for k in own])
    label = day.ground.bays[bay].label
    return with_errors(day, own, change), Truth(frozenset({"axis-tilt"}), label, "", size)


def _leant(day: Day, row: Row, lean: FloatArray) -> FloatArray:
    """Return what a lean (N, E) of the axis, rad, adds to direction and zenith angle of a row.

    The line of sight is turned by the small rotation that brings the leaning axis upright.
    """
    line = day.ground.places[row.point] - day.ground.bays[row.bay].axis
    north, east, up = line
    seen = line + np.array([-lean[0] * up, -lean[1] * up, lean[0] * north + lean[1] * east])
    level = np.hypot(line[0], line[1])
    direction = np.arctan2(seen[1], seen[0]) - np.arctan2(east, north)
    zenith = np.arctan2(np.hypot(seen[0], seen[1]), seen[2]) - np.arctan2(level, up)
    return np.array([np.arctan2(np.sin(direction), np.cos(direction)), zenith, 0.0])


def _looked_at_again(rng: Rng, day: Day) -> tuple[int, str, list[int]] | None:
    """Draw a setup and a mark that it looks at more than once, with the rows."""
    looks: dict[tuple[int, str], list[int]] = {}
    for k in day.shared():
        looks.setdefault((day.rows[k].bay, day.rows[k].point), []).append(k)
    able = [(bay, point, rows) for (bay, point), rows in looks.items() if len(rows) > 1]
    return able[int(rng.integers(len(able)))] if able else None


def _prism(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    found = _looked_at_again(rng, day)
    if found is None:
        return None
    bay, point, rows = found
    size = PRISM * rng.choice([-1.0, 1.0])
    kinds = frozenset({"prism-constant", "distance"})
    truth = Truth(kinds, day.ground.bays[bay].label, point, size)
    return with_errors(day, rows, np.tile([0.0, 0.0, size], (len(rows), 1))), truth


def _pole(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    found = _looked_at_again(rng, day)
    if found is None:
        return None
    bay, point, rows = found
    size = POLE * rng.choice([-1.0, 1.0])
    label = day.ground.bays[bay].label
    return _booked(day, rows, size), Truth(frozenset({"target-height"}), label, point, size)


def _booked(day: Day, rows: list[int], size: float) -> Day:
    own = list(day.rows)
    for k in rows:
        own[k] = replace(own[k], booked=own[k].booked + size)
    return replace(day, rows=tuple(own))


def _poles(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    over = [k for k, bay in enumerate(day.ground.bays) if bay.station]
    if not over:
        return None
    bay = int(rng.choice(over))
    size = POLES * rng.choice([-1.0, 1.0])
    kinds = frozenset({"target-height", "instrument-height"})
    label = day.ground.bays[bay].label
    return _booked(day, _rows_of(day, bay), size), Truth(kinds, label, "", size)


def _control(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    if not day.control:
        return None
    point, way = str(rng.choice(sorted(day.control))), rng.uniform(0.0, 2.0 * np.pi)
    shift = CONTROL * np.array([np.cos(way), np.sin(way), 0.0])
    control = {**day.control, point: day.control[point] + shift}
    return replace(day, control=control), Truth(
        frozenset({"control-coordinate"}), "", point, CONTROL
    )


def _scale(rng: Rng, day: Day) -> tuple[Day, Truth] | None:
    if not day.control:
        return None
    size = float(np.exp(rng.uniform(*np.log(SCALES)))) * rng.choice([-1.0, 1.0])
    kinds = frozenset({"control-scale", "distance-scale"})
    return replace(day, world=replace(day.world, ppm=1e6 * size)), Truth(kinds, "", "", size)


PLANTERS: dict[str, tuple[Planter, tuple[str, ...]]] = {
    "turn": (_turn, ("closing-reset", "closing-far-reset")),
    "tilt": (partial(_tilt, 20.0 * SECOND), ("stated", "fine", "500-m")),
    "tilt-60": (partial(_tilt, 60.0 * SECOND), ("stated", "fine", "500-m")),
    "prism": (_prism, ("closing-reset", "rounds-reset")),
    "pole": (_pole, ("closing-reset", "rounds-reset")),
    "poles": (_poles, ("stated",)),
    "control": (_control, ("three-marks",)),
    "scale": (_scale, ("100-m", "500-m", "2-km", "2-km+fine", "5-km", "5-km+fine")),
}


@dataclass
class Count:
    """What came of the days with one mistake."""

    jobs: int = 0
    named: int = 0
    rival: int = 0
    missed: int = 0
    beside: int = 0
    refused: int = 0
    covered: int = 0
    heights: int = 0


def judged(outcome: Outcome, truth: Truth) -> tuple[bool, bool, list[Finding]]:
    """Return whether a finding names the mistake, has it as a rival, and stops about others."""
    told = [f for f in outcome.result.findings if f.severity != "note" or not truth.point]
    named = [f for f in told if truth.names(f.kind, f.setup, f.points)]
    rival = [
        f
        for f in told
        if any(not r.separable and truth.names(r.kind, r.setup, r.points) for r in f.rivals)
    ]
    own = named or rival
    return bool(named), bool(rival), [f for f in outcome.stops if f not in own]


def covered(outcome: Outcome, setup: str) -> NDArray[np.bool_]:
    """Return which heights of side points of ``setup`` (of all: "") are in their interval."""
    day, interval = outcome.day, outcome.column("elevation_interval")
    own = {
        row.point
        for row in day.rows
        if row.role == "side" and setup in ("", day.ground.bays[row.bay].label)
    }
    off = {name: error[2] for name, error in outcome.errors().items() if name in own}
    return np.array([abs(error) <= interval[name] for name, error in off.items()], dtype=bool)


def main() -> None:
    """Count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("mistakes", nargs="*", default=list(PLANTERS))
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    for name in given.mistakes:
        plant, settings = PLANTERS[name]
        for setting in settings:
            _count(name, plant, setting, range(given.first, given.first + given.jobs))


def _count(name: str, plant: Planter, setting: str, jobs: range) -> None:
    count, said = Count(), Counter[str]()
    for job in jobs:
        planted = plant(np.random.default_rng([SEED, job]), draw_day(world_of(setting), SEED, job))
        if planted is None:
            continue
        day, truth = planted
        count.jobs += 1
        try:
            outcome = reconciled(day)
            named, rival, others = judged(outcome, truth)
        except TieupError as error:
            count.refused += 1
            said[f"refused: {str(error)[:60]}"] += 1
            continue
        count.named += named
        count.rival += rival and not named
        if not named and not rival:
            inside = covered(outcome, truth.setup)
            count.missed += 1
            count.covered += int(inside.sum())
            count.heights += len(inside)
        count.beside += bool(others)
        said.update({f.kind for f in others})
    good = (count.named + count.rival) / max(count.jobs, 1)
    print(
        f"{name} {setting}: {count.jobs} jobs, named {count.named}, rival {count.rival}, "
        f"missed {count.missed}, refused {count.refused}, good {100 * good:.1f} %; "
        f"stops beside it in {count.beside}: {dict(said.most_common(6))}; where missed, "
        f"{count.covered} of {count.heights} heights in their interval",
        flush=True,
    )


if __name__ == "__main__":
    main()
