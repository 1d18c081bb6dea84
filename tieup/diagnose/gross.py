"""Gross mistakes: so large that they cannot enter a least-squares solution.

The consensus start already stands without them. Here each is explained by trying: a
mark is split in time, a setup is split in time, two names are exchanged, and what makes
most of the gross misfits vanish is the explanation. What the start itself shows, a station
or a control value that everything else contradicts, comes next. What remains belongs to
single sights and is told apart by which of their readings are off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tieup.diagnose.adapt import adapt, shooting_order
from tieup.diagnose.case import Case, new_name
from tieup.diagnose.evidence import stack, with_misfit
from tieup.diagnose.measure import put_back
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.naming import finished, swapped_pairs
from tieup.diagnose.search import found_mistake, search
from tieup.diagnose.shots import single_readings, target_heights, wrong_targets
from tieup.diagnose.solve import Solved, solve
from tieup.errors import TieupError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

ALL = (DIRECTION, ZENITH, DISTANCE)
EACH = 25.0  # price of a reading left out, in v'Pv: what a reading 5 sd off would add
CLEARLY = 200.0  # gain in v'Pv from which a trial explains more than one wrong sight could
AS_WELL = 15.0  # trials whose costs are this close cannot be told apart
FAMILY = 1000  # hypotheses that a single sight's cause is weighed against, as in a whole job


@dataclass(frozen=True)
class Trial:
    """A case to try and the mistake that it would mean."""

    case: Case
    mistake: Mistake


def explain_gross(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Explain everything gross; return the solution without it and the mistakes."""
    found: list[Mistake] = swapped_pairs(solved, _gross_sights(solved))
    if found:
        rows = np.concatenate([mistake.rows for mistake in found])
        solved = solve(solved.case.without(rows, ALL))
    while _items(solved) > 1 or (_items(solved) and _fits_badly(solved)):
        better = _best_trial(solved)
        if better is None:
            break
        solved, mistake = better
        found.append(mistake)
    direct = [*_gross_control(solved), *_gross_stations(solved)]
    if direct:
        case = solved.case
        for mistake in direct:
            case = adapt(case, mistake)
        found += direct
        solved = solve(case)
    if solved.network.start.gross.any():
        single = single_sights(solved)
        case = solved.case.without_mask(_gross_readings(solved))
        for mistake in single:
            case = case.without(mistake.rows, mistake.kinds)
        found += single
        solved = solve(case)
    return solved, found


def _items(solved: Solved) -> int:
    """Count what is gross: sights, stations and control marks."""
    start = solved.network.start
    return (
        int(start.gross.any(axis=1).sum())
        + int(start.gross_station.any(axis=1).sum())
        + int(start.gross_control.any(axis=1).sum())
    )


def _fits_badly(solved: Solved) -> bool:
    """Say whether what is left in fits so badly that more than single sights is wrong."""
    dof = max(solved.adjustment.dof, 1)
    return solved.adjustment.weighted_sum > dof + CLEARLY + 10.0 * dof**0.5


def _cost(solved: Solved) -> float:
    """Return what does not fit: v'Pv, and a price for everything that had to be left out."""
    start = solved.network.start
    left_out = int(start.gross.sum()) + int(start.gross_station.sum())
    left_out += int(start.gross_control.sum())
    return solved.adjustment.weighted_sum + EACH * left_out


def _gross_readings(solved: Solved) -> BoolArray:
    """Return the raw components (m, 3) that are part of gross means."""
    sight = solved.reduction.pointings.sight
    return (sight >= 0)[:, None] & solved.network.start.gross[np.maximum(sight, 0)]


def _best_trial(solved: Solved) -> tuple[Solved, Mistake] | None:
    """Return the trial that leaves the least gross, if it explains more than one sight."""
    best: tuple[Solved, Mistake] | None = None
    now = least = _cost(solved)
    for trial in (*_moved_marks(solved), *_swaps(solved), *_breaks(solved)):
        try:
            tried = solve(trial.case)
        except TieupError:
            continue
        cost = _cost(tried)
        worth = _items(tried) < _items(solved) - 1 or cost < now - CLEARLY
        if not worth or not _reaches_as_far(tried, solved, trial.mistake):
            continue
        if best is not None and abs(cost - least) < AS_WELL and trial.mistake.kind == best[1].kind:
            best = (best[0], _with_rival(best[1], trial.mistake))
        elif cost < least:
            best, least = (tried, trial.mistake), cost
    if best is not None and best[1].kind == "swapped-names":
        # A swap is only tried: the shots are left out until a person says so.
        return solve(solved.case.without(best[1].rows, ALL)), best[1]
    return best


