"""Run every check of the room on a finished solution: the one call a run needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import global_test
from tieup.adjust.guards import Guards
from tieup.adjust.pointings import PointingTests
from tieup.adjust.scatter import KNOWN
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import Pointings, Sights
from tieup.model.settings import Precision, Tolerances
from tieup.model.strings import StringStep
from tieup.network.bridges import Bridge, find_bridges
from tieup.reduce.backsights import closings, drift
from tieup.reduce.rounds import find_pairs
from tieup.reduce.target_visits import shooting_order
from tieup.reduce.visits import find_visits
from tieup.ties.bays import Bays, Shooting, shooting_of, stand_bays
from tieup.ties.closures import find_closures
from tieup.ties.control_test import control_test
from tieup.ties.joints import judge_joints, string_joints
from tieup.ties.known import known_to_control
from tieup.ties.marks import judge_ties, mark_ties
from tieup.ties.pairs import judge_pairs, pair_steps
from tieup.ties.rule_evidence import RuleEvidence
from tieup.ties.setup_geometry import setup_geometry
from tieup.ties.steps import SetupSteps, setup_steps
from tieup.ties.suspects import Suspects
from tieup.ties.verdicts import Judgement
from tieup.ties.withheld import WithheldTies


@dataclass(frozen=True)
class CheckedSolution:
    """What is checked: a solution and the rows behind it.

    ``held`` is the final solution, ``minimal`` the minimally constrained fit of the same data
    (None without control). ``shots`` (m rows) and ``pointings`` say how every raw row entered
    ``sights``, which are in the numbering of the solution; ``tests`` are of the raw rows.
    ``withheld``: what was left out of the solution, from `tieup.ties.withheld`.

    ``careful`` is the solution weighed by the larger of stated and estimated scatter, with what
    it is ``guards`` against (None of a large site), the ``words`` of each and the ``freedom``
    (S, 2) of each setup's variances. ``suspects`` are the setups and the points that a mistake
    speaks of: no difference is more than chance where nothing was found.
    """

    held: Adjustment
    minimal: Adjustment | None
    shots: Shots
    sights: Sights
    pointings: Pointings
    tests: PointingTests
    precision: Precision
    refraction: float
    confidence: float
    withheld: WithheldTies | None = None
    careful: Adjustment | None = None
    guards: Guards | None = None
    words: tuple[str, ...] = ()
    freedom: FloatArray | None = None
    suspects: Suspects | None = None


@dataclass(frozen=True)
class Checks:
    """Everything the room found; ``ties``, ``pairs``, ``joints`` judge the evidence's own.

    ``guarded``: the words of what the bays are guarded against.
    """

    evidence: RuleEvidence
    limits: Tolerances
    ties: Judgement
    pairs: Judgement
    joints: Judgement
    steps: SetupSteps
    bridges: tuple[Bridge, ...]
    bays: Bays
    guarded: tuple[str, ...] = ()


def loose_steps(adjustment: Adjustment, shots: Shots, limits: Tolerances) -> tuple[StringStep, ...]:
    """Return what strings say of the height where setups pass them on without a shared point."""
    return string_joints(adjustment, None, shots, limits.elevation).steps()


def check_site(solution: CheckedSolution, limits: Tolerances) -> Checks:
    """Check a site: ties, steps, joints, geometry, backsights, control."""
    held, sights, shots = solution.held, solution.sights, solution.shots
    ties = mark_ties(held, solution.withheld)
    visits = find_visits(shots, solution.pointings, sights)
    setup, _ = _rows(sights, solution.pointings)
    evidence = RuleEvidence(
        adjustment=held,
        precision=solution.precision,
        fit=global_test(solution.tests.weighted_sum, solution.tests.dof, 0.05),
        ties=ties,
        geometry=setup_geometry(held, ties),
        pairs=pair_steps(held),
        joints=string_joints(held, ties, shots, limits.elevation),
        visits=visits,
        face_pairs=find_pairs(shots, solution.pointings, sights),
        closings=closings(visits, shots.role, solution.precision),
        drift=drift(visits, len(held.axis), solution.precision),
        closures=find_closures(held, sights, solution.refraction),
        control=None
        if solution.minimal is None
        else control_test(held, solution.minimal, solution.suspects),
        w=solution.tests.w,
        w_setup=setup,
        confidence=solution.confidence,
    )
    connections, suspects = held.connections, solution.suspects
    return Checks(
        evidence,
        limits,
        judge_ties(ties, limits, suspects),
        judge_pairs(evidence.pairs, limits, suspects),
        judge_joints(evidence.joints, limits),
        setup_steps(held, suspects),
        find_bridges(connections.setup, connections.point, known_to_control(held)),
        bays_of(solution, evidence.pairs.pair),
        solution.words,
    )


def bays_of(solution: CheckedSolution, pairs: IntArray) -> Bays:
    """Return how the setups and the joints of ``pairs`` (q, 2) stand.

    Sds are taken as known where nothing says more.
    """
    careful = solution.careful or solution.held
    known = np.full((len(careful.axis), 2), KNOWN)
    freedom = known if solution.freedom is None else solution.freedom
    return stand_bays(careful, solution.guards, freedom, pairs, shooting_in(solution))


def shooting_in(solution: CheckedSolution) -> Shooting:
    """Return when the side shots of a solution were taken."""
    careful = solution.careful or solution.held
    setup, point = _rows(solution.sights, solution.pointings)
    aside, order = careful.aside.connections.point, shooting_order(solution.shots)
    return shooting_of(setup, point, order, aside, len(careful.axis), len(careful.position))


def _rows(sights: Sights, pointings: Pointings) -> tuple[IntArray, IntArray]:
    """Return setup and point (m,) of every raw row, -1 where it takes no part."""
    sight = pointings.sight
    taken = sight >= 0
    setup = np.where(taken, sights.setup[np.maximum(sight, 0)], -1)
    point = np.where(taken, sights.point[np.maximum(sight, 0)], -1)
    return setup, point
