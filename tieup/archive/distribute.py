"""Spread a function over many items: in this process, in others of this machine, or on an engine.

A function and its items are plain enough to be sent to another process. What comes back comes in
the order in which it is ready, with the number of its item.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from tieup.archive.dask_engine import on_engine
from tieup.archive.processes import in_processes

Item = TypeVar("Item")
Result = TypeVar("Result")


@dataclass(frozen=True)
class Means:
    """What works: ``workers`` processes of this machine, or an engine, by its address."""

    workers: int = 1
    scheduler: str = ""


def distributed(
    function: Callable[[Item], Result], items: Sequence[Item], means: Means
) -> Iterator[tuple[int, Result | None]]:
    """Yield what a function makes of each item; None where it killed its worker again and again.

    Raises
    ------
    EngineError
        The engine does not answer, was lost on the way, or cannot do the work.
    """
    if means.scheduler:
        yield from on_engine(function, items, means.scheduler)
    elif means.workers > 1:
        yield from in_processes(function, items, means.workers)
    else:
        yield from ((number, function(item)) for number, item in enumerate(items))