def _with_rival(mistake: Mistake, other: Mistake) -> Mistake:
    rival = RivalCause(other.kind, other.setup, other.points, np.nan, separable=False)
    return replace(mistake, rivals=(*mistake.rivals, rival))


def _reaches_as_far(tried: Solved, before: Solved, mistake: Mistake) -> bool:
    """Say whether every setup still has its place, both halves of a split one too."""
    more = 1 if mistake.kind == "instrument-moved" else 0
    reached = int(tried.network.start.plan_setup.sum())
    return reached >= int(before.network.start.plan_setup.sum()) + more


def _gross_sights(solved: Solved) -> IntArray:
    return np.flatnonzero(solved.network.start.gross.any(axis=1))


def rows_of(solved: Solved, sights: IntArray) -> IntArray:
    """Return the raw rows of the given sights."""
    return np.flatnonzero(np.isin(solved.reduction.pointings.sight, sights))


def _moved_marks(solved: Solved) -> Iterator[Trial]:
    """Split each mark with something gross about it, at every change of setup in time."""
    sights, case = solved.network.sights, solved.case
    gross = set(sights.point[_gross_sights(solved)].tolist())
    gross |= set(np.flatnonzero(solved.network.start.gross_control.any(axis=1)).tolist())
    times = setup_times(case)
    for point in sorted(gross):
        own = np.flatnonzero(sights.point == point)
        setups = np.unique(sights.setup[own])
        ordered = setups[np.argsort(times[setups], kind="stable")]
        for cut in range(1, len(ordered) if len(ordered) > 2 else 0):
            later = own[np.isin(sights.setup[own], ordered[cut:])]
            yield _split(solved, int(point), rows_of(solved, later), int(ordered[cut]))


def _split(solved: Solved, point: int, rows: IntArray, setup: int) -> Trial:
    """Return the trial that a mark lay elsewhere for ``rows``, from ``setup`` on."""
    case = solved.case
    name, label = case.points[point], case.setups[setup].label
    new = f"{name}@{label}"
    if new in case.points:
        new = new_name(new, "~", set(case.points))
    detail = f"from {label}"
    mistake = Mistake("mark-moved", "", (name,), rows, ALL, "m", detail=detail, instead=(new,))
    return Trial(case.with_renamed(rows, new), mistake)


def _swaps(solved: Solved) -> Iterator[Trial]:
    """Exchange the name of each gross sight with every other tie of its setup."""
    sights, case = solved.network.sights, solved.case
    gross = _gross_sights(solved)
    shared = np.bincount(sights.point, minlength=len(case.points)) > 1
    shared |= np.isfinite(solved.network.control[:, :2]).all(axis=1)
    done: set[tuple[int, int, int]] = set()
    for number in gross:
        setup, point = int(sights.setup[number]), int(sights.point[number])
        others = np.unique(sights.point[(sights.setup == setup) & shared[sights.point]])
        for other in others.tolist():
            key = (setup, min(point, other), max(point, other))
            if other == point or key in done:
                continue
            done.add(key)
            yield _swap(solved, setup, key[1], key[2])


def _swap(solved: Solved, setup: int, first: int, second: int) -> Trial:
    case = solved.case
    own = case.shots.setup == setup
    one, two = (np.flatnonzero(own & (case.shots.point == p)) for p in (first, second))
    names = (case.points[first], case.points[second])
    swapped = case.with_renamed(one, names[1]).with_renamed(two, names[0])
    rows = np.sort(np.concatenate([one, two]))
    label = case.setups[setup].label
    return Trial(swapped, Mistake("swapped-names", label, tuple(sorted(names)), rows, ALL, "m"))


