"""Quantities of the whole site: the fit, ties and joints, precision, closures, gear."""

from __future__ import annotations

import math

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.adjust.distributions import confidence_factor
from tieup.adjust.ellipse import error_ellipse, relative_covariance
from tieup.model.arrays import FloatArray, IntArray
from tieup.reduce.measured import Collector, Measured
from tieup.ties.adjacency import neighbour_pairs
from tieup.ties.change_over_readings import GAP, STEP
from tieup.ties.rule_evidence import RuleEvidence

HELD = 1e-7  # m; a relative ellipse below this is that of two held marks
MOST_MARKS = 400  # marks of which relative ellipses are worked out, the first in the job
NO_CONTROL = "there is no control in this job"
UNTESTED = "nothing tests it"


def standardised_residual(evidence: RuleEvidence) -> Measured:
    """Return the largest residual over its own sd of each setup's pointings."""
    taken = evidence.w_setup >= 0
    size = np.fmax.reduce(np.abs(evidence.w[taken]), axis=1)
    largest = np.full(len(evidence.setups), np.nan)
    np.fmax.at(largest, evidence.w_setup[taken], size)
    out = Collector("no pointing of it is checked by another")
    for label, value in zip(evidence.setups, largest.tolist(), strict=True):
        out.add(label, value)
    return out.done()


def fit_excess(evidence: RuleEvidence) -> Measured:
    """Return the weighted sum of squares over its upper chi-square bound."""
    out = Collector("no observation is checked by another")
    fit = evidence.fit
    out.add("site", fit.statistic / fit.upper if fit.dof else math.nan)
    return out.done()


def _control_fit(evidence: RuleEvidence, plan: bool) -> Measured:
    out = Collector(NO_CONTROL)
    test = evidence.control
    if test is None:
        return out.done()
    out.reason = "nothing but its own coordinates fixes it"
    for point, shift in zip(test.point, test.difference, strict=True):
        value = math.hypot(*shift[:2]) if plan else abs(float(shift[2]))
        out.add(evidence.points[point], value)
    return out.done()


def control_fit_plan(evidence: RuleEvidence) -> Measured:
    """Return how far (m) the survey puts each control mark from the list, in plan."""
    return _control_fit(evidence, plan=True)


def control_fit_height(evidence: RuleEvidence) -> Measured:
    """Return how far (m) the survey puts each control mark from the list, in height."""
    return _control_fit(evidence, plan=False)


def _ties(evidence: RuleEvidence, values: FloatArray) -> Measured:
    out = Collector(UNTESTED)
    ties = evidence.ties
    for setup, point, value in zip(ties.setup, ties.point, values.tolist(), strict=True):
        out.add(f"{evidence.setups[setup]} {evidence.points[point]}", abs(value))
    return out.done()


def tie_plan(evidence: RuleEvidence) -> Measured:
    """Return the plan difference (m) of every mark tie."""
    return _ties(evidence, evidence.ties.plan)


def tie_height(evidence: RuleEvidence) -> Measured:
    """Return the height difference (m) of every mark tie."""
    return _ties(evidence, evidence.ties.difference[:, 2])


def _joints(evidence: RuleEvidence, pairs: FloatArray, part: int) -> Measured:
    """Return the steps of neighbours that share work marks, and of strings at shared points."""
    out = Collector(UNTESTED)
    joined = evidence.pairs.neighbour & (evidence.pairs.work > 0)
    for (s, t), join, value in zip(evidence.pairs.pair, joined, pairs.tolist(), strict=True):
        if join:
            out.add(f"{evidence.setups[s]}-{evidence.setups[t]}", abs(value))
    joints = evidence.joints
    for i in range(len(joints)):
        s, t = joints.setup[i]
        value = float(joints.value[i, part]) if joints.point[i] >= 0 else math.nan
        out.add(f"{joints.string[i]} {evidence.setups[s]}-{evidence.setups[t]}", abs(value))
    return out.done()


def joint_plan(evidence: RuleEvidence) -> Measured:
    """Return the plan step (m) between setups that share work, and at string change-overs."""
    return _joints(evidence, evidence.pairs.plan, GAP)


def joint_height(evidence: RuleEvidence) -> Measured:
    """Return the height step (m) between setups that share work, and at change-overs."""
    return _joints(evidence, evidence.pairs.step[:, 2], STEP)


def marks_in_common(evidence: RuleEvidence) -> Measured:
    """Count the marks that neighbours, which share a work mark or more, have both shot."""
    out = Collector("no two neighbouring setups have shot the same work mark")
    pairs = evidence.pairs
    joined = pairs.neighbour & (pairs.work > 0)
    for (s, t), join, common in zip(pairs.pair, joined, pairs.common, strict=True):
        if join:
            out.add(f"{evidence.setups[s]}-{evidence.setups[t]}", float(common))
    return out.done()


