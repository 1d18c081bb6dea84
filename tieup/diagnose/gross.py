"""Gross mistakes: so large that they cannot enter a least-squares solution.

The consensus start already stands without them. Here each is explained by trying: the
site is taken with a control mark freed, a mark split in time, a setup's station doubted,
and whatever makes the gross misfits vanish is the explanation. What remains belongs to
single sights and is told apart by which of their readings are off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.diagnose.case import Case, new_name
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.predict import misfit, sighted_place
from tieup.diagnose.solve import Solved, solve
from tieup.errors import TieupError
from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH

SAME_PLACE = 0.05  # m; a sight this close to another mark is a sight of that mark
HALF_TURN = np.radians(0.1)  # rad; a direction this close to 180 deg off is the other face
ALL = (DIRECTION, ZENITH, DISTANCE)


@dataclass(frozen=True)
class Trial:
    """A case to try and the mistake that it would mean."""

    case: Case
    mistake: Mistake


def explain_gross(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Explain all gross components; return the solution without them and the mistakes."""
    found: list[Mistake] = []
    while solved.network.start.gross.any():
        better = _best_trial(solved)
        if better is None:
            break
        solved, mistake = better
        found.append(mistake)
    if solved.network.start.gross.any():
        single = single_sights(solved)
        case = solved.case
        for mistake in single:
            case = case.without(mistake.rows, mistake.kinds)
        found += single
        solved = solve(case)
    return solved, found


def _best_trial(solved: Solved) -> tuple[Solved, Mistake] | None:
    """Return the trial that leaves the fewest gross sights, if it explains two or more."""
    now = _gross_sights(solved)
    best: tuple[Solved, Mistake] | None = None
    fewest = len(now) - 1
    for trial in (*_control_trials(solved), *_moved_trials(solved), *_station_trials(solved)):
        try:
            tried = solve(trial.case)
        except TieupError:
            continue
        left = len(_gross_sights(tried))
        if left < fewest and _reaches_as_far(tried, solved):
            best, fewest = (tried, trial.mistake), left
    return best


def _gross_sights(solved: Solved) -> IntArray:
    return np.flatnonzero(solved.network.start.gross.any(axis=1))


def _reaches_as_far(tried: Solved, before: Solved) -> bool:
    return int(tried.network.start.plan_setup.sum()) >= int(before.network.start.plan_setup.sum())


def _rows_of(solved: Solved, sights: IntArray) -> IntArray:
    return np.flatnonzero(np.isin(solved.reduction.pointings.sight, sights))


def _control_trials(solved: Solved) -> Iterator[Trial]:
    """Free each control mark that several setups miss."""
    sights, network = solved.network.sights, solved.network
    gross = _gross_sights(solved)
    for point in np.unique(sights.point[gross]):
        name = network.point_names[point]
        known = tuple(np.flatnonzero(np.isfinite(network.control[point])).tolist())
        if not known or len(np.unique(sights.setup[gross[sights.point[gross] == point]])) < 2:
            continue
        rows = _rows_of(solved, np.flatnonzero(sights.point == point))
        mistake = Mistake("control-coordinate", "", (name,), rows, ALL, "m", detail="NEH")
        yield Trial(solved.case.without_control(name, known), mistake)


def _moved_trials(solved: Solved) -> Iterator[Trial]:
    """Split each mark that several setups miss, at every change of setup in time."""
    sights, case = solved.network.sights, solved.case
    gross = _gross_sights(solved)
    for point in np.unique(sights.point[gross]):
        own = np.flatnonzero(sights.point == point)
        setups = np.unique(sights.setup[own])
        ordered = setups[np.argsort(setup_times(case)[setups], kind="stable")]
        if len(np.unique(sights.setup[gross[sights.point[gross] == point]])) < 2:
            continue
        for cut in range(1, len(ordered)):
            later = own[np.isin(sights.setup[own], ordered[cut:])]
            yield split_trial(solved, int(point), _rows_of(solved, later), int(ordered[cut]))


def split_trial(solved: Solved, point: int, rows: IntArray, setup: int) -> Trial:
    """Return the trial that a mark lay elsewhere for ``rows``, from ``setup`` on."""
    case = solved.case
    name, label = case.points[point], case.setups[setup].label
    new = f"{name}@{label}"
    if new in case.points:
        new = new_name(new, "~", set(case.points))
    mistake = Mistake(
        "mark-moved", "", (name,), rows, ALL, "m", detail=f"from {label}", instead=(new,)
    )
    return Trial(case.with_renamed(rows, new), mistake)


