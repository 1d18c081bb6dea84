"""Quantities of one setup at a time: how it stands, and what it says against itself."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.reduce.rounds import count_pairs
from tieup.ties.evidence import Collector, Evidence, Measured
from tieup.ties.geometry import DISCONNECTED
from tieup.ties.grouping import rows_by_group

MOST_PAIRS = 40  # face pairs of a setup compared with each other
OUT_OF_SOLUTION = "not part of the solution"


def _of_geometry(evidence: Evidence, name: str, reason: str = OUT_OF_SOLUTION) -> Measured:
    out = Collector(reason)
    for label, geometry in zip(evidence.setups, evidence.geometry, strict=True):
        placed = geometry.word != DISCONNECTED
        out.add(label, float(getattr(geometry, name)) if placed else np.nan)
    return out.done()


def ties_sighted(evidence: Evidence) -> Measured:
    """Count the shared or control marks of each setup, the one occupied included."""
    return _of_geometry(evidence, "ties")


def control_sighted(evidence: Evidence) -> Measured:
    """Count the control marks of each setup, the one occupied included."""
    ties = evidence.ties
    own = np.bincount(ties.setup[ties.control], minlength=len(evidence.setups))
    out = Collector("there is no control in this job")
    for label, count in zip(evidence.setups, own, strict=True):
        out.add(label, float(count) if ties.control.any() else np.nan)
    return out.done()


def _free(evidence: Evidence, s: int) -> bool:
    return bool(evidence.adjustment.problem.network.station[s] < 0)


def tie_spread(evidence: Evidence) -> Measured:
    """Return the fan of marks (rad) of each free station with three or more."""
    out = Collector(OUT_OF_SOLUTION)
    for s, (label, geometry) in enumerate(zip(evidence.setups, evidence.geometry, strict=True)):
        if _free(evidence, s) and geometry.ties > 2:
            out.add(label, geometry.spread)
    return out.done()


def two_mark_angle(evidence: Evidence) -> Measured:
    """Return the angle (rad) between the two marks of each free station that has two only."""
    out = Collector("no free station stands on two marks only")
    for s, (label, geometry) in enumerate(zip(evidence.setups, evidence.geometry, strict=True)):
        if _free(evidence, s) and geometry.ties == 2:
            out.add(label, geometry.outer)
    return out.done()


def work_reach(evidence: Evidence) -> Measured:
    """Return the longest shot over the longest sight of a tie mark."""
    out = Collector("no tie mark was sighted")
    for label, geometry in zip(evidence.setups, evidence.geometry, strict=True):
        tied = geometry.longest_tie > 0
        out.add(label, geometry.longest_shot / geometry.longest_tie if tied else np.nan)
    return out.done()


def _sight_lengths(evidence: Evidence, of_ties: bool) -> Measured:
    visits, ties = evidence.visits, evidence.ties
    is_tie = np.isin(visits.point, ties.point[ties.control] if of_ties else ties.point)
    chosen = np.flatnonzero(is_tie if of_ties else ~is_tie)
    out = Collector("no distances were measured")
    groups = rows_by_group(visits.setup[chosen], len(evidence.setups))
    for label, own in zip(evidence.setups, groups, strict=True):
        if len(own):
            longest = visits.distance[chosen[own]]
            out.add(label, float(np.nanmax(longest)) if np.isfinite(longest).any() else np.nan)
    return out.done()


def work_sight_length(evidence: Evidence) -> Measured:
    """Return the longest slope distance (m) of each setup to a point that is no tie."""
    return _sight_lengths(evidence, of_ties=False)


def control_sight_length(evidence: Evidence) -> Measured:
    """Return the longest slope distance (m) of each setup to a control mark."""
    return _sight_lengths(evidence, of_ties=True)


def setup_sd_plan(evidence: Evidence) -> Measured:
    """Return the largest plan sd (m) that a setup's own pose gives a shot."""
    return _of_geometry(evidence, "sd_plan")


def setup_sd_height(evidence: Evidence) -> Measured:
    """Return the height sd (m) that a setup's own pose gives its shots."""
    return _of_geometry(evidence, "sd_height", "its height is not determined")


def caught_plan(evidence: Evidence) -> Measured:
    """Return the smallest plan mistake (m) at a mark that each setup is sure to catch."""
    return _of_geometry(evidence, "caught_plan")


def caught_height(evidence: Evidence) -> Measured:
    """Return the smallest height mistake (m) at a mark that each setup is sure to catch."""
    return _of_geometry(evidence, "caught_height")


def least_redundancy(evidence: Evidence) -> Measured:
    """Return the smallest redundancy number among each setup's sights of ties."""
    return _of_geometry(evidence, "least_redundancy")


def closing_shots(evidence: Evidence) -> Measured:
    """Count the marks that each setup came back to at its end."""
    own = np.bincount(evidence.closings.setup, minlength=len(evidence.setups))
    out = Collector("")
    for label, count in zip(evidence.setups, own, strict=True):
        out.add(label, float(count))
    return out.done()


