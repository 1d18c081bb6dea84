"""One name for two places: numbers that began again at each setup.

Side shots of two setups under one name, far apart, are two points. They are renamed
``name@setup``, all of them, so that nobody takes one for the other, and never averaged. A
shared point with a blunder is something else: it is one name among many that agree, it is
a mark rather than a side shot, or the shot lies on another known point.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case, new_name
from tieup.diagnose.basis.convention_signs import GROSS_SHARE, shared_points
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved, assemble
from tieup.diagnose.names.name_clusters import Cluster, Group, anchored, by_later_setup, clusters_of
from tieup.diagnose.names.name_visits import SIDE, NameVisits, visits_of
from tieup.diagnose.names.repeated_numbers import split_twice
from tieup.errors import TieupError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.network import Network


def split_collisions(solved: Solved) -> tuple[Case, list[Mistake]]:
    """Tell apart the points that share a name; return the case with them renamed.

    Where setups cannot be tied because their numbers clash, their side shots are first
    taken as points of their own; names that then turn out to agree stay as they were.
    A number used twice within a setup becomes two points as well.
    """
    case, within = split_twice(solved)
    reduction, network = solved.reduction, solved.network
    if within:
        reduction, network = assemble(case)
    if not network.start.gross.any() and network.start.plan_setup.all():
        return case, within
    visits = visits_of(case, reduction, network)
    case, between = _told_apart(case, *_seen_apart(case, visits, network))
    return case, between + within


def split_unsolved(case: Case) -> tuple[Case, list[Mistake]]:
    """Tell apart the points that share a name in a case that cannot be solved as it stands."""
    apart = names_apart(case, np.arange(len(case.setups)))
    if apart is case:
        return case, []
    try:
        reduction, network = assemble(apart)
    except TieupError:
        return case, []
    return _told_apart(case, visits_of(case, reduction, network), network)


def _told_apart(case: Case, visits: NameVisits, network: Network) -> tuple[Case, list[Mistake]]:
    clusters = clusters_of(network, visits)
    found: list[Mistake] = []
    renamed: dict[tuple[int, int], str] = {}
    for setup, points in by_later_setup(clusters).items():
        group = Group(case, visits, clusters, setup, tuple(points))
        chosen = group.collided()
        if chosen and all(anchored(network, group, one) for one in group.parties(chosen)):
            for point in chosen:
                renamed |= _new_names(case, clusters[point], visits)
            found.append(group.mistake(chosen, renamed))
    return _with_names(case, renamed), found


def _seen_apart(case: Case, visits: NameVisits, network: Network) -> tuple[NameVisits, Network]:
    """Return visits and network with side shots apart, where setups stand better so.

    Strings of like shape, numbered alike, can agree with each other better than the few marks
    that a setup really shares.
    """
    wrong = _astray(network, visits)
    if not wrong.any():
        return visits, network
    for setups in (np.flatnonzero(wrong), np.arange(len(case.setups))):
        apart = names_apart(case, setups)
        if apart is case:
            continue
        try:
            reduction, tried = assemble(apart)
        except TieupError:
            continue
        seen = visits_of(case, reduction, tried)
        if _astray(tried, seen).sum() < wrong.sum():
            return seen, tried
    return visits, network


def _astray(network: Network, visits: NameVisits) -> BoolArray:
    """Tell which setups (S,) miss many of their marks, side shots not counted."""
    count = len(network.setup_labels)
    named = shared_points(network)[network.sights.point] & ~visits.side
    missed = network.start.gross.any(axis=1) & named
    of_named = np.bincount(visits.setup[named], minlength=count)
    of_missed = np.bincount(visits.setup[missed], minlength=count)
    wrong = (of_missed > 0) & (of_missed >= GROSS_SHARE * of_named)
    return np.asarray(wrong | ~network.start.plan_setup)


def names_apart(case: Case, setups: IntArray) -> Case:
    """Return the case with the side shots of some setups under names of their own.

    Names of control and of occupied marks stay.
    """
    shots = case.shots
    known = {*(case.control.names if case.control else ()), *(s.station for s in case.setups)}
    free = np.array([name not in known for name in case.points], dtype=bool)
    free &= _in_several_setups(case)
    rows = np.flatnonzero((shots.role == SIDE) & free[shots.point] & np.isin(shots.setup, setups))
    pairs = np.unique(np.column_stack([shots.setup[rows], shots.point[rows]]), axis=0)
    labels = [case.setups[s].label for s in pairs[:, 0]]
    names = (f"{case.points[p]}@{label}" for p, label in zip(pairs[:, 1], labels, strict=True))
    return _with_names(case, dict(zip(map(tuple, pairs.tolist()), names, strict=True)))


def _in_several_setups(case: Case) -> BoolArray:
    """Tell which names (P,) the rows of several setups carry."""
    shots, count = case.shots, len(case.points)
    first = np.full(count, len(case.setups), dtype=np.int64)
    last = np.full(count, -1, dtype=np.int64)
    np.minimum.at(first, shots.point, shots.setup)
    np.maximum.at(last, shots.point, shots.setup)
    return np.asarray(last > first)


def _with_names(case: Case, renamed: dict[tuple[int, int], str]) -> Case:
    """Return the case with new names for all rows of some (setup, point) pairs."""
    if not renamed:
        return case
    names = tuple(dict.fromkeys(renamed.values()))
    number = {name: len(case.points) + i for i, name in enumerate(names)}
    shots, width = case.shots, len(case.points)
    pairs = sorted(
        (setup * width + point, number[name]) for (setup, point), name in renamed.items()
    )
    keys, numbers = np.array(pairs, dtype=np.int64).T
    key = shots.setup * width + shots.point
    place = np.minimum(np.searchsorted(keys, key), len(keys) - 1)
    point = np.where(keys[place] == key, numbers[place], shots.point)
    return replace(case, points=(*case.points, *names), shots=replace(shots, point=point))


def _new_names(case: Case, places: list[Cluster], visits: NameVisits) -> dict[tuple[int, int], str]:
    """Return a name for each visit of a name that is several, known marks kept."""
    renamed = {}
    for cluster in places:
        for visit in cluster.visits if cluster.owner >= 0 else ():
            point = int(visits.point[visit])
            name = f"{case.points[point]}@{case.setups[cluster.owner].label}"
            taken = set(case.points)
            unused = new_name(name, "~", taken) if name in taken else name
            renamed[int(visits.setup[visit]), point] = unused
    return renamed
