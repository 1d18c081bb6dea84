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

from tieup.adjust.multifrontal import Pattern, make_pattern
from tieup.model.arrays import BoolArray, FloatArray, IntArray

MANY_SETUPS = 24  # a mark seen from more stays in the reduced system


@dataclass(frozen=True)
class MarkGroup:
    """Eliminated marks that are seen from the same number d of setups.

    ``marks`` (n,) numbers among the eliminated, ``incidences`` (n, d). For each pair
    (i, j), i > j, of a mark's incidences: ``block`` (n, pairs) in the lower blocks and
    ``flip``, True where the block's row belongs to j.
    """

    marks: IntArray
    incidences: IntArray
    pairs: tuple[IntArray, IntArray]
    block: IntArray
    flip: BoolArray


@dataclass(frozen=True)
class Structure:
    """The plan of one network.

    Nodes: setups 0..S-1, then kept marks. ``incidence`` (c,) joins each connection to a
    unique (mark, setup) pair, of which ``incidence_setup`` and ``incidence_mark`` (i,) are
    the ends; the mark is numbered among the eliminated (then ``incidence_kept`` is False)
    or is a node. ``eliminated`` and ``kept`` hold point numbers. ``link_block``/``link_flip``
    are the blocks of links between kept marks; ``coupled`` the incidences of kept marks with
    their ``coupled_block``/``coupled_flip``.
    """

    setups: int
    eliminated: IntArray
    kept: IntArray
    incidence: IntArray
    incidence_setup: IntArray
    incidence_mark: IntArray
    incidence_kept: BoolArray
    groups: tuple[MarkGroup, ...]
    coupled: IntArray
    coupled_block: IntArray
    coupled_flip: BoolArray
    link_start: IntArray
    link_end: IntArray
    link_block: IntArray
    link_flip: BoolArray
    pattern: Pattern


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
    """
    setups, points = len(place), len(point_place)
    pair_key, incidence = np.unique(point * max(setups, 1) + setup, return_inverse=True)
    incidence_point, incidence_setup = np.divmod(pair_key, max(setups, 1))
    degree = np.bincount(incidence_point, minlength=points)
    is_kept = degree > MANY_SETUPS
    is_kept[links.ravel()] = True
    eliminated = np.flatnonzero((degree > 0) & ~is_kept)
    kept = np.flatnonzero(is_kept)
    number = np.zeros(points, dtype=np.int64)
    number[eliminated] = np.arange(len(eliminated))
    number[kept] = setups + np.arange(len(kept))
    incidence_kept = is_kept[incidence_point]
    mark = number[incidence_point]

    lists = _incidences_by_degree(mark, incidence_kept, degree[eliminated])
    coupled = np.flatnonzero(incidence_kept)
    link_nodes = number[links]
    ends = [_pair_ends(incidence_setup, lists_d) for _, lists_d, _ in lists]
    ends.append(np.column_stack([incidence_setup[coupled], mark[coupled]]))
    ends.append(link_nodes)
    everything = np.concatenate(ends)
    nodes = setups + len(kept)
    low, high = everything.min(axis=1), everything.max(axis=1)
    edge_key, block = np.unique(low * nodes + high, return_inverse=True)
    edges = np.column_stack(np.divmod(edge_key, max(nodes, 1)))
    pattern = make_pattern(edges, np.concatenate([place, point_place[kept]]))
    flip = pattern.row[block] != everything[:, 0]

    groups, used = [], 0
    for marks, lists_d, pairs in lists:
        count = len(marks) * len(pairs[0])
        span = slice(used, used + count)
        shape = (len(marks), len(pairs[0]))
        groups.append(
            MarkGroup(marks, lists_d, pairs, block[span].reshape(shape), flip[span].reshape(shape))
        )
        used += count
    couple, link = slice(used, used + len(coupled)), slice(used + len(coupled), None)
    return Structure(
        setups=setups,
        eliminated=eliminated,
        kept=kept,
        incidence=incidence,
        incidence_setup=incidence_setup,
        incidence_mark=mark,
        incidence_kept=incidence_kept,
        groups=tuple(groups),
        coupled=coupled,
        coupled_block=block[couple],
        coupled_flip=flip[couple],
        link_start=link_nodes[:, 0],
        link_end=link_nodes[:, 1],
        link_block=block[link],
        link_flip=flip[link],
        pattern=pattern,
    )


def _incidences_by_degree(
    mark: IntArray, kept: BoolArray, degree: IntArray
) -> list[tuple[IntArray, IntArray, tuple[IntArray, IntArray]]]:
    """Group the eliminated marks by degree: marks (n,), incidences (n, d), index pairs."""
    own = np.flatnonzero(~kept)
    own = own[np.argsort(mark[own], kind="stable")]
    starts = np.concatenate([[0], np.cumsum(degree)])
    lists = []
    for d in np.unique(degree):
        marks = np.flatnonzero(degree == d)
        incidences = own[starts[marks][:, None] + np.arange(d)]
        lists.append((marks, incidences, np.tril_indices(int(d), -1)))
    return lists


def _pair_ends(incidence_setup: IntArray, incidences: IntArray) -> IntArray:
    """Return the setups (n * pairs, 2) at the ends of each pair of a mark's incidences."""
    first, second = np.tril_indices(incidences.shape[1], -1)
    setups = incidence_setup[incidences]
    return np.column_stack([setups[:, first].ravel(), setups[:, second].ravel()])
