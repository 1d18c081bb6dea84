"""Observations straight between two marks, as they were booked."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class BookedLink:
    """One row of the list of levels or of tapes.

    ``kind`` is "level" (``value`` is the height of ``end`` minus that of ``start``) or
    "tape" (horizontal distance). ``value`` and ``sd`` in metres. ``sha256`` is that of the file.
    """

    kind: str
    start: str
    end: str
    value: float
    sd: float
    file: str
    line: int
    note: str
    sha256: str = ""
