"""Quantities of one setup at a time: how it stands, and what it says against itself."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray
from tieup.model.geometry_words import DISCONNECTED
from tieup.reduce.grouping import rows_by_group
from tieup.reduce.measured import Collector, Measured
from tieup.reduce.quantities import longest
from tieup.ties.rule_evidence import RuleEvidence

OUT_OF_SOLUTION = "not part of the solution"


def _of_geometry(evidence: RuleEvidence, name: str, reason: str = OUT_OF_SOLUTION) -> Measured:
    out = Collector(reason)
    for label, geometry in zip(evidence.setups, evidence.geometry, strict=True):
        placed = geometry.word != DISCONNECTED
        out.add(label, float(getattr(geometry, name)) if placed else np.nan)
    return out.done()


def ties_sighted(evidence: RuleEvidence) -> Measured:
    """Count the shared or control marks of each setup, the one occupied included."""
    return _of_geometry(evidence, "ties")


def control_sighted(evidence: RuleEvidence) -> Measured:
    """Count the control marks of each setup, the one occupied included."""
    ties = evidence.ties
    own = np.bincount(ties.setup[ties.control], minlength=len(evidence.setups))
    out = Collector("there is no control in this job")
    for label, count in zip(evidence.setups, own, strict=True):
        out.add(label, float(count) if ties.control.any() else np.nan)
    return out.done()


def _free(evidence: RuleEvidence, s: int) -> bool:
    return bool(evidence.adjustment.problem.network.station[s] < 0)


def tie_spread(evidence: RuleEvidence) -> Measured:
    """Return the fan of marks (rad) of each free station with three or more."""
    out = Collector(OUT_OF_SOLUTION)
    for s, (label, geometry) in enumerate(zip(evidence.setups, evidence.geometry, strict=True)):
        if _free(evidence, s) and geometry.ties > 2:
            out.add(label, geometry.spread)
    return out.done()


def two_mark_angle(evidence: RuleEvidence) -> Measured:
    """Return the angle (rad) between the two marks of each free station that has two only."""
    out = Collector("no free station stands on two marks only")
    for s, (label, geometry) in enumerate(zip(evidence.setups, evidence.geometry, strict=True)):
        if _free(evidence, s) and geometry.ties == 2:
            out.add(label, geometry.outer)
    return out.done()


def _sight_lengths(evidence: RuleEvidence, chosen: BoolArray) -> Measured:
    """Return the longest slope distance (m) of each setup that saw any of ``chosen`` (P,)."""
    visits, furthest = evidence.visits, longest(evidence, chosen)
    out = Collector("no distances were measured")
    for s in np.unique(visits.setup[chosen[visits.point]]).tolist():
        out.add(evidence.setups[s], float(furthest[s]))
    return out.done()


def work_sight_length(evidence: RuleEvidence) -> Measured:
    """Return the longest slope distance (m) of each setup to a point that is no tie."""
    return _sight_lengths(evidence, ~evidence.shared)


def control_sight_length(evidence: RuleEvidence) -> Measured:
    """Return the longest slope distance (m) of each setup to a control mark."""
    return _sight_lengths(evidence, evidence.listed)


def setup_sd_plan(evidence: RuleEvidence) -> Measured:
    """Return the largest plan sd (m) that a setup's own pose gives a shot."""
    return _of_geometry(evidence, "sd_plan")


def setup_sd_height(evidence: RuleEvidence) -> Measured:
    """Return the height sd (m) that a setup's own pose gives its shots."""
    return _of_geometry(evidence, "sd_height", "its height is not determined")


def caught_plan(evidence: RuleEvidence) -> Measured:
    """Return the smallest plan mistake (m) at a mark that each setup is sure to catch."""
    return _of_geometry(evidence, "caught_plan")


def caught_height(evidence: RuleEvidence) -> Measured:
    """Return the smallest height mistake (m) at a mark that each setup is sure to catch."""
    return _of_geometry(evidence, "caught_height")


def least_redundancy(evidence: RuleEvidence) -> Measured:
    """Return the smallest redundancy number among each setup's sights of ties."""
    return _of_geometry(evidence, "least_redundancy")


def drift_direction(evidence: RuleEvidence) -> Measured:
    """Return the steady turn (rad) of each setup over its time, of three looks back or more."""
    drift = evidence.drift
    out = Collector("fewer than three looks back at its marks, or no times")
    groups = rows_by_group(evidence.closings.setup, len(evidence.setups))
    for s, label in enumerate(evidence.setups):
        turn = abs(float(drift.turn[s] * drift.span[s]))
        own = evidence.closings.distance[groups[s]]
        distance = float(np.mean(own)) if len(own) else np.nan
        out.add(label, turn if drift.looks[s] > 2 else np.nan, distance)
    return out.done()


def _backsight_ties(evidence: RuleEvidence, along: bool) -> Measured:
    """Return misfits of each setup's backsight against the rest of the site."""
    visits, ties = evidence.visits, evidence.ties
    first = np.ones(len(visits), dtype=bool)
    first[1:] = visits.setup[1:] != visits.setup[:-1]
    backsight = dict(zip(visits.setup[first].tolist(), visits.point[first].tolist(), strict=True))
    booked = evidence.closings.backsight
    backsight |= dict(
        zip(
            evidence.closings.setup[booked].tolist(),
            evidence.closings.point[booked].tolist(),
            strict=True,
        )
    )
    out = Collector("nothing else fixes its backsight")
    groups = rows_by_group(ties.setup, len(evidence.setups))
    for s, label in enumerate(evidence.setups):
        rows = groups[s][ties.point[groups[s]] == backsight.get(s, -1)]
        if not len(rows):
            out.add(label, np.nan)
            continue
        ray = evidence.adjustment.position[ties.point[rows[0]]] - evidence.adjustment.axis[s]
        shift, length = ties.difference[rows[0]], float(np.hypot(*ray[:2]))
        misfit = shift[:2] @ ray[:2] / length if along else shift[2]
        out.add(label, abs(float(misfit)), length)
    return out.done()


def backsight_distance(evidence: RuleEvidence) -> Measured:
    """Return the misfit (m) along the ray of each setup's backsight."""
    return _backsight_ties(evidence, along=True)


def backsight_height(evidence: RuleEvidence) -> Measured:
    """Return the misfit (m) in height of each setup's backsight."""
    return _backsight_ties(evidence, along=False)
