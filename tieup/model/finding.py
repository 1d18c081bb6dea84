"""What is wrong, how sure, what else it could be, how to confirm and cure it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

STOP, CHECK, NOTE = SEVERITIES = ("stop", "check", "note")
NAMED, NOTICED = "named", "noticed"  # how sure it is that something is a mistake
STRING_STEP = "string-step"  # the kind that joints and to-do ask for
POLE_HEIGHT = "pole"  # starts the key of a note on side shots that hang on one
# What is wrong with a whole file is said first: what follows may be its doing.
OF_FILES = ("missing-column", "unused-column")


@dataclass(frozen=True)
class Rival:
    """Another explanation; ``separable`` is False where the data cannot decide."""

    kind: str
    setup: str
    points: tuple[str, ...]
    statistic: float | None
    separable: bool


@dataclass(frozen=True)
class Place:
    """Where ``point`` lies if a ``story`` is true: coordinates N, E, H and their sds (3,)."""

    point: str
    story: str
    coordinates: tuple[float, float, float]
    sds: tuple[float, float, float]


@dataclass(frozen=True)
class Finding:
    """One finding, in the trade's words.

    ``size`` is raw minus right and ``sd`` its standard deviation, both in ``unit``
    (the job's own unit); None where they have no meaning. ``statistic`` is
    |size| / sd or the like. ``lines`` are "file:line" of the raw rows behind it.
    ``key`` tells two findings of one kind, setup and points apart (an observation
    kind, say) and enters the id. ``decidable``: the decisions accept and keep work for it, accept
    where it is ``acceptable``: it has one cure. ``grade`` of a mistake: named, or noticed, which
    is out of the ordinary and no more. ``places`` (by point, then one for each story) where a
    point would lie, with sds, in the job's unit. ``doubt`` is what else it may be, as a clause,
    where the readings cannot tell; else empty.
    """

    kind: str
    severity: str
    setup: str = ""
    points: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    size: float | None = None
    unit: str = ""
    sd: float | None = None
    statistic: float | None = None
    rivals: tuple[Rival, ...] = ()
    action: str = ""
    says: str = ""
    confirm: str = ""
    cure: str = ""
    key: str = ""
    decidable: bool = False
    acceptable: bool = True
    grade: str = ""
    places: tuple[Place, ...] = ()
    doubt: str = ""

    @property
    def id(self) -> str:
        """Return an id made of what the finding is about, not of its place in the list."""
        return finding_id(self.kind, self.setup, self.points, self.key)


def finding_id(kind: str, setup: str = "", points: Sequence[str] = (), key: str = "") -> str:
    """Return the id of a finding of this kind about these."""
    about = "|".join([kind, setup, *sorted(points), key])
    return "F-" + hashlib.sha256(about.encode("utf-8")).hexdigest()[:6]


def worst_first(findings: list[Finding]) -> list[Finding]:
    """Sort findings: stop, check, note; within one severity the largest statistic first.

    Before them stands what is wrong with whole files.
    """
    return sorted(
        findings,
        key=lambda f: (
            SEVERITIES.index(f.severity),
            f.kind not in OF_FILES,
            -(f.statistic or 0.0),
            f.kind,
            f.id,
        ),
    )
