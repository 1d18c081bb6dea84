"""What to try when something is gross: a mark split, a setup split, names exchanged, a sight out.

Each trial is a case to solve and the mistake it would mean. `tieup.diagnose.gross.gross` chooses.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np

from tieup.diagnose.basis.case import Case, new_name
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.catalogue import taken_out
from tieup.diagnose.kinds.control_coordinate import CONTROL_COORDINATE
from tieup.diagnose.kinds.kind import ALL
from tieup.diagnose.kinds.mark_moved import MARK_MOVED, since
from tieup.diagnose.kinds.movements import FEWEST, INSTRUMENT_MOVED
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.kinds.readings import DIRECTION_READING
from tieup.diagnose.kinds.swapped_names import SWAPPED_NAMES
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.observations import DIRECTION
from tieup.reduce.deviations import centred
from tieup.reduce.target_visits import runs_at_marks, setup_times, shooting_order

PLAN = "NE"  # the coordinates of a control mark that a gross sight in plan speaks of
FEW = 4  # control marks that are all tried
TORN = 10.0  # sds; pointings of one sight this far apart may belong to two orientations


@dataclass(frozen=True)
class Trial:
    """A case to try and the mistake that it would mean.

    ``price`` is what the mistake must be worth in v'Pv; ``new_setups`` how many setups more
    there are to place. ``sight_out``: a sight is out as a whole, and what is wrong with it is to be
    told. ``exchange``: names are exchanged, which is only tried.
    """

    case: Case
    mistake: Mistake
    price: float
    new_setups: int = 0
    sight_out: bool = False
    exchange: bool = False


def all_trials(solved: Solved) -> Iterator[Trial]:
    """Return everything worth trying."""
    yield from _sights_out(solved)
    yield from _directions_out(solved)
    yield from _moved_marks(solved)
    yield from listed_wrong(solved)
    yield from _swaps(solved)
    yield from _breaks(solved)


def _sights_out(solved: Solved) -> Iterator[Trial]:
    """Leave out each gross sight as a whole."""
    sights, case = solved.network.sights, solved.case
    for number in gross_sights(solved).tolist():
        rows = rows_of(solved, np.array([number]))
        label = case.setups[sights.setup[number]].label
        name = case.points[sights.point[number]]
        mistake = POINT_NAME.mistake(label, (name,), rows)
        yield Trial(case.without(rows, ALL), mistake, 75.0, sight_out=True)


def _directions_out(solved: Solved) -> Iterator[Trial]:
    """Leave out the direction of each torn look.

    At an end a turned instrument looks the same: `tieup.diagnose.kinds.knock_span` says so.
    """
    case, sight = solved.case, solved.reduction.pointings.sight
    for number in np.unique(sight[_torn(solved)]).tolist():
        rows = rows_of(solved, np.array([number]))
        setup, point = int(case.shots.setup[rows[0]]), int(case.shots.point[rows[0]])
        label, name = case.setups[setup].label, case.points[point]
        mistake = DIRECTION_READING.mistake(label, (name,), rows)
        yield Trial(case.without(rows, (DIRECTION,)), mistake, 25.0, sight_out=True)


def _to_ties(solved: Solved, setup: int) -> IntArray:
    """Return the rows of a setup to marks that others saw or the list holds, in shooting order."""
    sights, shots = solved.network.sights, solved.case.shots
    shared = np.bincount(sights.point, minlength=len(solved.case.points)) > 1
    shared |= np.isfinite(solved.network.control[:, :2]).all(axis=1)
    own = np.flatnonzero((shots.setup == setup) & shared[shots.point])
    return own[np.argsort(shooting_order(shots)[own], kind="stable")]


def gross_sights(solved: Solved) -> IntArray:
    """Return the numbers of the sights with a gross component."""
    return np.flatnonzero(solved.network.start.gross.any(axis=1))


def rows_of(solved: Solved, sights: IntArray) -> IntArray:
    """Return the raw rows of the given sights."""
    return np.flatnonzero(np.isin(solved.reduction.pointings.sight, sights))


def _moved_marks(solved: Solved) -> Iterator[Trial]:
    """Split each mark with something gross about it, at every change of setup in time."""
    sights, case = solved.network.sights, solved.case
    gross = set(sights.point[gross_sights(solved)].tolist())
    gross |= set(np.flatnonzero(solved.network.start.gross_control.any(axis=1)).tolist())
    times = setup_times(case.shots, len(case.setups))
    for point in sorted(gross):
        own = np.flatnonzero(sights.point == point)
        setups = np.unique(sights.setup[own])
        ordered = setups[np.argsort(times[setups], kind="stable")]
        for cut in range(1, len(ordered) if len(own) > 2 else 0):
            later = own[np.isin(sights.setup[own], ordered[cut:])]
            yield _split(solved, int(point), rows_of(solved, later), int(ordered[cut]))


def listed_wrong(solved: Solved) -> Iterator[Trial]:
    """Take each control mark with something gross about it as not known in plan.

    A list that contradicts itself spoils sights all over the site; where it is short, any of its
    marks may be the one.
    """
    case, network, start = solved.case, solved.network, solved.network.start
    if case.datum.kind != "control":
        return
    sights, station = network.sights, network.station
    gross = gross_sights(solved)
    about = {*sights.point[gross].tolist(), *station[sights.setup[gross]].tolist()}
    about |= {*np.flatnonzero(start.gross_control[:, :2].any(axis=1)).tolist()}
    about |= {*station[start.gross_station[:, 0]].tolist()}
    known = {*np.flatnonzero(np.isfinite(network.control[:, :2]).all(axis=1)).tolist()}
    for point in sorted(known if about and len(known) <= FEW else about & known):
        rows = np.flatnonzero(case.shots.point == point)
        mistake = CONTROL_COORDINATE.mistake("", (network.point_names[point],), rows)
        mistake = replace(mistake, detail=PLAN)
        yield Trial(taken_out(case, mistake), mistake, 30.0)


def _split(solved: Solved, point: int, rows: IntArray, setup: int) -> Trial:
    """Return the trial that a mark lay elsewhere for ``rows``, from ``setup`` on."""
    case = solved.case
    name, label = case.points[point], case.setups[setup].label
    new = f"{name}@{label}"
    if new in case.points:
        new = new_name(new, "~", set(case.points))
    mistake = replace(MARK_MOVED.mistake("", (name,), rows), detail=since(label), instead=(new,))
    return Trial(case.with_renamed(rows, new), mistake, 30.0)


def _swaps(solved: Solved) -> Iterator[Trial]:
    """Exchange the name of each gross sight with every other tie of its setup."""
    sights, case = solved.network.sights, solved.case
    gross = gross_sights(solved)
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
            yield _swap(solved, *key)


def exchanges(solved: Solved) -> Iterator[Trial]:
    """Exchange two marks that both have a gross sight, in every setup that sights both.

    A mark that two setups saw may have been placed by the one that exchanged the names: then
    the good sight of the other setup is the one that looks gross.
    """
    sights = solved.network.sights
    marks = np.unique(sights.point[gross_sights(solved)]).tolist()
    for first, second in combinations(marks, 2):
        there = (sights.setup[sights.point == point] for point in (first, second))
        yield from (_swap(solved, int(s), first, second) for s in np.intersect1d(*there))


def _swap(solved: Solved, setup: int, first: int, second: int) -> Trial:
    case = solved.case
    own = case.shots.setup == setup
    one, two = (np.flatnonzero(own & (case.shots.point == p)) for p in (first, second))
    names = (case.points[first], case.points[second])
    swapped = case.with_renamed(one, names[1]).with_renamed(two, names[0])
    rows = np.sort(np.concatenate([one, two]))
    label = case.setups[setup].label
    return Trial(swapped, SWAPPED_NAMES.of_pair(label, names, rows), 20.0, exchange=True)


def _breaks(solved: Solved) -> Iterator[Trial]:
    """Split each setup with gross or torn sights between any two of its shots to marks."""
    sights, case = solved.network.sights, solved.case
    order, run = shooting_order(case.shots), runs_at_marks(case.shots)
    suspects = set(sights.setup[gross_sights(solved)].tolist())
    suspects |= set(case.shots.setup[_torn(solved)].tolist())
    for setup in sorted(suspects):
        own = _to_ties(solved, setup)
        for before, row in pairwise(own.tolist()):
            if run[before] == run[row]:
                continue
            after = own[order[own] >= order[row]]
            marks = (case.shots.point[after], case.shots.point[own[order[own] < order[row]]])
            if min(len(np.unique(part)) for part in marks) < FEWEST:
                continue  # one look places no instrument
            label = case.setups[setup].label
            mistake = replace(
                INSTRUMENT_MOVED.mistake(label, (), after), detail=f"before row {row}"
            )
            whole = np.flatnonzero((case.shots.setup == setup) & (order >= order[row]))
            yield Trial(case.with_split_setup(setup, whole), mistake, 35.0, new_setups=1)


def _torn(solved: Solved) -> BoolArray:
    """Return the rows (m,) whose direction is far from the others to the same mark."""
    pointings, sights = solved.reduction.pointings, solved.network.sights
    torn = np.zeros(len(pointings.sight), dtype=bool)
    known = (pointings.sight >= 0) & np.isfinite(pointings.corrected[:, DIRECTION])
    rows = np.flatnonzero(known)
    away = centred(pointings.corrected[rows, DIRECTION], pointings.look[rows], circular=True)
    torn[rows] = np.abs(away) > TORN * sights.pointing_sd[pointings.sight[rows], DIRECTION]
    return torn
