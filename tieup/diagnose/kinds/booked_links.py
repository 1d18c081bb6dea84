"""Level runs, tapes and baselines as booked: which one a mistake is in, which are gross."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_ROWS
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.diagnose.kinds.link_mistakes import named_run
from tieup.model.arrays import IntArray


def link_numbers(solved: Solved) -> IntArray:
    """Return which links of the case the adjustment's links are, shape (l,)."""
    numbers, gross = solved.case.links_in_use, solved.network.start.gross_link
    kept = numbers[~gross] if len(gross) else numbers
    return np.asarray(kept[solved.adjustment.problem.links])


def links_on_line(case: Case, line: str) -> tuple[int, ...]:
    """Return the numbers of the links booked on a line such as levels.csv:5."""
    booked = enumerate(case.booked_links)
    return tuple(number for number, link in booked if f"{link.file}:{link.line}" == line)


def gross_runs(solved: Solved) -> list[Mistake]:
    """Return the runs and tapes that miss the start so much that they took no part."""
    gross = solved.network.start.gross_link
    if not gross.any():
        return []
    numbers = np.unique(solved.case.links.booked[solved.case.links_in_use[gross]])
    return [_mistake_of(solved.case, int(number)) for number in numbers]


def _mistake_of(case: Case, number: int) -> Mistake:
    links = case.links
    first = int(np.flatnonzero(links.booked == number)[0])
    ends = (case.points[links.start[first]], case.points[links.end[first]])
    found = KINDS[str(links.kind[first])].mistake("", ends, NO_ROWS)
    return replace(found, detail=place_among_alike(case, number), links=(number,))


def place_among_alike(case: Case, number: int) -> str:
    """Return "no. 2" for the second run of one kind between the same marks, "" for the first.

    ``number`` is that of its booked row.
    """
    links = case.links
    own = int(np.flatnonzero(links.booked == number)[0])
    alike = (links.kind == links.kind[own]) & (links.start == links.start[own])
    alike &= (links.end == links.end[own]) & (links.booked < number)
    before = len(np.unique(links.booked[alike]))
    return f"no. {before + 1}" if before else ""


def of_case(solved: Solved, mistake: Mistake) -> Mistake:
    """Return a mistake found among the adjustment's links with its booked row, named.

    So with the causes that rival any mistake.
    """
    rivals = tuple(
        rival if rival.cause is None else replace(rival, cause=of_case(solved, rival.cause))
        for rival in mistake.rivals
    )
    if not mistake.links:
        return replace(mistake, rivals=rivals)
    number = int(solved.case.links.booked[link_numbers(solved)[mistake.links[0]]])
    detail = place_among_alike(solved.case, number)
    found = replace(mistake, detail=detail, links=(number,), rivals=rivals)
    return named_run(solved.case, found)
