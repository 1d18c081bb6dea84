"""Hold what was measured against rules that are data.

A rule names a quantity of `tieup.ties.rule_measures.MEASURES`; the quantity comes with a value
per subject (a setup, a pair, a mark), and with the names of subjects that had no data for
it. A subject without data never counts as a pass.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.rules import FAIL, NOT_CHECKED, PASS, WARN, Limit, Rule, RuleResult
from tieup.reduce.measured import Measured
from tieup.sentences import listed
from tieup.ties.rule_evidence import RuleEvidence
from tieup.ties.rule_measures import MEASURES

NAMED = 6  # subjects written out in a reason


def check_rules(rules: Iterable[Rule], evidence: RuleEvidence) -> tuple[RuleResult, ...]:
    """Check every rule; quantities used by several rules are measured once."""
    measured: dict[str, Measured] = {}
    results = []
    for rule in rules:
        if rule.measures not in measured:
            measured[rule.measures] = MEASURES[rule.measures](evidence)
        results.append(check_rule(rule, measured[rule.measures]))
    return tuple(results)


def check_rule(rule: Rule, measured: Measured) -> RuleResult:
    """Hold the values of one quantity against one rule."""
    if not len(measured.value):
        reason = measured.reason or "there is nothing of this kind in the job"
        missing = measured.missing
        return RuleResult(rule, NOT_CHECKED, None, None, "", (), (), 0, missing, reason)
    fails, fail_share = _held(rule, rule.fail, measured)
    warns, warn_share = _held(rule, rule.warn, measured)
    share = fail_share if fails.any() else warn_share if rule.warn else fail_share
    worst = int(np.argmax(share))
    if fails.any():
        state, used = FAIL, rule.fail
    else:
        used = rule.warn or rule.fail
        state = WARN if warns.any() else NOT_CHECKED if measured.missing else PASS
    limit = float(limit_at(used, measured)[worst]) if used else None
    return RuleResult(
        rule,
        state,
        float(measured.value[worst]),
        limit,
        measured.subject[worst],
        _names(measured, fails),
        _names(measured, warns & ~fails),
        len(set(measured.subject)),
        measured.missing,
        _reason(measured),
    )


def limit_at(limit: Limit, measured: Measured) -> FloatArray:
    """Return the limit (n,) for every value: it may depend on distance and on count."""
    value = np.full(len(measured.value), limit.value)
    with np.errstate(divide="ignore"):
        value = value + limit.per_distance * np.nan_to_num(measured.distance)
        if limit.over_distance:
            value = np.fmax(value, limit.over_distance / measured.distance)
    return value * np.sqrt(measured.count) if limit.per_root else value


def _held(rule: Rule, limit: Limit | None, measured: Measured) -> tuple[BoolArray, FloatArray]:
    """Return which values break a limit, and how much of it each uses (more is worse)."""
    if limit is None:
        return np.zeros(len(measured.value), dtype=bool), np.zeros(len(measured.value))
    bound = limit_at(limit, measured)
    value = measured.value if rule.at_least else np.abs(measured.value)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = bound / value if rule.at_least else value / bound
    broken = value < bound if rule.at_least else value > bound
    return np.asarray(broken), np.nan_to_num(share, nan=0.0, posinf=np.inf)


def _names(measured: Measured, chosen: BoolArray) -> tuple[str, ...]:
    return tuple(dict.fromkeys(measured.subject[i] for i in np.flatnonzero(chosen)))


def _reason(measured: Measured) -> str:
    if not measured.missing:
        return ""
    return f"{listed(measured.missing, NAMED)}: {measured.reason}"
