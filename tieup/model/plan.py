"""A plan of sights: what is written down before the field, and what it comes to.

Nothing in it is measured. Lengths of `Plan` are in metres; those of the answer are in the
job's own unit, as in every table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.fieldbook import Setup
from tieup.model.job import Job
from tieup.model.reconciliation import Table
from tieup.model.settings import Tolerances


@dataclass(frozen=True)
class PlannedSights:
    """The rows of the list of sights, arrays of shape (k,).

    ``setup`` indexes `Plan.setups`, ``point`` `Plan.points`. ``target_height`` in m.
    ``measured`` (k, 3): which of direction, zenith angle and distance. ``line`` counts from 1.
    """

    setup: IntArray
    point: IntArray
    target_height: FloatArray
    measured: BoolArray
    rounds: IntArray
    faces: IntArray
    target: TextArray
    line: IntArray

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True)
class Plan:
    """What is to be sighted from where.

    ``places`` are approximate N, E, H in m: of marks, and of the instrument of free setups by
    their label. ``sights_file`` is the name of the list of sights in messages. ``doubled`` are
    marks that control has too, a little elsewhere: control counts.
    """

    sights_file: str
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    sights: PlannedSights
    places: Mapping[str, tuple[float, float, float]]
    doubled: tuple[str, ...] = ()


@dataclass(frozen=True)
class MarkForecast:
    """How well one mark would be known; lengths in the job's unit.

    ``plan`` is the semi-major axis of its ellipse, ``height`` half its interval, at the job's
    confidence; NaN where nothing is asked. ``caught_plan``, ``caught_height``: the smallest
    mistake in the weakest of its sights that would be caught, infinite where none would.
    ``unnoticed_plan``, ``unnoticed_height``: what a mistake just too small to be noticed would do
    to it; ``hides_plan``, ``hides_height``: what one could still hide after a day without mistakes,
    on 8 days in 10 no more; infinite where none would show. ``checked`` is the share of days on
    which that keeps the limits. ``over`` is the worse of plan and height over its limit. ``faults``
    say what is weak.
    """

    point: str
    role: str
    proof: str
    plan: float
    height: float
    caught_plan: float
    caught_height: float
    unnoticed_plan: float
    unnoticed_height: float
    hides_plan: float
    hides_height: float
    checked: float
    over: float
    faults: tuple[str, ...]


@dataclass(frozen=True)
class BayForecast:
    """How a setup or a joint would stand where it is used, lengths in the job's unit.

    ``point`` is the farthest shot, empty at a joint. ``plan``, ``height``: how well it would be
    known there at 95 %; what a mistake could do as in `MarkForecast`. ``tie`` is the share of days
    on which it would be shown to tie, ``verdict`` the word for it. NaN where it has no place.
    """

    point: str
    plan: float
    height: float
    unnoticed_plan: float
    unnoticed_height: float
    hides_plan: float
    hides_height: float
    tie: float
    verdict: str


@dataclass(frozen=True)
class SetupForecast:
    """How one setup would stand; ``note`` is what is weak but passes."""

    setup: str
    station: str
    geometry: str
    bay: BayForecast
    note: str
    faults: tuple[str, ...]


@dataclass(frozen=True)
class JointForecast:
    """How a joint between two setups would stand, in the middle of the marks that both see."""

    first: str
    second: str
    bay: BayForecast
    faults: tuple[str, ...]


@dataclass(frozen=True)
class NextShot:
    """One further sight worth shooting, each after the one before; ``distance`` in the job's unit.

    ``gains`` say what it would better.
    """

    setup: str
    point: str
    distance: float
    gains: tuple[str, ...]


@dataclass(frozen=True)
class PlanAnswer:
    """One screen.

    ``basis`` says what the numbers rest on: "planned", "shot" or "shot and planned".
    ``faults`` are all of them, worst first. ``untied`` are setups that stand nobody knows where:
    no further sight from them could be tried. ``details`` counts points shot once, which the
    answer does not ask about, ``links`` level runs and tapes, ``baselines`` those. ``reach``
    (job's unit) bounds the further sights that were tried. ``to_settle`` counts the findings of
    severity stop in what was shot: what they contaminate is left out. ``doubled`` are marks that
    stand a little elsewhere in the list of places than in control, which counts.
    """

    title: str
    length_unit: str
    basis: str
    limits: Tolerances
    confidence: float
    marks: tuple[MarkForecast, ...]
    setups: tuple[SetupForecast, ...]
    joints: tuple[JointForecast, ...]
    faults: tuple[str, ...]
    shots: tuple[NextShot, ...]
    untied: tuple[str, ...]
    sights: int
    links: int
    details: int
    reach: float
    to_settle: int
    doubled: tuple[str, ...] = ()
    baselines: int = 0

    @property
    def status(self) -> int:
        """Return 0 when the plan holds, else 1."""
        return int(bool(self.faults))


@dataclass(frozen=True)
class Forecast:
    """What a plan comes to: four tables in the job's own units and the answer.

    ``run`` holds version, inputs with their sha256 and settings.
    """

    job: Job
    points: Table
    sights: Table
    setups: Table
    joints: Table
    answer: PlanAnswer
    run: Mapping[str, Any]
