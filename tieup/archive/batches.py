"""Items of a long list in batches: what a task of an engine costs is paid once for several.

Whoever works on a batch begins no further item once its time is up; the rest goes to the next.
So quick items cost little each, and a slow one keeps no other waiting. Batches become smaller
towards the end, so that all workers end together.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from time import monotonic
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

TIME = 1.0  # s, after which no further item of a batch is begun
MOST = 32  # items of a batch: those that are only looked at take some milliseconds each
SHARES = 4  # of what waits, for each thread: the more, the smaller the last batches


def first_results(function: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Return what a function makes of the first items: as many as it gets to in its time."""
    end, found = monotonic() + TIME, list[Result]()
    for item in items:
        found.append(function(item))
        if monotonic() >= end:
            break
    return found


class Waiting:
    """The items that nobody works on yet, by their numbers, the first ones first.

    Those of a batch that killed its workers are suspects. They are given out last and one at a
    time: what waits beside a killer is blamed with it.
    """

    def __init__(self, number: int) -> None:
        self.unsuspected, self.suspects = deque(range(number)), deque[int]()
        self.accused: set[int] = set()

    def take(self, threads: int, *, alone: bool) -> tuple[int, ...]:
        """Return the next batch for one of so many threads; none where it has to wait.

        ``alone``: nothing is worked on now.
        """
        if self.unsuspected:
            size = min(MOST, -(-len(self.unsuspected) // (SHARES * threads)))
            return tuple(self.unsuspected.popleft() for _ in range(size))
        return (self.suspects.popleft(),) if alone and self.suspects else ()

    def put_back(self, rest: Sequence[int]) -> None:
        """Take back what was not begun; it comes next."""
        self.unsuspected.extendleft(reversed(rest))

    def killed(self, batch: Sequence[int]) -> Sequence[int]:
        """Take back a batch that killed its workers; return what did so alone: it is given up."""
        if self.accused.issuperset(batch):
            return batch
        self.accused.update(batch)
        self.suspects.extend(batch)
        return ()
