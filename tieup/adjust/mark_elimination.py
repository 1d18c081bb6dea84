"""Which marks leave the normal equations and how the rest hangs together.

Three kinds of mark:

* aside: exactly as many observations as free components, from one setup: nothing
  checks it, it takes no part and comes back afterwards as a polar point;
* eliminated: its 3 x 3 block is removed onto the setups that see it;
* kept: joined to another mark by a link, or seen from very many setups, so that
  removing it would couple them all; it stays a node beside the setups.

The indices found here depend on what is observed only, not on values, and serve
every iteration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.elimination_fronts import Pattern, make_pattern
from tieup.model.arrays import BoolArray, FloatArray, IntArray

MANY_SETUPS = 24  # a mark seen from more stays in the reduced system


@dataclass(frozen=True)
class Incidences:
    """The unique pairs of a mark and a setup that sees it; i of them.

    ``mark``, ``setup`` (i,): the ends. Ordered by mark, the first ``own`` being those of
    eliminated marks. ``of_connection`` (c,) is the pair of each connection.
    """

    mark: IntArray
    setup: IntArray
    own: int
    of_connection: IntArray

    def __len__(self) -> int:
        return len(self.mark)


@dataclass(frozen=True)
class Couplings:
    """What fills lower blocks of the reduced system: two ends and the block's number (k,).

    The block's rows belong to ``first``, or to ``second`` where ``turned``.
    """

    first: IntArray
    second: IntArray
    block: IntArray
    turned: BoolArray


@dataclass(frozen=True)
class Structure:
    """The plan of one network.

    ``marks`` (m,) are the points of the system, the first ``eliminated`` of them
    eliminated, the rest kept. ``setup``, ``mark`` (c,): the ends of each connection.
    Nodes are the setups 0..S-1, then the kept marks.

    ``pairs`` couple two incidences of one eliminated mark (never turned), ``kept`` the setup
    and the node of each incidence of a kept mark, ``links`` the nodes of each link, ``prior`` those
    of each pair of marks with correlated control.
    """

    setups: int
    marks: IntArray
    eliminated: int
    setup: IntArray
    mark: IntArray
    incidences: Incidences
    pairs: Couplings
    kept: Couplings
    links: Couplings
    prior: Couplings
    pattern: Pattern

    @property
    def linked(self) -> IntArray:
        """Return the marks (l, 2) at the ends of each link."""
        ends = np.column_stack([self.links.first, self.links.second])
        return ends - self.setups + self.eliminated


def find_aside(point: IntArray, observed: IntArray, free: IntArray, bound: BoolArray) -> BoolArray:
    """Find the points that nothing checks.

    Parameters
    ----------
    point, observed
        Shape (c,): the point of each connection and how many observations it carries.
    free
        Shape (P,): free components of each point.
    bound
        Shape (P,): True where control or a link also speaks of the point.

    Returns
    -------
    Mask (P,).
    """
    points = len(free)
    connections = np.bincount(point, minlength=points)
    observations = np.bincount(point, weights=observed, minlength=points)
    return np.asarray((connections == 1) & (observations == free) & (free > 0) & ~bound)


def make_structure(
    setup: IntArray,
    point: IntArray,
    links: IntArray,
    place: FloatArray,
    point_place: FloatArray,
    prior: IntArray | None = None,
) -> Structure:
    """Plan the elimination of the given connections.

    Parameters
    ----------
    setup, point
        Shape (c,): ends of each connection (aside points already left out).
    links
        Shape (l, 2): pairs of points joined by links.
    place, point_place
        Shape (S, 2) and (P, 2): plan positions (m) that guide the dissection.
    prior
        Shape (q, 2): pairs of points whose control is correlated, None where there are none.
    """
    setups = len(place)
    prior = np.zeros((0, 2), dtype=np.int64) if prior is None else prior
    marks, eliminated, number, incidences = _find_incidences(
        setup, point, np.concatenate([links, prior]), setups, len(point_place)
    )
    node = setups - eliminated + number  # of a kept point
    pairs = _pairs(incidences.mark[: incidences.own])
    ends = [
        incidences.setup[pairs],
        np.column_stack([incidences.setup, node[marks[incidences.mark]]])[incidences.own :],
        node[links],
        node[prior],
    ]
    pattern, (between, kept, linked, tied) = _couple(
        ends, np.concatenate([place, point_place[marks[eliminated:]]])
    )
    return Structure(
        setups=setups,
        marks=marks,
        eliminated=eliminated,
        setup=setup,
        mark=number[point],
        incidences=incidences,
        pairs=_straightened(pairs, between),
        kept=kept,
        links=linked,
        prior=tied,
        pattern=pattern,
    )


def _find_incidences(
    setup: IntArray, point: IntArray, links: IntArray, setups: int, points: int
) -> tuple[IntArray, int, IntArray, Incidences]:
    """Return the marks, how many are eliminated, each point's mark (P,), the incidences."""
    key, of_connection = np.unique(point * max(setups, 1) + setup, return_inverse=True)
    seen, by = np.divmod(key, max(setups, 1))
    degree = np.bincount(seen, minlength=points)
    is_kept = degree > MANY_SETUPS
    is_kept[links.ravel()] = True
    leaving = np.flatnonzero((degree > 0) & ~is_kept)
    marks = np.concatenate([leaving, np.flatnonzero(is_kept)])
    number = np.zeros(points, dtype=np.int64)
    number[marks] = np.arange(len(marks))
    order = np.argsort(is_kept[seen], kind="stable")
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    own = int(degree[leaving].sum())
    incidences = Incidences(number[seen[order]], by[order], own, place[of_connection])
    return marks, len(leaving), number, incidences


def _pairs(mark: IntArray) -> IntArray:
    """Return all pairs (k, 2) of incidences of one mark; ``mark`` (i,) is sorted."""
    degree = np.bincount(mark)
    starts = np.cumsum(degree) - degree
    pairs = [np.zeros((0, 2), dtype=np.int64)]
    for d in np.unique(degree):
        both = np.column_stack(np.tril_indices(int(d), -1))
        pairs.append((starts[degree == d][:, None, None] + both).reshape(-1, 2))
    return np.concatenate(pairs)


def _straightened(pairs: IntArray, between: Couplings) -> Couplings:
    """Return the pairs of incidences with the one that the block's rows belong to first."""
    first = np.where(between.turned, pairs[:, 1], pairs[:, 0])
    second = np.where(between.turned, pairs[:, 0], pairs[:, 1])
    return Couplings(first, second, between.block, np.zeros(len(pairs), dtype=bool))


def _couple(ends: list[IntArray], place: FloatArray) -> tuple[Pattern, list[Couplings]]:
    """Plan the system of all nodes at ``place`` (n, 2) from lists of ``ends`` (k, 2)."""
    both = np.concatenate(ends)
    nodes = max(len(place), 1)
    key, block = np.unique(both.min(axis=1) * nodes + both.max(axis=1), return_inverse=True)
    pattern = make_pattern(np.column_stack(np.divmod(key, nodes)), place)
    couplings, done = [], 0
    for part in ends:
        own = block[done : done + len(part)]
        turned = pattern.row[own] != part[:, 0]
        couplings.append(Couplings(part[:, 0], part[:, 1], own, turned))
        done += len(part)
    return pattern, couplings
