"""One thread for the linear algebra: on small blocks a second one only gets in the way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


@cache
def _controller() -> Any:
    """Return the controller of the loaded libraries, made once: looking for them is slow."""
    import scipy.linalg.lapack  # noqa: F401  # its own library must be loaded to be found
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Limit the linear algebra to one thread inside the block.

    Measured on networks of thousands of setups: two threads make the work on small blocks 5
    to 30 times slower.
    """
    with _controller().limit(limits=1):
        yield
