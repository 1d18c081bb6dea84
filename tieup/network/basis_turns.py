"""Start values of the turns of bases of bearings: what is added to the azimuths of each.

Azimuths and distances of one basis place its marks by themselves, in a frame that is turned.
Laid on marks that are known, by control or by what the other readings place, they show the turn;
bases that share marks are laid on each other first. Azimuths alone show it by the shape of their
net. Where they place nothing so, they are taken as circle readings of their setups.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tieup.errors import NetworkError
from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.observations import DIRECTION, Sights
from tieup.network.assembly import Assembly
from tieup.network.azimuth_shapes import turn_by_shape
from tieup.network.horizontal_lines import NOWHERE, HorizontalLines, place_nodes, plan_lines
from tieup.network.polar_sets import PLAIN
from tieup.network.rigid import ComplexArray

MOST_MARKS = 40  # common marks of which every pair is compared
SETTLED = 1e-6  # rad; a start turn this near is as good as any
ROUNDS = 3

UNSHOWN = (
    "azimuths: in job.yaml gives the azimuths an unknown turn, and nothing shows it: it takes two "
    "known marks with an azimuth between them, or with lines of azimuth and distance from one to "
    "the other. Sight a second known mark, or say azimuths: grid where they run from grid north"
)

Build = Callable[[Sights], Network]


def network_of_bases(
    assembly: Assembly, horizontal: FloatArray, build: Build, *, floats: bool
) -> Network:
    """Build the network of a job with bases of bearings, with the start value of their turns.

    ``horizontal`` (k,) are the horizontal distances of the sights, ``build`` makes the network of
    sights whose azimuths run from grid north; the site ``floats`` where control does not hold it.

    Raises
    ------
    NetworkError
        Nothing can be solved, or nothing shows any turn and nothing else holds the site.
    """
    turn = start_turns(assembly, horizontal, build, floats=floats)
    try:
        network = build(assembly.sights.turned(turn))
    except NetworkError:
        if np.isfinite(turn).any():
            raise
        raise NetworkError(UNSHOWN) from None
    if np.isnan(turn).all() and not _joins_any(network):
        raise NetworkError(UNSHOWN)
    for _ in range(ROUNDS):
        more = np.nan_to_num(_left(network, assembly.sights.basis, len(turn)))
        if np.abs(more).max() < SETTLED:
            break
        turn = turn + more
        network = build(assembly.sights.turned(turn))
    return replace(network, sights=assembly.sights, start=replace(network.start, turn=turn))


def _joins_any(network: Network) -> bool:
    """Say whether any sight goes from a placed setup to a placed mark."""
    start, sights = network.start, network.sights
    return bool((start.plan_setup[sights.setup] & start.plan_point[sights.point]).any())


def start_turns(
    assembly: Assembly, horizontal: FloatArray, build: Build, *, floats: bool
) -> FloatArray:
    """Return the turn (rad) of each basis (g,), NaN where nothing shows it."""
    sights = assembly.sights
    turn = np.full(sights.bases, np.nan)
    known = np.full(len(assembly.points), NOWHERE)
    if not floats:
        known[assembly.anchors.mark] = assembly.anchors.place
    while np.isnan(turn).any():
        before = np.isnan(turn).sum()
        _laid_on(assembly, horizontal, known, turn)
        if np.isnan(turn).sum() == before:
            _laid_together(assembly, horizontal, known, turn)
        if np.isnan(turn).sum() == before:
            _by_shapes(assembly, horizontal, known, turn)
        if np.isnan(turn).sum() == before:
            placed = _places(build, sights.turned(turn))
            if placed is not None:
                _laid_on(assembly, horizontal, placed, turn)
        if np.isnan(turn).sum() == before:
            _by_circles(assembly, build, turn)
        if np.isnan(turn).sum() == before and floats and np.isnan(turn).all():
            turn[np.argmax(np.bincount(sights.basis[sights.basis >= 0]))] = 0.0
        if np.isnan(turn).sum() == before:
            break
    return turn


def _laid_on(
    assembly: Assembly, horizontal: FloatArray, known: ComplexArray, turn: FloatArray
) -> None:
    """Fill in the turns of bases whose own places lie on two or more ``known`` ones (P,)."""
    points, setups = len(assembly.points), len(assembly.labels)
    for basis in np.flatnonzero(np.isnan(turn)).tolist():
        lines = _lines(assembly, horizontal, basis)
        nodes = np.concatenate([known, np.full(setups, NOWHERE)])
        found = _between(lines, nodes)
        if np.isnan(found):
            found = _turn_between(_own_places(lines, points, setups), known)
        turn[basis] = found


def _laid_together(
    assembly: Assembly, horizontal: FloatArray, known: ComplexArray, turn: FloatArray
) -> None:
    """Fill in the turns of bases that share two marks with each other, and together with known."""
    points, setups = len(assembly.points), len(assembly.labels)
    place = {
        basis: _own_places(_lines(assembly, horizontal, basis), points, setups)
        for basis in np.flatnonzero(np.isnan(turn)).tolist()
    }
    for first in place:
        body, off = place[first].copy(), {first: 0.0}
        while True:
            new = {
                basis: _turn_between(own, body) for basis, own in place.items() if basis not in off
            }
            tied = [basis for basis, found in new.items() if np.isfinite(found)]
            if not tied:
                break
            off[tied[0]] = new[tied[0]]
            moved = place[tied[0]] * np.exp(1j * new[tied[0]])
            gap = (body - moved)[np.isfinite(body) & np.isfinite(moved)]
            shift = complex(np.median(gap.real), np.median(gap.imag))
            body = np.where(np.isfinite(body), body, moved + shift)
        found = _turn_between(body, known)
        if np.isfinite(found):
            turn[list(off)] = found + np.array([*off.values()])
            return


def _by_shapes(
    assembly: Assembly, horizontal: FloatArray, known: ComplexArray, turn: FloatArray
) -> None:
    """Fill in the turns of bases whose azimuths alone fix a shape between ``known`` marks (P,)."""
    nodes = np.concatenate([known, np.full(len(assembly.labels), NOWHERE)])
    for basis in np.flatnonzero(np.isnan(turn)).tolist():
        turn[basis] = turn_by_shape(_lines(assembly, horizontal, basis), nodes)


def _own_places(lines: HorizontalLines, points: int, setups: int) -> ComplexArray:
    """Return where the lines of a basis put its marks (P,), in a frame of its own."""
    alone = np.full(points + setups, NOWHERE)
    return place_nodes(lines, alone, np.zeros(len(alone)), None)[:points]


def _lines(assembly: Assembly, horizontal: FloatArray, basis: int) -> HorizontalLines:
    rows = np.flatnonzero(assembly.sights.basis == basis)
    own = Sights(*(column[rows] for column in vars(assembly.sights).values()))
    return plan_lines(own, assembly.station, horizontal[rows], len(assembly.points))


def _between(lines: HorizontalLines, place: ComplexArray) -> float:
    """Return the middle turn of azimuths between known places, NaN where there are none."""
    ray = place[lines.end] - place[lines.start]
    own = np.flatnonzero(np.isfinite(lines.azimuth) & np.isfinite(ray) & (np.abs(ray) > PLAIN))
    return _middle(np.angle(ray[own]) - lines.azimuth[own], np.abs(ray[own]))


def _turn_between(source: ComplexArray, target: ComplexArray) -> float:
    """Return the middle turn from source to target places (n,) over their pairs."""
    own = np.flatnonzero(np.isfinite(source) & np.isfinite(target))
    if len(own) > MOST_MARKS:
        own = own[np.linspace(0, len(own) - 1, MOST_MARKS).astype(np.int64)]
    one, two = np.triu_indices(len(own), 1)
    there = target[own[two]] - target[own[one]]
    here = source[own[two]] - source[own[one]]
    far = np.minimum(np.abs(there), np.abs(here)) > PLAIN
    return _middle(np.angle(there[far] / here[far]), np.abs(here[far]))


def _middle(turn: FloatArray, weight: FloatArray) -> float:
    """Return the weighted median of turns (n,), NaN of none."""
    if not len(turn):
        return np.nan
    off = wrap_half(turn - turn[np.argmax(weight)])
    order = np.argsort(off)
    passed = np.cumsum(weight[order])
    middle = order[np.searchsorted(passed, 0.5 * passed[-1])]
    return float(turn[middle])


def _places(build: Build, sights: Sights) -> ComplexArray | None:
    """Return where a network's marks lie (P,), None where there is none."""
    try:
        start = build(sights).start
    except NetworkError:
        return None
    place = start.position[:, 0] + 1j * start.position[:, 1]
    return np.where(start.plan_point, place, NOWHERE)


