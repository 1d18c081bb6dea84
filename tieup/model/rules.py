"""Rules that work is held to, as data, and what came of each.

No limit is wired into the package: a rule is an id, what it measures, its limits, its unit
and the line that says where the numbers come from.
"""

from __future__ import annotations

from dataclasses import dataclass

PASS, WARN, FAIL, NOT_CHECKED = "pass", "warn", "fail", "not checked"
STATES = (PASS, NOT_CHECKED, WARN, FAIL)  # the later one speaks


@dataclass(frozen=True)
class Limit:
    """A limit in SI: ``value``, plus ``per_distance`` times the distance.

    With ``over_distance`` (m) it is an angle that is never asked to be finer than that
    length at the target: max(value, over_distance / distance). With ``per_root`` it grows
    with the root of the number of stations.
    """

    value: float
    per_distance: float = 0.0
    over_distance: float = 0.0
    per_root: bool = False


@dataclass(frozen=True)
class Rule:
    """One rule of the set ``of``. ``at_least``: less is worse.

    ``factor`` is SI over ``unit``, to print values.
    """

    id: str
    says: str
    measures: str
    unit: str
    factor: float
    at_least: bool
    warn: Limit | None
    fail: Limit | None
    source: str
    of: str = ""


@dataclass(frozen=True)
class RuleSet:
    """A named set of rules; ``use`` says what work it is for."""

    name: str
    use: str
    rules: tuple[Rule, ...]


@dataclass(frozen=True)
class RuleResult:
    """What came of one rule.

    ``state`` is pass, warn, fail or not checked; never pass where something that should have
    been checked had no data. ``value`` is the worst one and ``limit`` what it is held against
    (the fail limit where it fails, else the warn limit where there is one), both in SI, None
    where nothing was checked; ``subject`` is what it belongs to. ``failing`` and ``warned`` are
    all subjects beyond the limits, ``checked`` how many were looked at, ``missing`` those that
    could not be, with ``reason`` in words.
    """

    rule: Rule
    state: str
    value: float | None
    limit: float | None
    subject: str
    failing: tuple[str, ...]
    warned: tuple[str, ...]
    checked: int
    missing: tuple[str, ...]
    reason: str