def _breaks(solved: Solved) -> Iterator[Trial]:
    """Split each setup with gross sights between any two of its shots to marks."""
    sights, case = solved.network.sights, solved.case
    gross = _gross_sights(solved)
    order = shooting_order(case)
    shared = np.bincount(sights.point, minlength=len(case.points)) > 1
    shared |= np.isfinite(solved.network.control[:, :2]).all(axis=1)
    for setup in np.flatnonzero(np.bincount(sights.setup[gross], minlength=1) > 0).tolist():
        own = np.flatnonzero((case.shots.setup == setup) & shared[case.shots.point])
        own = own[np.argsort(order[own], kind="stable")]
        for before, row in pairwise(own.tolist()):
            if case.shots.point[before] == case.shots.point[row]:
                continue
            after = own[order[own] >= order[row]]
            label = case.setups[setup].label
            detail = f"before row {row}"
            mistake = Mistake("instrument-moved", label, (), after, ALL, "m", detail=detail)
            whole = np.flatnonzero((case.shots.setup == setup) & (order >= order[row]))
            yield Trial(case.with_split_setup(setup, whole), mistake)


def setup_times(case: Case) -> FloatArray:
    """Return the mean time of each setup (S,), or its place in the book where one has none."""
    shots, count = case.shots, len(case.setups)
    if np.isnan(shots.time).any() or not len(shots):
        return np.arange(count, dtype=np.float64)
    number = np.bincount(shots.setup, minlength=count)
    total = np.bincount(shots.setup, weights=shots.time, minlength=count)
    return np.asarray(total / np.maximum(number, 1))


def _gross_control(solved: Solved) -> list[Mistake]:
    """Return the control values that everything else contradicts."""
    network = solved.network
    found = []
    for point in np.flatnonzero(network.start.gross_control.any(axis=1)).tolist():
        detail = "".join("NEH"[k] for k in np.flatnonzero(network.start.gross_control[point]))
        sights = np.flatnonzero(network.sights.point == point)
        name = network.point_names[point]
        rows = rows_of(solved, sights)
        setups = np.unique(network.sights.setup[sights])
        rivals: tuple[RivalCause, ...] = ()
        if len(setups) == 1:  # one setup against the list: its shot is as suspect
            label = network.setup_labels[int(setups[0])]
            rivals = (RivalCause("point-name", label, (name,), np.nan, separable=False),)
        found.append(
            Mistake("control-coordinate", "", (name,), rows, ALL, "m", detail=detail, rivals=rivals)
        )
    return found


def _gross_stations(solved: Solved) -> list[Mistake]:
    """Return the occupied setups that do not stand where, or as high as, they say."""
    case, none = solved.case, np.zeros(0, dtype=np.int64)
    found = []
    for setup, (plan, height) in enumerate(solved.network.start.gross_station.tolist()):
        own = case.setups[setup]
        if plan:
            found.append(Mistake("station-name", own.label, (own.station,), none, (), "m"))
        elif height:
            found.append(Mistake("instrument-height", own.label, (own.station,), none, (), "m"))
    return found


def single_sights(solved: Solved) -> list[Mistake]:
    """Tell the remaining gross sights apart, one by one."""
    calm = solve(solved.case.without_mask(_gross_readings(solved)))
    numbers = _gross_sights(solved).tolist()
    return [mistake for number in numbers for mistake in _single(solved, calm, number)]


def _single(solved: Solved, calm: Solved, number: int) -> list[Mistake]:
    """Name one gross sight: put back, what explains its readings with the fewest mistakes?

    ``calm`` is the solution without any gross reading.
    """
    rows = rows_of(solved, np.array([number]))
    subjects, _, off = put_back(calm, rows, ALL)
    sight = int(subjects.evidence.pointings.sight[rows[0]])
    whole = (*single_readings(subjects), *target_heights(subjects), *wrong_targets(subjects))
    own = [h for h in whole if not h.detail]
    own = [h for h in own if set(subjects.evidence.pointings.sight[h.rows]) == {sight}]
    if not own:
        return []
    tested = with_misfit(stack(subjects.evidence, own), own, off[sight])
    found = [found_mistake(accepted) for accepted in search(tested, own, family=FAMILY)]
    return [finished(solved, number, rows, mistake) for mistake in found]
