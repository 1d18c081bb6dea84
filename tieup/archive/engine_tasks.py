"""Tasks of an engine of dask.distributed: a batch in each, just enough of them at a time.

The engine holds no more tasks than it needs: its scheduler has less to look after, and a task that
waits at a worker that is killed is not blamed for long.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from math import inf
from queue import Empty, SimpleQueue
from time import monotonic
from typing import Any, Generic, TypeVar

from tieup.archive.batches import Waiting, first_results
from tieup.errors import EngineError

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD = 2  # tasks for each thread: one to work on, one to go on with
FRESH = 2.0  # s, for which a number of threads is taken as true: workers come and go
RETRIES = 1  # of a task that failed on its worker; a killed worker's is done again besides


class Tasks(Generic[Item, Result]):
    """The items of one run: which wait, and which are at the engine."""

    def __init__(
        self, client: Any, function: Callable[[Item], Result], items: Sequence[Item], address: str
    ) -> None:
        self.client, self.address = client, address
        self.function, self.items = function, items
        self.waiting = Waiting(len(items))
        self.given: dict[Any, tuple[int, ...]] = {}
        self.ready = SimpleQueue[Any]()
        self.threads, self.counted = 1, -inf

    def results(self) -> Iterator[tuple[int, Result | None]]:
        """Yield number and result of each item as its task is ready; None where it is given up.

        Raises
        ------
        EngineError
            The workers cannot do the work.
        OSError, CancelledError
            The connection was lost.
        """
        self._give()
        while self.given:
            found = self._found()
            self._give()  # before whoever takes the results takes its time
            yield from found

    def _give(self) -> None:
        if monotonic() - self.counted > FRESH:
            self.threads = max(1, sum(self.client.nthreads().values()))
            self.counted = monotonic()
        while len(self.given) < AHEAD * self.threads:
            batch = self.waiting.take(self.threads, alone=not self.given)
            if not batch:
                return
            work = partial(first_results, self.function, [self.items[k] for k in batch])
            task = self.client.submit(work, retries=RETRIES, pure=False)
            self.given[task] = batch
            task.add_done_callback(self.ready.put)

    def _found(self) -> list[tuple[int, Result | None]]:
        """Wait for a task while a number of threads is true; return what is known then."""
        try:
            task = self.ready.get(timeout=FRESH)
        except Empty:
            return []
        batch = self.given.pop(task)
        results = _results_of(task, self.address)
        if results is None:
            return [(number, None) for number in self.waiting.killed(batch)]
        self.waiting.put_back(batch[len(results) :])
        return list(zip(batch, results, strict=False))  # what was not begun has none


def _results_of(task: Any, address: str) -> Any:
    """Return what came of a batch, None where it killed its workers."""
    if task.status != "error":
        return task.result()
    from distributed import KilledWorker

    error = task.exception()
    if isinstance(error, KilledWorker):
        return None
    reason = " ".join(f"{type(error).__name__}: {error}".split())
    raise EngineError(
        f"{address}: the engine cannot do the work ({reason}). Install this version of tieup for "
        "its scheduler and its workers, or take --workers instead"
    )
