"""The diagnosis: gross mistakes first, then what the statistics show, until all is explained.

Takes a case, gives the last solution, in which nothing contaminated takes part, and the
mistakes. Detect, identify, adapt, look back: the search looks back inside one solution;
here the site is solved anew after each adaptation until nothing is found any more. The last
solution is weighed by how the readings really scatter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.scatter import Scatter
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.laid_on_marks import solve_laid
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Prepared, Solved, reweighed, solve
from tieup.diagnose.first_solution.first_solution import open_case
from tieup.diagnose.gross.exchanged_marks import with_exchanged_marks
from tieup.diagnose.gross.gross import explain_gross, identify_sight, is_large
from tieup.diagnose.gross.rescue import rescue
from tieup.diagnose.kinds.catalogue import kind_of, measured, stays_in, taken_out
from tieup.diagnose.kinds.knock_span import with_span
from tieup.diagnose.kinds.moved_instead import with_moved_mark
from tieup.diagnose.search.look import look, settled_scatter
from tieup.errors import AdjustmentError
from tieup.threads import one_thread

ROUNDS = 4
ROUNDS_LARGE = 20  # one setup and one mark are looked at in each
NOISY = 1.5  # variance factor from which a gross misfit is judged by how the readings scatter
# Beyond ten times its sds no gear scatters: a mistake that is half of what checks one kind of
# reading looks like that, as a knock of half a degree does to directions.
WORST_GEAR = 100.0  # variance factor


@dataclass(frozen=True)
class Diagnosis:
    """The final solution, the mistakes taken out of it, and those that stay in.

    ``solved`` is weighed by how the readings scatter, ``stated`` the same as stated. ``kept`` is
    in all readings alike, or a step in a string: nothing is left out for it. ``scatter`` is
    against the stated sds, None where nothing is checked.
    """

    solved: Solved
    stated: Solved
    mistakes: tuple[Mistake, ...]
    kept: tuple[Mistake, ...] = ()
    scatter: Scatter | None = None


def diagnose(case: Case, prepared: Prepared | None = None) -> Diagnosis:
    """Find and take out the mistakes of a case.

    Raises
    ------
    NetworkError, AdjustmentError
        The data cannot be tied or solved at all.
    """
    with one_thread():
        solved, whole = open_case(case, prepared)
        found = _found(solved, case)
        return replace(found, mistakes=(*whole, *found.mistakes))


def weighed(solved: Solved, scatter: Scatter | None) -> Solved:
    """Return the solution of a case weighed by how its readings scatter."""
    if scatter is None:
        return solved
    return reweighed(solved, solved.case.precision.scattering(scatter.factors.tolist()))


def _found(solved: Solved, case: Case) -> Diagnosis:
    """Find and take out the mistakes of a solution of ``case``."""
    solved, rescued = rescue(solved)
    first = look(solved)
    calm, gross = _without_gross_ones(solved, first.scatter, first.rough)
    looked, solved = (first, solved) if calm is solved else (look(calm), calm)
    gross = [*rescued, *gross]
    found: list[Mistake] = []
    seen: list[Mistake] = []
    for _ in range(ROUNDS_LARGE if is_large(solved) else ROUNDS):
        whole = [_reaching(solved, one) for one in looked.mistakes]
        new = [kind_of(one).renamed(solved.case, one) for one in whole]
        seen = [m for m in new if stays_in(m)]
        new = [m for m in new if not stays_in(m)]
        if not new:
            break
        adapted = solved.case
        for mistake in new:
            adapted = taken_out(adapted, mistake)
        solved, more = _without_gross_ones(solve_laid(adapted), looked.scatter)
        found += new
        gross += more
        looked = look(solved)
    gross = [_seen_again(solved, mistake) for mistake in gross]
    solved = _with_good_readings(solved, case, gross)
    stated, scatter = settled_scatter(solved)
    final = weighed(stated, scatter)
    gross = [measured(final, mistake) for mistake in gross]
    told = (with_moved_mark(final.case, one) for one in (*gross, *found))
    mistakes = with_exchanged_marks(final, case, [with_span(case, one) for one in told])
    return Diagnosis(final, stated, mistakes, tuple(seen), scatter)


def _reaching(solved: Solved, mistake: Mistake) -> Mistake:
    """Return a mistake, and what it may be as well, with all components that they are in."""
    error = mistake.magnitude if mistake.unit == "m" else 0.0

    def reached(one: Mistake | None) -> Mistake | None:
        return None if one is None else kind_of(one).reached(solved, one, error)

    rivals = tuple(replace(rival, cause=reached(rival.cause)) for rival in mistake.rivals)
    return replace(kind_of(mistake).reached(solved, mistake, error), rivals=rivals)


def _without_gross_ones(
    solved: Solved, scatter: Scatter | None, made: Solved | None = None
) -> tuple[Solved, list[Mistake]]:
    """Explain what is gross, judged by how the readings scatter.

    ``made`` is the solution weighed so, where there is one.
    """
    stated = solved.case.precision
    if scatter is None or not (scatter.cautious > NOISY).any():
        return explain_gross(solved)
    rough = stated.scattering(np.minimum(scatter.cautious, WORST_GEAR).tolist())
    if made is None or made.case.precision != rough:
        made = reweighed(solved, rough)
    again, found = explain_gross(made)
    if not found:
        return solved, []
    return solve(replace(again.case, precision=stated)), found


def _seen_again(solved: Solved, mistake: Mistake) -> Mistake:
    """Look at a gross sight again, now that no other mistake is in the solution."""
    if not kind_of(mistake).of_sight or mistake.instead or not len(mistake.rows):
        return mistake
    try:
        found = identify_sight(solved, mistake.rows)
    except AdjustmentError:  # with the sight put back the site does not settle
        return mistake
    if len(found) != 1:
        return mistake
    kind = mistake.kind if kind_of(found[0]).vague else found[0].kind
    return replace(mistake, kind=kind, kinds=found[0].kinds, rivals=found[0].rivals)


def _with_good_readings(solved: Solved, case: Case, gross: list[Mistake]) -> Solved:
    """Use the good readings of a sight again where only another reading of it was wrong."""
    use = solved.case.use.copy()
    for mistake in gross:
        if kind_of(mistake).of_sight:
            good = [kind for kind in (0, 1, 2) if kind not in mistake.kinds]
            block = np.ix_(mistake.rows, np.array(good, dtype=np.int64))
            use[block] |= case.use[block]
    if (use == solved.case.use).all():
        return solved
    again = solve(replace(solved.case, use=use))
    return solved if again.network.start.gross.any() else again
