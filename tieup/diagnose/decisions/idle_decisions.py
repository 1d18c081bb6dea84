"""Decisions that change nothing: meant for something else, so they are refused, not carried out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.decision import Decision
from tieup.model.observations import COMPONENT


@dataclass(frozen=True)
class Edit:
    """Exclude, set or rename, the raw rows that it selects, and whether anything changed by it."""

    decision: Decision
    rows: IntArray
    changes: bool


def changes(before: Case, after: Case) -> bool:
    """Say whether an edit made a case another one."""
    columns = ("point", "target_height", "prism_constant", "face")
    pairs = [(getattr(before.shots, c), getattr(after.shots, c)) for c in columns]
    same = all(a is b or np.array_equal(a, b, equal_nan=True) for a, b in pairs)
    return not same or before.setups != after.setups or not np.array_equal(before.use, after.use)


def idle_decisions(edits: Sequence[Edit], case: Case) -> list[str]:
    """Return a message for each decision that changes nothing beside the others.

    Parameters
    ----------
    edits
        In the order written.
    case
        The case with all of them carried out.
    """
    return [
        f"job.yaml:{edit.decision.line}: decision {edit.decision.verb} changes nothing: {why}. "
        "Take it out, or correct what it names"
        for number, edit in enumerate(edits)
        for why in islice(_reasons(edits, number, case), 1)
    ]


def cells_of(decision: Decision, rows: IntArray, case: Case) -> BoolArray:
    """Return which components (m, 3) of the raw rows a decision is about."""
    cells = np.zeros(case.use.shape, dtype=bool)
    cells[np.ix_(rows, np.array(components_of(decision)))] = True
    return cells


def components_of(decision: Decision) -> tuple[int, ...]:
    """Return the components of readings that a decision is about: one by its kind, or all."""
    kind = decision.where.get("kind")
    return (0, 1, 2) if kind is None else (COMPONENT[kind],)


def _reasons(edits: Sequence[Edit], number: int, case: Case) -> Iterator[str]:
    """Say why an edit changes nothing, the plainest reason first; nothing where it does."""
    edit = edits[number]
    decision, rows = edit.decision, edit.rows
    own = cells_of(decision, rows, case)
    for other in (*edits[:number], *(edits[number + 1 :] if decision.verb != "exclude" else ())):
        taken = other.decision.verb == "exclude"
        if taken and cells_of(other.decision, other.rows, case)[own].all():
            yield f"exclude on line {other.decision.line} takes the same rows out"
    if "instrument_height" in decision.values:
        for setup in (case.setups[n] for n in np.unique(case.shots.setup[rows])):
            if not setup.station:
                yield (
                    f"setup {setup.label} is a free station, and an instrument height means "
                    "nothing there"
                )
    if not edit.changes:
        yield _already(decision)
    later = [other for other in edits[number + 1 :] if _replaces(other.decision, decision)]
    if any(np.isin(rows, other.rows).all() for other in later):
        yield f"{decision.verb} on line {later[0].decision.line} says otherwise of the same rows"


def _already(decision: Decision) -> str:
    """Say that the rows are as a decision would have them."""
    if decision.verb == "rename":
        return f"the shots are called {decision.to} already"
    if decision.verb == "exclude":
        return "what it takes out is not in use"
    return f"{' and '.join(decision.settings)} is booked so already"


def _replaces(later: Decision, decision: Decision) -> bool:
    """Say whether a later decision puts something else in the place of all that one says."""
    if decision.verb == "exclude" or later.verb != decision.verb:
        return False
    return set(decision.settings) <= set(later.settings)
