"""What job.yaml asks of surfaces. SI."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

ANY, ALONG, ACROSS = GRADES_OF = ("any", "along", "across")


@dataclass(frozen=True)
class GradeLimit:
    """A limit of falls, as ratios: of any fall, or along or across a route.

    ``source`` says who asks for it, or that nobody does but common practice.
    """

    id: str
    of: str
    minimum: float
    maximum: float
    source: str


@dataclass(frozen=True)
class GradeLimits:
    """Limits of one set, and where they hold: ``within`` a closed string, ``along`` a string.

    Both empty: over the whole surface.
    """

    name: str
    limits: tuple[GradeLimit, ...]
    within: str = ""
    along: str = ""


@dataclass(frozen=True)
class Against:
    """What a surface is held against: another one of the job, or a ``file`` with one.

    ``thickness`` (m) is the layer that should lie between, ``tolerance`` (m) how far it may be off;
    both NaN where only cut and fill are asked for.
    """

    surface: str = ""
    file: Path | None = None
    thickness: float = math.nan
    tolerance: float = math.nan


@dataclass(frozen=True)
class SurfaceWish:
    """One entry of ``surfaces:``.

    Points take part by role and proof and, where any are named, by code, string or name; the
    strings are breaklines but for those in ``points_only``. ``boundary`` and ``holes`` are closed
    strings, ``inlets`` codes or points. ``longest`` (m) is the longest edge along the hull.
    ``lines`` are those of its keys in job.yaml and of the entry itself ("").
    """

    name: str
    strings: tuple[str, ...] = ()
    points_only: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    roles: tuple[str, ...] = ("tie", "shot", "derived")
    proofs: tuple[str, ...] = ("held", "checked", "unchecked")
    boundary: str = ""
    holes: tuple[str, ...] = ()
    inlets: tuple[str, ...] = ()
    longest: float = math.inf
    limits: tuple[GradeLimits, ...] = ()
    against: Against | None = None
    lines: Mapping[str, int] = field(default_factory=dict)

    @property
    def chooses(self) -> bool:
        """Return whether points are named: then the others take no part."""
        return bool(self.strings or self.codes or self.points)
