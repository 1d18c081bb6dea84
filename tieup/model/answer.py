"""The crew lead's answer: per setup and per joint, does it tie, and what to shoot again."""

from __future__ import annotations

from dataclasses import dataclass

from tieup.model.settings import Tolerances


@dataclass(frozen=True)
class SetupAnswer:
    """One setup: its largest differences (m) against the rest of the site, NaN if untested.

    ``station`` is the mark it stands over, empty for a free station. ``plan_at``, ``height_at``
    name the marks of the largest differences, empty where the setup is off as a whole.
    ``height`` is positive where the setup puts things high. ``verdict`` is ties, fails or
    untested, ``words`` say it in short.
    """

    setup: str
    station: str
    plan: float
    plan_at: str
    height: float
    height_at: str
    verdict: str
    words: str


@dataclass(frozen=True)
class JointAnswer:
    """Two setups whose bays meet: the step between them (m), NaN if untested.

    ``height`` is positive where the second setup puts things higher than the first. ``far`` is
    the plan step (m) at ``far_at``, the farthest shot of the two. ``strings`` pass between them.
    """

    first: str
    second: str
    plan: float
    height: float
    far: float
    far_at: str
    strings: tuple[str, ...]
    verdict: str
    words: str


@dataclass(frozen=True)
class TieAnswer:
    """One screen.

    ``odd`` names the setup that is off, empty for none. ``todo`` is what to do, in the order
    of need. ``holding``, ``failing``, ``unproved`` count the mark ties. ``status`` is 0 when
    nothing fails and nothing must be decided, else 1.
    """

    title: str
    length_unit: str
    limits: Tolerances
    setups: tuple[SetupAnswer, ...]
    joints: tuple[JointAnswer, ...]
    odd: str
    todo: tuple[str, ...]
    holding: int
    failing: int
    unproved: int
    status: int
