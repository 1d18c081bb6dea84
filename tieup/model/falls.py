"""Named checks of slopes, as job.yaml states them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class FallCheck:
    """One entry of ``falls:``: a fall between two places, or every leg along a string.

    ``start`` and ``end`` name a point or a string, or ``along`` a string (the others empty).
    ``minimum`` and ``maximum`` are drop over horizontal length, positive where it falls from
    start to end or along the string; infinite where none is asked for. ``lines`` are those of
    the entry's keys in job.yaml and of the entry itself (""), ``path`` how a message calls it.
    """

    name: str
    start: str
    end: str
    along: str
    minimum: float
    maximum: float
    path: str
    lines: Mapping[str, int]
