"""Tables of what lies between setups: joints of strings, steps of pairs, control, rules."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.geometry import ARC_SECOND
from tieup.model.answer import TIED
from tieup.model.arrays import FloatArray, TextArray, text_array
from tieup.model.reconciliation import Table
from tieup.model.rules import Rule, RuleResult
from tieup.results.site import Site
from tieup.ties.change_over_readings import GAP, STEP
from tieup.ties.pairs import words_of
from tieup.ties.tie_checks import Checks
from tieup.units import length_factor, length_word

FEET = ("ft", "ftUS")
TURN = 3


def joints_table(site: Site, checks: Checks) -> Table:
    """Return every change-over of a string from one setup to another: second minus first.

    Without a shared point nothing is known of a gap, nor of a step that the line's shape explains.
    """
    joints, length = checks.evidence.joints, length_factor(site.job.length_unit)
    if not len(joints):
        return {}
    at = np.where(joints.point >= 0, joints.point, joints.ends[:, 1])
    place, count = site.position[at] / length, len(joints)
    limits = site.job.tolerances
    value, sd = joints.value / length, joints.sd / length
    alone = joints.point < 0
    value[alone, GAP] = sd[alone, GAP] = np.nan
    value[alone & ~joints.stands, STEP] = np.nan
    sd[alone, STEP] = np.hypot(sd[alone, STEP], joints.unsure[alone] / length)
    return {
        "string": joints.string,
        "first": _labels(site)[joints.setup[:, 0]],
        "second": _labels(site)[joints.setup[:, 1]],
        "point": _points(site)[at],
        "northing": place[:, 0],
        "easting": place[:, 1],
        "d_horizontal": value[:, GAP],
        "d_elevation": value[:, STEP],
        "sd_horizontal": sd[:, GAP],
        "sd_elevation": sd[:, STEP],
        "limit_horizontal": np.full(count, limits.horizontal / length),
        "limit_elevation": np.full(count, limits.elevation / length),
        "verdict": checks.joints.verdict,
        "judgement": checks.joints.words,
    }


def pairs_table(site: Site, checks: Checks) -> Table:
    """Return the rigid step of every pair of setups with common marks: first minus second."""
    pairs, length = checks.evidence.pairs, length_factor(site.job.length_unit)
    if not len(pairs):
        return {}
    step, sd = pairs.step, np.sqrt(np.diagonal(pairs.covariance, axis1=1, axis2=2))
    far = pairs.far_point
    names = np.where(far >= 0, _points(site)[np.maximum(far, 0)], "").astype(object)
    limits, count = site.job.tolerances, len(pairs)
    return {
        "first": _labels(site)[pairs.pair[:, 0]],
        "second": _labels(site)[pairs.pair[:, 1]],
        "shared": pairs.shared,
        "d_northing": step[:, 0] / length,
        "d_easting": step[:, 1] / length,
        "d_elevation": step[:, 2] / length,
        "turn": step[:, TURN] / ARC_SECOND,
        "far_point": names,
        "d_horizontal": pairs.far_plan / length,
        "sd_horizontal": pairs.far_sd / length,
        "sd_elevation": sd[:, 2] / length,
        "limit_horizontal": np.full(count, limits.horizontal / length),
        "limit_elevation": np.full(count, limits.elevation / length),
        "verdict": checks.pairs.verdict,
        "judgement": _pair_words(checks, limits.horizontal),
    }


def control_table(site: Site, checks: Checks) -> Table:
    """Return each control mark: the survey without its coordinates, minus the list."""
    test, length = checks.evidence.control, length_factor(site.job.length_unit)
    if test is None or not len(test.point):
        return {}
    out = np.where(test.out_plan | test.out_height, "fails", "ties").astype(object)
    tested = np.isfinite(test.difference).any(axis=1)
    words = [
        _control_words(plan, height, test.told)
        for plan, height in zip(test.out_plan, test.out_height, strict=True)
    ]
    difference, sd = test.difference / length, test.sd / length
    return {
        "point": _points(site)[test.point],
        "d_northing": difference[:, 0],
        "d_easting": difference[:, 1],
        "d_elevation": difference[:, 2],
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "verdict": np.where(tested, out, "untested").astype(object),
        "judgement": np.array(words, dtype=object),
    }


def _control_words(plan: bool, height: bool, told: tuple[bool, bool]) -> str:
    if not plan and not height:
        return "fits the others"
    parts = [word for word, off in (("plan", plan), ("height", height)) if off]
    sure = all(told[i] for i, off in enumerate((plan, height)) if off)
    return f"out in {' and '.join(parts)}" + ("" if sure else ", or another mark is")


def _pair_words(checks: Checks, limit: float) -> TextArray:
    """Return the words of each pair; ``limit`` (m) is the one in plan."""
    pairs, words = checks.evidence.pairs, words_of(checks.evidence.pairs, checks.pairs)
    over = (checks.pairs.verdict == TIED) & (pairs.far_plan > limit)
    words[over] = "within the limit; over it at the farthest shot, but not beyond the scatter"
    return words


def rules_table(results: Sequence[RuleResult], length_unit: str) -> Table:
    """Return what came of each rule, lengths in a unit that the job's people read."""
    if not results:
        return {}
    units = [_rule_unit(result.rule, length_unit) for result in results]

    def scaled(values: Sequence[float | None]) -> FloatArray:
        pairs = zip(values, units, strict=True)
        return np.array([np.nan if v is None else v / factor for v, (_, factor) in pairs])

    return {
        "set": text_array([r.rule.of for r in results]),
        "rule": text_array([r.rule.id for r in results]),
        "says": text_array([r.rule.says for r in results]),
        "state": text_array([r.state for r in results]),
        "subject": text_array([r.subject for r in results]),
        "value": scaled([r.value for r in results]),
        "limit": scaled([r.limit for r in results]),
        "unit": text_array([unit for unit, _ in units]),
        "checked": np.array([r.checked for r in results], dtype=np.int64),
        "reason": text_array([r.reason for r in results]),
        "source": text_array([r.rule.source for r in results]),
    }


def _rule_unit(rule: Rule, length_unit: str) -> tuple[str, float]:
    """Return the unit a rule is shown in and its factor: a limit in feet says little in metres."""
    if rule.unit not in ("m", "mm", *FEET) or (rule.unit in FEET) == (length_unit in FEET):
        return rule.unit, rule.factor
    if length_unit in FEET:
        return length_word(length_unit), length_factor(length_unit)
    unit = "m" if max(limit.value for limit in (rule.warn, rule.fail) if limit) >= 1.0 else "mm"
    return unit, length_factor(unit)


def _labels(site: Site) -> TextArray:
    return text_array([setup.label for setup in site.case.setups])


def _points(site: Site) -> TextArray:
    return text_array(list(site.case.points))