def _marks(evidence: RuleEvidence, control: bool = False) -> IntArray:
    """Return the solved control and tie marks, or those of control alone."""
    ties = evidence.ties
    marks = np.unique(ties.point[ties.control] if control else ties.point)
    return marks[evidence.adjustment.problem.solved_point[marks]][:MOST_MARKS]


def _relative(evidence: RuleEvidence, marks: IntArray) -> Measured:
    """Return the semi-major axes (m) of the relative ellipses of neighbours among marks.

    Two held marks have no ellipse and are left out.
    """
    out = Collector("no two neighbouring marks have a relative ellipse")
    if len(marks) < 2:
        return out.done()
    place = evidence.adjustment.position[marks, :2]
    first, second = neighbour_pairs(place)
    joint = point_covariance(evidence.adjustment, marks)
    index = np.arange(len(marks))
    own, cross = joint[index, :, index, :], joint[first, :, second, :]
    relative = relative_covariance(own[first], own[second], cross)[:, :2, :2]
    factor = confidence_factor(2, evidence.confidence)
    major = error_ellipse(relative, factor).semi_major
    length = np.hypot(*(place[first] - place[second]).T)
    for i, j, value, distance in zip(first, second, major, length, strict=True):
        if value > HELD:
            names = f"{evidence.points[marks[i]]}-{evidence.points[marks[j]]}"
            out.add(names, float(value), float(distance))
    return out.done()


def relative_ellipse(evidence: RuleEvidence) -> Measured:
    """Return the semi-major axis (m) of the relative ellipse of every two adjacent marks.

    At the job's confidence, between marks that are neighbours in the plan.
    """
    return _relative(evidence, _marks(evidence))


def control_relative_ellipse(evidence: RuleEvidence) -> Measured:
    """Return the semi-major axis (m) of the relative ellipse of adjacent control marks."""
    return _relative(evidence, _marks(evidence, control=True))


def mark_ellipse(evidence: RuleEvidence) -> Measured:
    """Return the semi-major axis (m) of every mark's own ellipse at the job's confidence."""
    out = Collector("no marks are tied")
    marks = _marks(evidence)
    factor = confidence_factor(2, evidence.confidence)
    plan = evidence.adjustment.point_covariance[marks][:, :2, :2]
    major = error_ellipse(plan, factor).semi_major
    for mark, value in zip(marks, major.tolist(), strict=True):
        out.add(evidence.points[mark], value)
    return out.done()


def mark_height_interval(evidence: RuleEvidence) -> Measured:
    """Return the half interval (m) of every mark's height at the job's confidence."""
    out = Collector("its height is not determined")
    marks = _marks(evidence)
    factor = confidence_factor(1, evidence.confidence)
    level = evidence.adjustment.problem.network.start.height_point[marks]
    variance = np.where(level, evidence.adjustment.point_covariance[marks, 2, 2], math.nan)
    sd = np.sqrt(np.maximum(variance, 0.0))  # a held mark's is 0 but for rounding
    for mark, value in zip(marks, (factor * sd).tolist(), strict=True):
        out.add(evidence.points[mark], value)
    return out.done()


def _loops(evidence: RuleEvidence, name: str) -> Measured:
    out = Collector("the setups form no loop through two shared marks each")
    for closure in evidence.closures:
        walk = "-".join("control" if s < 0 else evidence.setups[s] for s in closure.setups)
        value = abs(float(getattr(closure, name)))
        out.add(walk, value, closure.length, float(closure.stations))
    return out.done()


def loop_ratio(evidence: RuleEvidence) -> Measured:
    """Return the linear misclosure of every loop of setups over its length."""
    return _loops(evidence, "ratio")


def loop_turn(evidence: RuleEvidence) -> Measured:
    """Return the angular misclosure (rad) of every loop of setups."""
    return _loops(evidence, "turn")


def loop_height(evidence: RuleEvidence) -> Measured:
    """Return the height misclosure (m) of every loop of setups."""
    return _loops(evidence, "height")


def control_spacing(evidence: RuleEvidence) -> Measured:
    """Return the distance (m) from every control mark to the next one."""
    out = Collector("fewer than two control marks")
    control = np.unique(evidence.ties.point[evidence.ties.control])
    if len(control) < 2:
        return out.done()
    place = evidence.adjustment.position[control, :2]
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    for mark, value in zip(control, apart.min(axis=1).tolist(), strict=True):
        out.add(evidence.points[mark], value)
    return out.done()


def instrument_distance_constant(evidence: RuleEvidence) -> Measured:
    """Return the stated constant part (m) of the distance sd of every instrument."""
    out = Collector("no instrument is stated")
    for name, instrument in evidence.precision.instruments.items():
        out.add(name, instrument.distance_constant)
    return out.done()


def instrument_distance_ppm(evidence: RuleEvidence) -> Measured:
    """Return the stated proportional part (a ratio) of the distance sd of every instrument."""
    out = Collector("no instrument is stated")
    for name, instrument in evidence.precision.instruments.items():
        out.add(name, instrument.distance_ppm * 1e-6)
    return out.done()
