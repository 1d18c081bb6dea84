"""Spread a function over the workers of a running engine of dask.distributed.

The engine is somebody else's: it is neither started nor ended here. What is sent to it and what
comes back is pickled, so whoever runs it is trusted as whoever runs this program.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any, TypeVar

from tieup.archive.engine_tasks import Tasks
from tieup.errors import EngineError, EngineLostError

Item = TypeVar("Item")
Result = TypeVar("Result")

PATIENCE = 30.0  # s, to be answered, and for a first worker


def check_engine() -> None:
    """Raise EngineError where the library is missing."""
    if find_spec("distributed") is None:
        raise EngineError(
            "--scheduler: needs the library distributed, which is not installed. "
            'Install it: pip install "tieup[fleet]", or take --workers instead'
        )


def on_engine(
    function: Callable[[Item], Result], items: Sequence[Item], address: str
) -> Iterator[tuple[int, Result | None]]:
    """Yield number and result of each item as it is ready; None where it killed its workers.

    Raises
    ------
    EngineError
        The library is missing; the engine does not answer, has no worker, was lost on the way, or
        its workers cannot do the work.
    """
    check_engine()
    with _client(address) as client:
        try:
            yield from Tasks(client, function, items, address).results()
        except (OSError, CancelledError) as error:  # the connection, not the work
            raise EngineLostError(f"{address}: the engine was lost") from error


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Give a connection to an engine that has a worker."""
    _silence()
    client = _connected(address)
    try:
        _wait_for_workers(client, address)
        yield client
    finally:
        client.close(timeout=1)


def _wait_for_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
    except TimeoutError as error:
        raise EngineError(
            f"{address}: the engine has no worker. "
            f"Start some: dask worker {address} --nthreads 1 --nworkers 8"
        ) from error


def _silence() -> None:
    """Let the library's own log say nothing: what a person must know is an error of ours."""
    import distributed  # noqa: F401  # it sets its levels when it is loaded

    for name in [*logging.root.manager.loggerDict]:
        if name.partition(".")[0] == "distributed":
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def _connected(address: str) -> Any:
    from distributed import Client

    try:
        return Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise EngineError(
            f"{address}: no engine answers there ({reason}). Expected the address that dask "
            "scheduler prints, as in tcp://10.0.0.5:8786, or take --workers instead"
        ) from error