def _closing(evidence: Evidence, column: int) -> Measured:
    closings = evidence.closings
    backsight = np.flatnonzero(closings.backsight)
    out = Collector("no closing shot of its backsight")
    groups = rows_by_group(closings.setup[backsight], len(evidence.setups))
    for label, rows in zip(evidence.setups, groups, strict=True):
        if not len(rows):
            out.add(label, np.nan)
        for row in backsight[rows]:
            out.add(label, abs(float(closings.change[row, column])), float(closings.distance[row]))
    return out.done()


def closing_direction(evidence: Evidence) -> Measured:
    """Return the change of direction (rad) of the backsight, closing against opening."""
    return _closing(evidence, 0)


def closing_distance(evidence: Evidence) -> Measured:
    """Return the change of distance (m) of the backsight, closing against opening."""
    return _closing(evidence, 1)


def closing_height(evidence: Evidence) -> Measured:
    """Return the change of height (m) of the backsight, closing against opening."""
    return _closing(evidence, 2)


def drift_direction(evidence: Evidence) -> Measured:
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


def _backsight_ties(evidence: Evidence, along: bool) -> Measured:
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


def backsight_distance(evidence: Evidence) -> Measured:
    """Return the misfit (m) along the ray of each setup's backsight."""
    return _backsight_ties(evidence, along=True)


def backsight_height(evidence: Evidence) -> Measured:
    """Return the misfit (m) in height of each setup's backsight."""
    return _backsight_ties(evidence, along=False)


NO_PAIRS = "no mark pointed in both faces"


def _face_values(evidence: Evidence, name: str, half: bool) -> Measured:
    """Return means over the pairs of each setup (``half``) or every value of a pair."""
    pairs = evidence.face_pairs
    values: FloatArray = getattr(pairs, name)
    out = Collector(NO_PAIRS)
    defined = np.flatnonzero(np.isfinite(values))
    groups = rows_by_group(pairs.setup[defined], len(evidence.setups))
    for label, rows in zip(evidence.setups, groups, strict=True):
        own = defined[rows]
        if not len(own):
            out.add(label, np.nan)
        elif half:
            out.add(label, abs(float(values[own].mean())) / 2.0)
        else:
            for row in own:
                out.add(label, abs(float(values[row])), float(pairs.away[row]))
    return out.done()


def collimation(evidence: Evidence) -> Measured:
    """Return the mean collimation error (rad) of each setup's face pairs."""
    return _face_values(evidence, "two_c", half=True)


def vertical_index(evidence: Evidence) -> Measured:
    """Return the mean vertical index error (rad) of each setup's face pairs."""
    return _face_values(evidence, "two_i", half=True)


def face_distance(evidence: Evidence) -> Measured:
    """Return the difference (m) of the distances in two faces, pair by pair."""
    return _face_values(evidence, "distance", half=False)


def _spread(evidence: Evidence, name: str) -> Measured:
    """Return how far apart any two face pairs of a setup are, at the shorter distance."""
    pairs = evidence.face_pairs
    values: FloatArray = getattr(pairs, name)
    out = Collector("fewer than two marks pointed in both faces")
    defined = np.flatnonzero(np.isfinite(values))
    groups = rows_by_group(pairs.setup[defined], len(evidence.setups))
    for label, rows in zip(evidence.setups, groups, strict=True):
        own = defined[rows]
        if len(own) < 2:
            out.add(label, np.nan)
            continue
        away = np.abs(values[own] - np.median(values[own]))
        own = own[np.argsort(-away, kind="stable")[:MOST_PAIRS]]
        i, j = np.triu_indices(len(own), 1)
        apart = np.abs(values[own[i]] - values[own[j]])
        nearer = np.fmin(pairs.away[own[i]], pairs.away[own[j]])
        for value, distance in zip(apart.tolist(), nearer.tolist(), strict=True):
            out.add(label, value, distance)
    return out.done()


def collimation_spread(evidence: Evidence) -> Measured:
    """Return the spread of 2c (rad) within each setup."""
    return _spread(evidence, "two_c")


def index_spread(evidence: Evidence) -> Measured:
    """Return the spread of 2i (rad) within each setup."""
    return _spread(evidence, "two_i")


def control_face_pairs(evidence: Evidence) -> Measured:
    """Count the face pairs of every setup's sight of a control mark."""
    visits, ties = evidence.visits, evidence.ties
    control = np.isin(visits.point, ties.point[ties.control])
    out = Collector("there is no control in this job")
    sighted = np.unique(np.column_stack([visits.setup, visits.point])[control], axis=0)
    counts = count_pairs(evidence.face_pairs, *sighted.T)
    for (s, p), count in zip(sighted.tolist(), counts.tolist(), strict=True):
        out.add(f"{evidence.setups[s]} {evidence.points[p]}", count)
    return out.done()