def _station_trials(solved: Solved) -> Iterator[Trial]:
    """Take each occupied setup with several gross sights as standing anywhere."""
    sights = solved.network.sights
    gross = _gross_sights(solved)
    for setup in np.unique(sights.setup[gross]):
        own = solved.case.setups[setup]
        if own.station:
            mistake = Mistake("station-name", own.label, (own.station,), np.zeros(0, int), (), "m")
            yield Trial(solved.case.without_station(int(setup)), mistake)


def setup_times(case: Case) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the mean time of each setup (S,), or its place in the book where one has none."""
    shots, count = case.shots, len(case.setups)
    if np.isnan(shots.time).any() or not len(shots):
        return np.arange(count, dtype=np.float64)
    number = np.bincount(shots.setup, minlength=count)
    total = np.bincount(shots.setup, weights=shots.time, minlength=count)
    return np.asarray(total / np.maximum(number, 1))


def single_sights(solved: Solved) -> list[Mistake]:
    """Tell the remaining gross sights apart, one by one."""
    gross = solved.network.start.gross
    numbers = _gross_sights(solved)
    swapped = _swapped(solved, numbers)
    done = {int(n) for mistake in swapped for n in solved.reduction.pointings.sight[mistake.rows]}
    found = list(swapped)
    for number in numbers:
        if int(number) not in done:
            found.append(_single(solved, int(number), gross[number]))
    return found


def _single(solved: Solved, number: int, gross: BoolArray) -> Mistake:
    """Name one gross sight by the readings that are off."""
    sights, case = solved.network.sights, solved.case
    label = case.setups[sights.setup[number]].label
    name = case.points[sights.point[number]]
    rows = _rows_of(solved, np.array([number]))
    off = np.flatnonzero(gross)
    if len(off) > 1 or (gross[DIRECTION] and gross[DISTANCE]):
        return _wrong_target(solved, number, rows)
    kind = int(off[0])
    if kind == ZENITH:
        return Mistake("target-height", label, (name,), rows, (ZENITH,), "m")
    if kind == DIRECTION:
        turn = misfit(sights, solved.adjustment, case.refraction)[number, DIRECTION]
        if abs(wrap_half(turn - np.pi)) < HALF_TURN:
            return Mistake("face", label, (name,), rows, (DIRECTION,), "rad")
    unit = "m" if kind == DISTANCE else "rad"
    return Mistake(KINDS[kind], label, (name,), rows, (kind,), unit)


def _wrong_target(solved: Solved, number: int, rows: IntArray) -> Mistake:
    """Name the mark that a sight really saw, where one lies there."""
    sights, case = solved.network.sights, solved.case
    label = case.setups[sights.setup[number]].label
    name = case.points[sights.point[number]]
    kind = "backsight" if "backsight" in set(case.shots.role[rows]) else "point-name"
    return Mistake(kind, label, (name,), rows, ALL, "m", instead=seen_instead(solved, number))


def seen_instead(solved: Solved, number: int) -> tuple[str, ...]:
    """Return the name of the point at which a sight arrived, nothing where there is none."""
    sights = solved.network.sights
    place = sighted_place(sights, solved.adjustment, solved.case.refraction)[number]
    position = solved.adjustment.position
    away = np.where(np.isfinite(position[:, :2]), position[:, :2] - place[:2], np.inf)
    distance = np.hypot(away[:, 0], away[:, 1])
    distance[sights.point[number]] = np.inf
    if not len(distance) or not np.isfinite(distance).any():
        return ()
    nearest = int(np.argmin(distance))
    return (solved.case.points[nearest],) if distance[nearest] < SAME_PLACE else ()


def _swapped(solved: Solved, numbers: IntArray) -> list[Mistake]:
    """Return the pairs of gross sights of a setup that each arrived at the other's mark."""
    sights, case = solved.network.sights, solved.case
    found: list[Mistake] = []
    used: set[int] = set()
    names = {int(n): seen_instead(solved, int(n)) for n in numbers}
    for first in names:
        for second in names:
            if second <= first or {first, second} & used:
                continue
            same = sights.setup[first] == sights.setup[second]
            own = [case.points[sights.point[n]] for n in (first, second)]
            if same and names[first] == (own[1],) and names[second] == (own[0],):
                used |= {first, second}
                rows = _rows_of(solved, np.array([first, second]))
                label = case.setups[sights.setup[first]].label
                found.append(Mistake("swapped-names", label, tuple(sorted(own)), rows, ALL, "m"))
    return found
