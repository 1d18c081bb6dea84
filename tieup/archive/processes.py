"""Spread a function over processes of this machine, one item in each at a time.

Each process is a pool of its own, so that one that is killed takes nothing but its own item with
it: the item is done again by a new process, once. Processes are spawned, not forked: a fork of
a process whose libraries have threads may hang.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import get_context, parent_process
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

DEATHS = 2  # of workers, after which their item is given up


def in_processes(
    function: Callable[[Item], Result], items: Sequence[Item], workers: int
) -> Iterator[tuple[int, Result | None]]:
    """Yield number and result of each item as it is ready; None where it killed two workers."""
    waiting, deaths = deque(range(len(items))), Counter[int]()
    everybody = [_Worker() for _ in range(min(workers, len(items)))]
    idle = [*everybody]
    busy: dict[Future[Result], tuple[int, _Worker]] = {}
    try:
        while waiting or busy:
            while waiting and idle:
                number, worker = waiting.popleft(), idle.pop()
                busy[worker.begin(function, items[number])] = number, worker
            for future in wait(busy, return_when=FIRST_COMPLETED).done:
                number, worker = busy.pop(future)
                try:
                    result = future.result()
                except BrokenProcessPool:
                    worker.start()
                    idle.append(worker)
                    deaths[number] += 1
                    if deaths[number] < DEATHS:
                        waiting.appendleft(number)
                    else:
                        yield number, None
                else:
                    idle.append(worker)
                    yield number, result
    finally:
        for worker in everybody:
            worker.stop()


class _Worker:
    """One process that works, and its number, to end it by."""

    def __init__(self) -> None:
        self.start()

    def start(self) -> None:
        """Take a new process, which begins with its first item."""
        self.pool = ProcessPoolExecutor(1, get_context("spawn"), _prepare)
        self.pid: Future[int] | None = None

    def begin(self, function: Callable[[Any], Result], item: Any) -> Future[Result]:
        """Give the process an item; one that died while it had none is replaced."""
        try:
            self.pid = self.pid or self.pool.submit(os.getpid)
            return self.pool.submit(function, item)
        except BrokenProcessPool:
            self.start()
            return self.begin(function, item)

    def stop(self) -> None:
        """End the process, whatever it does: results are written whole or not at all."""
        self.pool.shutdown(wait=False, cancel_futures=True)
        if self.pid is not None and self.pid.done() and not self.pid.cancelled():
            with suppress(BrokenProcessPool, ProcessLookupError):
                os.kill(self.pid.result(), signal.SIGTERM)


def _prepare() -> None:
    """Prepare a new process: it ends with its parent, and only its parent is stopped by hand."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not sys.warnoptions:
        import warnings

        warnings.simplefilter("ignore")
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
