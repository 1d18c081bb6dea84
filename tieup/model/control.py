"""The control list: marks with known coordinates."""

from __future__ import annotations

from dataclasses import dataclass

from tieup.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Control:
    """Known marks.

    ``coordinates`` and ``sd`` have shape (c, 3): N, E, H in metres. An unknown
    coordinate is NaN; a standard deviation of 0 holds the component fixed.
    ``line`` (c,) is the line of each mark in the control file, ``sha256`` that of the file.
    """

    file: str
    names: tuple[str, ...]
    coordinates: FloatArray
    sd: FloatArray
    line: IntArray
    notes: tuple[str, ...]
    sha256: str = ""
