"""Keep a finding: what it left out goes back into the solution as it was booked.

What is kept is named and measured without it, then put back and solved once more: nothing
else is looked for in a solution that a person chose to bend. What would throw the site apart
cannot be put back, and is said.
"""

from __future__ import annotations

from collections.abc import Sequence

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.kinds.catalogue import kind_of, stays_in
from tieup.errors import TieupError


def with_kept(
    solved: Solved, original: Case, kept: Sequence[Mistake]
) -> tuple[Solved, list[Mistake]]:
    """Put back what mistakes left out, each as far as the site stays in one piece.

    Parameters
    ----------
    solved
        The solution without any mistake.
    original
        The case that the mistakes were found in: what they left out is taken from it.

    Returns
    -------
    The solution with them, and those that could be put back.
    """
    back = []
    for mistake in kept:
        if stays_in(mistake):
            back.append(mistake)
            continue
        try:
            again = solve(kind_of(mistake).put_back(solved.case, original, mistake))
        except TieupError:
            continue
        if _whole(again, solved):
            solved = again
            back.append(mistake)
    return solved, back


def _whole(again: Solved, before: Solved) -> bool:
    """Say whether no further reading is left out as gross and every setup has a place."""
    now, then = again.network.start, before.network.start
    for name in ("gross", "gross_station", "gross_control", "gross_link"):
        if getattr(now, name).sum() > getattr(then, name).sum():
            return False
    lost = len(before.case.setups) - len(again.case.setups)
    return int(now.plan_setup.sum()) >= int(then.plan_setup.sum()) - lost
