"""What ships as data, with its sources: rules, classes of tolerances, limits of grades."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tieup.config.files import rule_sets
from tieup.config.grade_sets import grade_sets, read_grade_set
from tieup.config.rule_sets import raw_data_rules, read_rules
from tieup.config.tolerances_section import read_class, tolerance_classes, use_of_class
from tieup.explain.entry import Entry, facts_of
from tieup.model.rules import Limit, Rule
from tieup.model.surfaces import ANY, GradeLimit


def shipped_entries() -> Iterator[Entry]:
    """Yield every set and every rule."""
    for path in rule_sets("rules").values():
        found = read_rules(path)
        yield Entry(found.name, "rule set", found.use)
        yield from (_rule(rule, f"rule of {found.name}") for rule in found.rules)
    raw = raw_data_rules()
    yield Entry(raw.name, "rule set of raw rows", raw.use)
    yield from (_rule(rule, "rule of raw rows") for rule in raw.rules)
    for path in tolerance_classes().values():
        limits = read_class(path)
        plan, height = f"{limits.horizontal * 1e3:g} mm", f"{limits.elevation * 1e3:g} mm"
        facts = facts_of(horizontal=plan, elevation=height, source=limits.source)
        yield Entry(limits.name, "class of tolerances", use_of_class(path), facts)
    for path in grade_sets().values():
        grades = read_grade_set(path)
        own = tuple((limit.id, _grade(limit)) for limit in grades.limits)
        yield Entry(grades.name, "set of limits of grades", grades.use, own)


def _rule(rule: Rule, sort: str) -> Entry:
    held = "at least" if rule.at_least else "at most"
    facts = facts_of(
        warn=_limit(rule, rule.warn), fail=_limit(rule, rule.fail), held=held, source=rule.source
    )
    return Entry(rule.id, sort, rule.says, facts)


def _limit(rule: Rule, limit: Limit | None) -> str:
    if limit is None:
        return ""
    parts = [f"{limit.value / rule.factor:g} {rule.unit}"]
    if limit.per_distance:
        parts.append(f"plus {limit.per_distance * 1e6:g} ppm of the distance")
    if limit.over_distance:
        parts.append(f"never finer than {limit.over_distance * 1e3:g} mm at the target")
    if limit.per_root:
        parts.append("times the root of the number of stations")
    return ", ".join(parts)


def _grade(limit: GradeLimit) -> str:
    """Return a limit in per cent, in which direction, and its source."""
    ends = {"at least": limit.minimum, "at most": limit.maximum}
    told = [f"{word} {end * 100:g} %" for word, end in ends.items() if math.isfinite(end)]
    where = "" if limit.of == ANY else f" {limit.of} the string of the route"
    return f"{' and '.join(told)}{where} ({limit.source})"