def _by_circles(assembly: Assembly, build: Build, turn: FloatArray) -> None:
    """Fill in the turns by taking azimuths of setups without a circle reading for such."""
    sights = assembly.sights.turned(turn)
    open_ = (sights.basis >= 0) & np.isnan(turn[sights.basis])
    read = ~sights.azimuth & np.isfinite(sights.value[:, DIRECTION])
    own = open_ & ~np.isin(sights.setup, sights.setup[read])
    value = sights.value.copy()
    value[own, DIRECTION] = assembly.sights.value[own, DIRECTION]
    try:
        network = build(replace(sights, value=value, azimuth=sights.azimuth & ~own))
    except NetworkError:
        return
    basis = np.where(own, sights.basis, -1)
    turn[:] = np.where(np.isnan(turn), _left(network, basis, len(turn)), turn)


def _left(network: Network, basis: IntArray, bases: int) -> FloatArray:
    """Return the middle of what the directions of each basis miss (g,), NaN of none."""
    start, sights = network.start, network.sights
    ray = start.position[sights.point] - start.axis[sights.setup]
    off = np.arctan2(ray[:, 1], ray[:, 0]) - sights.value[:, DIRECTION]
    far = np.hypot(ray[:, 0], ray[:, 1])
    known = np.isfinite(off) & (far > PLAIN)
    rows = [np.flatnonzero(known & (basis == number)) for number in range(bases)]
    return np.array([_middle(off[own], far[own]) for own in rows])
