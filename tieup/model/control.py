"""The control list: marks with known coordinates."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Correlated:
    """The covariance between known coordinates: of ``marks`` (k,), ``covariance`` (3k, 3k) in m^2.

    By N, E, H of each mark in turn; 0 where a coordinate is held or unknown.
    """

    marks: IntArray
    covariance: FloatArray


def uncorrelated() -> Correlated:
    """Return a covariance between no coordinates."""
    return Correlated(np.zeros(0, dtype=np.int64), np.zeros((0, 0)))


@dataclass(frozen=True)
class Control:
    """Known marks.

    ``coordinates`` and ``sd`` have shape (c, 3): N, E, H in metres. An unknown
    coordinate is NaN; a standard deviation of 0 holds the component fixed.
    ``line`` (c,) is the line of each mark in the control file, ``sha256`` that of the file.
    ``correlated`` numbers its marks as ``names`` does; ``from_file`` and ``from_sha256`` are the
    file that it was read from, where that is another one. ``unlisted`` are marks of that file which
    the list does not have. ``unproved`` are marks of another job that nothing there checked.
    """

    file: str
    names: tuple[str, ...]
    coordinates: FloatArray
    sd: FloatArray
    line: IntArray
    notes: tuple[str, ...]
    sha256: str = ""
    correlated: Correlated = field(default_factory=uncorrelated)
    from_file: str = ""
    from_sha256: str = ""
    unlisted: tuple[str, ...] = ()
    unproved: tuple[str, ...] = ()
