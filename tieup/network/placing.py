"""Place one setup on known marks where its own cloud is not enough.

Sights without distance, distances without direction, an occupied mark: whatever a
setup has towards known marks is gathered, every minimal set of it that gives a place is
tried, and the place with which most observations agree is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.network.polar_sets import PLAIN, Ties
from tieup.network.resection import cross_circles, resect, turn_on_pair
from tieup.network.rigid import GEAR_FLOOR, ComplexArray

MOST_ROWS = 12  # observations that minimal sets are drawn from
MOST_MARKS = 40  # beyond, numbers were used again for other points: rigid clouds decide
OWN = 3  # unknowns of a setup in plan
WEAKEST = 1.0  # metres; a place less certain than this with good gear is no place
APART = 1.0  # metres; two answers further apart are two answers


@dataclass(frozen=True)
class SeenMarks:
    """What one setup has towards known marks, shape (n,), NaN where not observed.

    ``place`` are the known marks (m, complex), ``near`` the tolerance of their places (m).
    ``station`` is the known place of the occupied mark, NaN for a free station.
    """

    place: ComplexArray
    direction: FloatArray
    horizontal: FloatArray
    sharp: FloatArray
    along: FloatArray
    near: FloatArray
    station: complex

    @property
    def observations(self) -> int:
        """Return the number of observations, the station counting for two."""
        given = np.isfinite(self.direction).sum() + np.isfinite(self.horizontal).sum()
        return int(given) + (0 if math.isnan(self.station.real) else 2)


@dataclass(frozen=True)
class PlacedStation:
    """A station, its turn ``exp(i orientation)``, and what stands behind it.

    ``turn_open``: distances place the station, but half of its directions or more say
    otherwise, as with a circle read anticlockwise; the turn is that of a few of them.
    """

    station: complex
    turn: complex
    redundancy: int
    strain: float
    chance: float
    turn_open: bool


def gather(ties: Ties, rows: IntArray, known: dict[int, tuple[complex, float]]) -> SeenMarks:
    """Gather the rows of one setup to marks in ``known`` (place and tolerance)."""
    found = [known.get(int(point)) for point in ties.point[rows]]
    kept = [(row, hit) for row, hit in zip(rows.tolist(), found, strict=True) if hit is not None]
    stations = [hit[0] for row, hit in kept if ties.sight[row] < 0]
    kept = [(row, hit) for row, hit in kept if ties.sight[row] >= 0]
    chosen = np.array([row for row, _ in kept], dtype=np.int64)
    return SeenMarks(
        place=np.array([hit[0] for _, hit in kept], dtype=np.complex128),
        direction=ties.direction[chosen],
        horizontal=ties.horizontal[chosen],
        sharp=ties.take(chosen).sharp,
        along=ties.take(chosen).along,
        near=np.array([hit[1] for _, hit in kept], dtype=np.float64),
        station=stations[0] if stations else complex(math.nan, math.nan),
    )


def place_setup(seen: SeenMarks) -> PlacedStation | None:
    """Place a setup by the answer that most of its observations agree with.

    None when nothing is determined, when there are more than `MOST_MARKS`, when two
    answers agree equally well, or when the answer is too weak to be of use (station near
    the danger circle).
    """
    if seen.observations < OWN or len(seen.place) > MOST_MARKS:
        return None
    station, turn = _hypotheses(seen)
    sound = np.isfinite(station) & np.isfinite(turn)
    station, turn = station[sound], turn[sound]
    if not len(station):
        return None
    misfit = _misfit(seen, station, turn)
    inside = misfit <= 1.0
    count = inside.sum(axis=1)
    cost = np.minimum(np.nan_to_num(misfit, nan=0.0), 1.0) ** 2
    best = int(np.lexsort((cost.sum(axis=1), -count))[0])
    rivals = (count == count[best]) & (np.abs(station - station[best]) > APART)
    directed = np.count_nonzero(np.isfinite(seen.direction))
    agreeing = np.count_nonzero(inside[best, : len(seen.place)])
    turn_open = bool(directed > 1 and 2 * agreeing <= directed)
    redundancy = int(count[best]) - OWN
    if rivals.any() or redundancy < 0 or (redundancy == 0 and seen.observations > OWN):
        return None
    refined = _refine(seen, complex(station[best]), complex(turn[best]), inside[best])
    if refined is None:
        return None
    where, way, strain = refined
    chance = _accident(seen, len(station), redundancy)
    return PlacedStation(where, way, redundancy, strain, chance, turn_open)


def _hypotheses(seen: SeenMarks) -> tuple[ComplexArray, ComplexArray]:
    """Return stations and turns, shape (h,), from every minimal set of observations."""
    directed = spread_rows(np.flatnonzero(np.isfinite(seen.direction)), seen.direction)
    measured = spread_rows(np.flatnonzero(np.isfinite(seen.horizontal)), seen.horizontal)
    stations = [np.array([seen.station])]
    if len(measured) > 1:
        pairs = np.array(list(combinations(measured, 2)))
        stations.append(cross_circles(seen.place[pairs], seen.horizontal[pairs]).ravel())
    full = measured[np.isfinite(seen.direction[measured])]
    if len(full) and len(directed) > 1:
        one, two = (grid.ravel() for grid in np.meshgrid(full, directed))
        one, two = one[one != two], two[one != two]
        angle = seen.direction[two] - seen.direction[one]
        on_pair = turn_on_pair(seen.place[one], seen.horizontal[one], seen.place[two], angle)
        stations.append(on_pair.ravel())
    station, turn = _oriented(seen, np.concatenate(stations), directed)
    if len(directed) > 2:
        triples = np.array(list(combinations(directed, 3)))
        placed, turned = resect(seen.place[triples], seen.direction[triples])
        station, turn = np.concatenate([station, placed]), np.concatenate([turn, turned])
    return station, turn


def _oriented(
    seen: SeenMarks, stations: ComplexArray, directed: IntArray
) -> tuple[ComplexArray, ComplexArray]:
    """Turn each station by each of its rays, shape (stations * rays,)."""
    ray = seen.place[directed] - stations[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = ray / np.abs(ray) * np.exp(-1j * seen.direction[directed])
    return np.repeat(stations, len(directed)), turn.ravel()


def _misfit(seen: SeenMarks, station: ComplexArray, turn: ComplexArray) -> FloatArray:
    """Return misfits over tolerance, shape (h, 2n + 2), NaN where not observed."""
    ray = seen.place - station[:, None]
    turned = ray * np.exp(-1j * seen.direction) * np.conj(turn)[:, None]
    across = np.where(turned.real > 0.0, np.abs(turned.imag), np.inf)
    across = np.where(np.isfinite(seen.direction), across, np.nan)
    length = np.abs(ray)
    along = np.abs(length - seen.horizontal)
    over = np.abs(station - seen.station)[:, None].repeat(2, axis=1)
    return np.concatenate(
        [
            across / np.hypot(PLAIN + seen.sharp * length, seen.near),
            along / np.hypot(seen.along, seen.near),
            over / PLAIN,
        ],
        axis=1,
    )


def _refine(
    seen: SeenMarks, station: complex, turn: complex, inside: BoolArray
) -> tuple[complex, complex, float] | None:
    """Refine by least squares on what agrees; return None when the place is too weak.

    The third value is the sd of the turn (rad) with gear good to `GEAR_FLOOR`.
    """
    count = len(seen.place)
    for _ in range(4):
        ray = seen.place - station
        length = np.maximum(np.abs(ray), 1e-6)
        unit = ray / length
        turned = ray * np.exp(-1j * np.nan_to_num(seen.direction)) * np.conj(turn)
        rows = np.zeros((2 * count + 2, OWN))
        rows[:count] = np.column_stack([unit.imag, -unit.real, -length])
        rows[count:-2, :2] = np.column_stack([-unit.real, -unit.imag])
        rows[-2, 0] = rows[-1, 1] = 1.0
        gap = complex(np.nan_to_num(seen.station - station))
        wanted = np.concatenate(
            [-turned.imag, np.nan_to_num(seen.horizontal) - length, [gap.real, gap.imag]]
        )
        normal = rows[inside].T @ rows[inside]
        if np.linalg.cond(normal) > 1e12:
            return None
        step = np.linalg.solve(normal, rows[inside].T @ wanted[inside])
        station += complex(step[0], step[1])
        turn *= complex(np.exp(1j * step[2]))
    sd = GEAR_FLOOR * np.sqrt(np.diag(np.linalg.inv(normal)))
    if not math.isfinite(abs(station)) or math.hypot(sd[0], sd[1]) > WEAKEST:
        return None
    return station, turn, float(sd[2])


def _accident(seen: SeenMarks, tried: int, redundancy: int) -> float:
    """Return how many answers this good accident alone would offer."""
    free = seen.observations - OWN
    if free <= redundancy:
        return 0.0
    extent = np.abs(seen.place - seen.place.mean()).max() + 1.0
    fineness = min(1.0, float(np.median(np.hypot(seen.along, seen.near))) / float(extent))
    return float(tried * math.comb(free, redundancy) * fineness**redundancy)


def spread_rows(rows: IntArray, by: FloatArray) -> IntArray:
    """Return the rows, or `MOST_ROWS` of them spread evenly by a value."""
    if len(rows) <= MOST_ROWS:
        return rows
    order = rows[np.argsort(by[rows], kind="stable")]
    return order[np.linspace(0, len(order) - 1, MOST_ROWS).astype(np.int64)]
