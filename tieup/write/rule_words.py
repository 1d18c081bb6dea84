"""What came of the rule sets that a job asks for, in a sentence for the first screen."""

from __future__ import annotations

from collections import Counter

from tieup.model.reconciliation import Reconciliation, Table
from tieup.model.rules import FAIL, NOT_CHECKED, PASS, WARN
from tieup.sentences import listed

WORDS = {PASS: "pass", NOT_CHECKED: "not checked", WARN: "beyond a warning limit", FAIL: "fail"}
NAMED = 3  # rules that fail, by name


def rule_words(site: Reconciliation) -> str:
    """Return the counts by result, those that fail named; empty where no set is asked for.

    Rules decide nothing of the verdict: what a contract asks for is beside whether the bays tie.
    """
    rules = site.asked_rules
    if not rules:
        return ""
    counts = Counter(rules["state"])
    told = ", ".join(f"{counts[state]} {word}" for state, word in WORDS.items() if counts[state])
    failed = [row for row, state in enumerate(rules["state"]) if state == FAIL]
    named = [f"{rules['rule'][row]} of {rules['set'][row]}{_at(rules, row)}" for row in failed]
    return f"{told}: {listed(named, NAMED)}" if failed else told


def _at(rules: Table, row: int) -> str:
    return f" at {rules['subject'][row]}" if rules["subject"][row] else ""
