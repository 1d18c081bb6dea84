"""Spread a function over the workers of a running engine of dask.distributed.

The engine is somebody else's: it is neither started nor ended here. What is sent to it and what
comes back is pickled, so whoever runs it is trusted as whoever runs this program.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any, TypeVar

from tieup.errors import EngineError

Item = TypeVar("Item")
Result = TypeVar("Result")

PATIENCE = 30.0  # s, to be answered, and for a first worker
RETRIES = 1  # of a task that failed on its worker; a killed worker's is done again besides


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
    from distributed import KilledWorker, as_completed

    with _client(address) as client:
        futures = {
            client.submit(function, item, retries=RETRIES, pure=False): number
            for number, item in enumerate(items)
        }
        for future in as_completed(futures, loop=client.loop):
            number = futures.pop(future)
            if future.status == "finished":
                yield number, future.result()
                continue
            error = None if future.cancelled() else future.exception()
            if isinstance(error, KilledWorker):
                yield number, None
            elif error is None or client.status != "running":
                raise EngineError(f"{address}: the engine was lost")
            else:
                raise EngineError(
                    f"{address}: its workers cannot do the work ({type(error).__name__}: {error}). "
                    "Install the same version of tieup there, or take --workers instead"
                )


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Give a connection to an engine that has a worker."""
    _silence()
    client = _connected(address)
    try:
        client.wait_for_workers(1, timeout=PATIENCE)
        yield client
    except TimeoutError as error:
        raise EngineError(
            f"{address}: the engine has no worker. "
            f"Start some: dask worker {address} --nthreads 1 --nworkers 8"
        ) from error
    finally:
        client.close(timeout=1)


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
