"""What could not be reached, and why, in the trade's words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.observations import DISTANCE
from tieup.network.rigid import SHORTEST_BASE
from tieup.sentences import listed

FEW = 6  # names written out before "and n more"


@dataclass(frozen=True)
class Unreached:
    """A group of setups, tied among themselves, that is not part of the solution.

    ``setups``: their labels. ``points``: names sighted or occupied by no setup of the
    solution and by one of these. ``shared``: marks of the solution that they sight or
    occupy. ``reason`` is one of "no shared mark", "one shared mark", "too few
    observations", "marks disagree". ``says`` and ``cure`` are sentences for a finding.
    """

    setups: tuple[str, ...]
    points: tuple[str, ...]
    shared: tuple[str, ...]
    reason: str
    says: str
    cure: str


@dataclass(frozen=True)
class Unlocated:
    """A mark that setups of the solution sighted, but not enough to place it in plan."""

    point: str
    setups: tuple[str, ...]
    says: str
    cure: str


def unreached(network: Network) -> tuple[Unreached, ...]:
    """Describe every component but the solved one, in order of their numbers."""
    setup, point, measured = _visits(network)
    component = network.start.component
    numbers = np.unique(component[component > 0]).tolist()  # some are left by their setups
    solved = network.start.plan_point
    return tuple(
        _describe(network, number, component[setup] == number, point, measured, solved)
        for number in numbers
    )


def unlocated(network: Network) -> tuple[Unlocated, ...]:
    """Describe the marks that only rays without distance, or too few of them, have seen."""
    setup, point, _ = _visits(network)
    open_mark = ~network.start.plan_point[point] & network.start.plan_setup[setup]
    order = np.lexsort((setup[open_mark], point[open_mark]))
    setup, point = setup[open_mark][order], point[open_mark][order]
    marks, starts = np.unique(point, return_index=True)
    result = []
    for mark, seen in zip(marks.tolist(), np.split(setup, starts)[1:], strict=True):
        labels = tuple(network.setup_labels[s] for s in dict.fromkeys(seen.tolist()))
        name = network.point_names[mark]
        says = (
            f"{name} is sighted from {listed(labels, FEW, 'and')} without a distance and a "
            "direction together, and no second setup fixes it: it has no coordinates"
        )
        result.append(Unlocated(name, labels, says, f"Measure a distance to {name}"))
    return tuple(result)


def _visits(network: Network) -> tuple[IntArray, IntArray, BoolArray]:
    """Return setup and point of every sight and occupation, and whether it has a distance."""
    over = np.flatnonzero(network.station >= 0)
    sights = network.sights
    used = np.flatnonzero(np.isfinite(sights.value).any(axis=1))
    measured = np.isfinite(sights.value[used, DISTANCE])
    return (
        np.concatenate([sights.setup[used], over]),
        np.concatenate([sights.point[used], network.station[over]]),
        np.concatenate([measured, np.ones(len(over), np.bool_)]),
    )


def _describe(
    network: Network,
    number: int,
    inside: BoolArray,
    point: IntArray,
    measured: BoolArray,
    solved: BoolArray,
) -> Unreached:
    members = np.flatnonzero(network.start.component == number).tolist()
    labels = tuple(network.setup_labels[m] for m in members)
    seen = np.unique(point[inside])
    names = network.point_names
    common = seen[solved[seen]]
    shared = tuple(sorted(names[p] for p in common))
    own = tuple(sorted(names[p] for p in seen[~solved[seen]]))
    with_distance = len(np.unique(point[inside & measured & solved[point]]))
    reason = _reason(len(shared), with_distance, _extent(network.start.position[common, :2]))
    who = f"setup {labels[0]}" if len(labels) == 1 else f"setups {listed(labels, FEW, 'and')}"
    says = _sentence(network, reason, who, len(labels), shared)
    return Unreached(labels, own, shared, reason, says, _cure(reason, who, shared))


def _extent(places: FloatArray) -> float:
    """Return the largest distance between any of the places and the first (m)."""
    return float(np.hypot(*(places - places[:1]).T).max(initial=0.0))


def _reason(shared: int, with_distance: int, extent: float) -> str:
    if shared == 0:
        return "no shared mark"
    if shared == 1 or extent < SHORTEST_BASE:
        return "one shared mark"
    return "too few observations" if with_distance < 2 else "marks disagree"


def _rest(network: Network, others: int, *, all_others: bool) -> str:
    """Name the setups that are solved together: all others, or only some of them."""
    if others == 1:
        return "setup " + network.setup_labels[int((network.start.component == 0).argmax())]
    return f"the other {others} setups" if all_others else f"the {others} setups tied together"


def _sentence(network: Network, reason: str, who: str, count: int, shared: tuple[str, ...]) -> str:
    """Say why a group is not tied."""
    others = int((network.start.component == 0).sum())
    rest = _rest(network, others, all_others=others + count == len(network.setup_labels))
    one, marks = count == 1, listed(shared, FEW, "and")
    if reason == "no shared mark":
        share, sight = ("shares", "sights") if one else ("share", "sight")
        known = bool(np.isfinite(network.control).any())
        return f"{who} {share} no mark with {rest}" + (f" and {sight} no control" if known else "")
    if reason == "one shared mark":
        tied = "is tied" if one else "are tied"
        if len(shared) == 1:
            return f"{who} {tied} to {rest} by {shared[0]} alone and can swing about it"
        by = f"{marks} alone, which stand too close together, and can swing about them"
        return f"{who} {tied} to {rest} by {by}"
    if reason == "too few observations":
        see = "sights" if one else "sight"
        return f"{who} {see} {marks} with too few angles and distances to be placed"
    place = "places" if one else "place"
    return f"{who} {place} {marks} otherwise than {rest}: no two marks agree beyond doubt"


def _cure(reason: str, who: str, shared: tuple[str, ...]) -> str:
    if reason == "no shared mark":
        return "Shoot two shared marks or more, or name one: decisions: rename"
    if reason == "one shared mark":
        beside = listed(shared, FEW, "and")
        return f"Shoot a shared mark well away from {beside}, or name one: decisions: rename"
    if reason == "too few observations":
        return f"Measure directions and distances from {who} to two shared marks or more"
    return f"Check the point names of {who}; shoot {listed(shared, FEW, 'and')} again"
