"""What raw rows alone say of a job: what an audit gives and its writers read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tieup.model.fieldbook import AbsentColumn, RawFile
from tieup.model.reconciliation import Table
from tieup.model.rules import NOT_CHECKED, STATES, RuleResult


@dataclass(frozen=True)
class Audit:
    """The raw rows of a job, counted and held to rules, without a solution.

    ``counts`` are of rows by fate (rows, read, repeated, unused, invalid), of components, of
    files, setups, points and marks. ``setups`` has a row for each setup, lengths in the job's
    unit; ``results`` is what came of each rule, in their order.
    """

    files: tuple[RawFile, ...]
    counts: Mapping[str, int]
    setups: Table
    results: tuple[RuleResult, ...]
    unknown_columns: Mapping[str, tuple[str, ...]]
    absent: tuple[AbsentColumn, ...] = ()

    @property
    def state(self) -> str:
        """Return the gravest state of a rule: fail, warn, pass, or not checked where none was."""
        found = [result.state for result in self.results if result.state != NOT_CHECKED]
        return max(found, key=STATES.index, default=NOT_CHECKED)
