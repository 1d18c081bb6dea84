"""Join clouds into blocks, the strongest join first.

A block is a set of setups whose places in one common frame are known, with the marks
they have seen. Any two blocks may join, so that setups first tie among themselves and
onto control afterwards. The order is the support of the joins, never the order of
rows or names. A join is weighed when it comes to the top of the heap, not before: with
thousands of setups most of the possible joins are never weighed at all.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import combinations
from typing import NamedTuple

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.network.rigid import CloudFit, ComplexArray

CONTROL = -1  # number of the block that starts as the control list
HUB = 64  # owners of a mark beyond which it suggests no joins; it still supports them
LIKELY_ACCIDENT = 0.05  # a fit that accident would offer this often is no fit

Place = tuple[complex, float, float]  # where (m), how many setups say so, tolerance (m)
Pose = tuple[complex, complex]  # turn and shift from the setup's own frame into the block's


@dataclass
class Block:
    """Setups and marks in one frame.

    ``places`` holds the marks located, each with its rival places. ``rays`` holds the rows of
    `Ties` that see a mark without locating it (no distance, or no direction).
    """

    poses: dict[int, Pose] = field(default_factory=dict)
    places: dict[int, list[Place]] = field(default_factory=dict)
    rays: dict[int, list[int]] = field(default_factory=dict)

    def best_place(self, mark: int) -> Place:
        """Return the place most setups agree on; of equals the one with the finest tolerance."""
        return max(self.places[mark], key=lambda place: (place[1], -place[2]))


FitFunction = Callable[[Block, Block], CloudFit | None]


class Candidate(NamedTuple):
    """A possible join of two blocks, ordered by promise.

    ``lacking`` is minus the redundancy of the fit, or the most it can be as long as the
    join has not been weighed (``weighed`` 0). The fields before ``fit`` differ between any
    two candidates on the heap.
    """

    lacking: int
    weighed: int
    strain: float
    here: int
    there: int
    stamp: int
    fit: CloudFit | None = None


class Growth:
    """Blocks that grow by joining; the number of a block is stable while it lives.

    ``own`` is the number of observations a move needs: 3 in plan, 1 in height; ``each``
    the number a shared mark brings: 2 and 1.
    """

    def __init__(self, blocks: dict[int, Block], fit: FitFunction, own: int, each: int) -> None:
        self.blocks = blocks
        self.grown = set(blocks)
        self._fit = fit
        self._own, self._each = own, each
        self._heap: list[Candidate] = []
        self._stamps: dict[tuple[int, int], int] = {}
        self._owners: dict[int, set[int]] = {}
        for number, block in blocks.items():
            for mark in (*block.places, *block.rays):
                self._owners.setdefault(mark, set()).add(number)
        for number in sorted(blocks):
            self._suggest(number, [n for n in self._neighbours(number) if n < number])

    def join_strongest(self, minimum: int) -> bool:
        """Join the two blocks of the strongest fit, if it has the minimum redundancy."""
        while self._heap and -self._heap[0].lacking >= minimum:
            candidate = heapq.heappop(self._heap)
            if not self._stands(candidate):
                continue
            if candidate.fit is None:
                self._weigh(candidate)
                continue
            self.merge(candidate.here, candidate.there, candidate.fit.turn, candidate.fit.shift)
            return True
        return False

    def merge(self, here: int, there: int, turn: complex, shift: complex) -> int:
        """Move block ``there`` into the frame of ``here``; return the number that lives on."""
        if there == CONTROL or (
            here != CONTROL and len(self.blocks[there].places) > len(self.blocks[here].places)
        ):
            here, there = there, here
            turn, shift = turn.conjugate(), -turn.conjugate() * shift
        block, moved = self.blocks[here], self.blocks.pop(there)
        for setup, (own_turn, own_shift) in moved.poses.items():
            block.poses[setup] = (turn * own_turn, turn * own_shift + shift)
        for mark in (*moved.places, *moved.rays):
            self._owners[mark].discard(there)
            self._owners[mark].add(here)
        for mark, rays in moved.rays.items():
            block.rays.setdefault(mark, []).extend(rays)
        for mark, places in moved.places.items():
            brought = [(turn * where + shift, weight, near) for where, weight, near in places]
            standing = block.places.get(mark)
            block.places[mark] = brought if standing is None else _agree(standing, brought)
        self._suggest(here, self._neighbours(here, (*moved.places, *moved.rays)))
        self.grown.discard(there)
        self.grown.add(here)
        return here

    def add_place(self, number: int, mark: int, place: Place) -> None:
        """Give a block the place of a mark that it can now locate."""
        self.blocks[number].places[mark] = [place]
        self._suggest(number, self._neighbours(number, (mark,)))

    def pairs(self, least: int) -> list[tuple[int, int]]:
        """Return every pair of living blocks that share so many marks at least."""
        marks = {
            number: {mark for mark in block.places if len(self._owners[mark]) > 1}
            for number, block in self.blocks.items()
        }
        numbers = sorted(number for number, own in marks.items() if len(own) >= least)
        return [
            (here, there)
            for here, there in combinations(numbers, 2)
            if len(marks[here] & marks[there]) >= least
        ]

    def _stands(self, candidate: Candidate) -> bool:
        """Tell whether both blocks still live and have gained nothing that matters here."""
        here, there = candidate.here, candidate.there
        alive = here in self.blocks and there in self.blocks
        return alive and self._stamps[here, there] == candidate.stamp

    def _weigh(self, candidate: Candidate) -> None:
        """Find the fit of a candidate and put it back on the heap where it now belongs."""
        here, there = candidate.here, candidate.there
        fit = self._fit(self.blocks[here], self.blocks[there])
        if fit is None or fit.chance > LIKELY_ACCIDENT:
            return
        lacking = min(candidate.lacking, -fit.redundancy) if fit.clear else -fit.redundancy
        weighed = Candidate(lacking, 1, fit.strain, here, there, candidate.stamp, fit)
        heapq.heappush(self._heap, weighed)

    def _neighbours(self, number: int, marks: Iterable[int] | None = None) -> set[int]:
        """Return the blocks that share one of the marks (default all) with a block."""
        found: set[int] = set()
        block = self.blocks[number]
        for mark in (*block.places, *block.rays) if marks is None else marks:
            owners = self._owners[mark]
            if len(owners) <= HUB:
                found |= owners
            elif CONTROL in owners:
                found.add(CONTROL)
        found.discard(number)
        return found

    def _suggest(self, number: int, others: Iterable[int]) -> None:
        """Put joins of a block with others on the heap, by the marks they share."""
        for other in others:
            here, there = (number, other) if number < other else (other, number)
            stamp = self._stamps.get((here, there), 0) + 1
            self._stamps[here, there] = stamp
            lacking = self._own - self._promise(self.blocks[here], self.blocks[there])
            if lacking <= 0:
                heapq.heappush(self._heap, Candidate(lacking, 0, 0.0, here, there, stamp))

    def _promise(self, here: Block, there: Block) -> int:
        """Return how many observations could at most support a join."""
        places, others = here.places.keys(), there.places.keys()
        count = self._each * len(places & others)
        if here.rays:
            count += len(here.rays.keys() & others)
        if there.rays:
            count += len(there.rays.keys() & places)
        return count


def content_numbers(owner: IntArray, size: FloatArray, owners: int) -> IntArray:
    """Number owners by what they hold (how much, how large in sum), shape (owners,).

    Ties between joins of equal strength are broken by these numbers, so that neither the
    order of rows nor the order of setups matters.
    """
    count = np.bincount(owner, minlength=owners)
    total = np.bincount(owner, weights=np.nan_to_num(size), minlength=owners)
    numbers = np.empty(owners, dtype=np.int64)
    numbers[np.lexsort((total, count))] = np.arange(owners)
    return numbers


def shared_places(
    here: Block, there: Block
) -> tuple[IntArray, ComplexArray, ComplexArray, FloatArray, FloatArray]:
    """Return what two blocks say of the marks they share.

    Five arrays of shape (n,): mark, place in either block, tolerance (m), and the number of
    setups behind the weaker of both places. A mark with rival places stands in several rows.
    """
    places, others = here.places, there.places
    few, many = (places, others) if len(places) < len(others) else (others, places)
    rows = [
        (mark, mine[0], theirs[0], mine[2] ** 2 + theirs[2] ** 2, min(mine[1], theirs[1]))
        for mark in few
        if mark in many
        for mine in places[mark]
        for theirs in others[mark]
    ]
    mark, mine, theirs, square, support = zip(*rows, strict=True) if rows else ((),) * 5
    return (
        np.array(mark, dtype=np.int64),
        np.array(mine, dtype=np.complex128),
        np.array(theirs, dtype=np.complex128),
        np.sqrt(np.array(square, dtype=np.float64)),
        np.array(support, dtype=np.float64),
    )


def _agree(standing: list[Place], brought: list[Place]) -> list[Place]:
    """Merge the rival places of a mark: those within tolerance become one."""
    result = list(standing)
    for where, weight, near in brought:
        gaps = [abs(where - place[0]) / (near * near + place[2] ** 2) ** 0.5 for place in result]
        best = min(range(len(gaps)), key=gaps.__getitem__)
        if gaps[best] > 1.0:
            result.append((where, weight, near))
            continue
        there, support, tolerance = result[best]
        mean = (support * there + weight * where) / (support + weight)
        result[best] = (mean, support + weight, min(near, tolerance))
    return result
