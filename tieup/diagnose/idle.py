"""Decisions that change nothing: meant for something else, so they are refused, not carried out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.diagnose.case import Case
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.decision import Decision
from tieup.model.observations import KINDS

Edit = tuple[Decision, IntArray]  # a decision, and the raw rows that it selects


def idle_decisions(edits: Sequence[Edit], case: Case) -> list[str]:
    """Return a message for each decision that changes nothing beside the others.

    Parameters
    ----------
    edits
        Exclude, set and rename in the order written, each with its rows.
    case
        The case with all of them carried out.
    """
    problems = []
    excludes = [(decision, cells_of(decision, rows, case)) for decision, rows in edits]
    for number, (decision, rows) in enumerate(edits):
        beside = [(d, c) for d, c in excludes[:number] if d.verb == "exclude"]
        if decision.verb != "exclude":
            beside += [(d, c) for d, c in excludes[number + 1 :] if d.verb == "exclude"]
        for why in _reasons(decision, rows, excludes[number][1], beside, case):
            problems.append(
                f"job.yaml:{decision.line}: decision {decision.verb} changes nothing: {why}. Take "
                "it out, or correct what it names"
            )
    return problems


def cells_of(decision: Decision, rows: IntArray, case: Case) -> BoolArray:
    """Return which components (m, 3) of the raw rows a decision is about."""
    cells = np.zeros(case.use.shape, dtype=bool)
    kind = decision.where.get("kind", "")
    kinds = np.array([KINDS.index(kind)] if kind in KINDS else [0, 1, 2], dtype=np.int64)
    cells[np.ix_(rows, kinds)] = True
    return cells


def _reasons(
    decision: Decision,
    rows: IntArray,
    cells: BoolArray,
    beside: Sequence[tuple[Decision, BoolArray]],
    case: Case,
) -> Iterator[str]:
    for other, taken in beside:
        if taken[cells].all():
            yield f"exclude on line {other.line} takes the same rows out"
            return
    if "instrument_height" in decision.values:
        setups = [case.setups[number] for number in np.unique(case.shots.setup[rows])]
        for setup in (setup for setup in setups if not setup.station):
            yield (
                f"setup {setup.label} is a free station, and an instrument height means nothing "
                "there"
            )
    if decision.verb == "rename" and decision.where.get("point") == decision.to:
        yield f"the shots are called {decision.to} already"
