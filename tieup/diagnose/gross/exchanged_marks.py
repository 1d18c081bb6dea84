"""Two names exchanged in the control list: a rival of the marks that do not fit it.

Two marks under each other's name are as far from each other as the list says, so that they agree
with each other, turned by half a circle, and the third of three looks wrong. Where the exchange
of one pair makes every mark fit it explains as much as all the wrong marks together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_ROWS
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.first_solution.swapped_control import fitted_list
from tieup.diagnose.kinds.control_coordinate import CONTROL_COORDINATE
from tieup.diagnose.kinds.swapped_names import SWAPPED_NAMES
from tieup.model.control import Control

MOST_MARKS = 30  # of a list; every pair is tried


def with_exchanged_marks(
    solved: Solved, original: Case, mistakes: Sequence[Mistake]
) -> tuple[Mistake, ...]:
    """Return the mistakes; wrong marks with the pair whose exchange explains them all, if any."""
    control = original.control
    in_plan = any(m.kind == CONTROL_COORDINATE.name and set(m.detail) & set("NE") for m in mistakes)
    if control is None or not in_plan or len(control.names) > MOST_MARKS:
        return tuple(mistakes)
    pair = _pair(solved, control)
    if pair is None:
        return tuple(mistakes)
    cause = SWAPPED_NAMES.of_pair("", pair, NO_ROWS)
    told = []
    for mistake in mistakes:
        if mistake.kind == CONTROL_COORDINATE.name:
            rival = SWAPPED_NAMES.rival("", pair, mistake.statistic)
            mistake = replace(mistake, rivals=(replace(rival, cause=cause), *mistake.rivals))
        told.append(mistake)
    return tuple(told)


def _pair(solved: Solved, control: Control) -> tuple[str, str] | None:
    """Return the only two marks whose exchange makes the whole list fit the site in plan."""
    plan, found = control.coordinates[:, :2], []
    given = fitted_list(solved.network, control, plan)
    if given.agreeing == given.offered:
        return None
    for one, other in combinations(range(len(control.names)), 2):
        exchanged = plan.copy()
        exchanged[[one, other]] = plan[[other, one]]
        fit = fitted_list(solved.network, control, exchanged)
        if fit.agreeing == fit.offered > 2:
            found.append((control.names[one], control.names[other]))
    return found[0] if len(found) == 1 else None
