"""Level runs, tapes and baselines: which are gross, how they scatter, what hangs on nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust.distributions import chi_square_tail
from tieup.adjust.solution import UNCHECKED, Adjustment
from tieup.diagnose.case import Case
from tieup.diagnose.hypotheses import NO_ROWS
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.diagnose.kinds.links import named_run
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.precision import Component
from tieup.diagnose.solve import Solved
from tieup.model.arrays import IntArray
from tieup.model.finding import Finding
from tieup.model.finding_kinds import DISCONNECTED
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.network import Network

FEW = 6  # names written out before "and n more"


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


def run_components(adjustment: Adjustment) -> tuple[Component, ...]:
    """Return the variance factor of each kind of link."""
    links, sd = adjustment.problem.network.links, adjustment.link_sd
    kinds = links.kind[adjustment.problem.links]
    squares = (adjustment.link_residual / sd) ** 2
    found = []
    for kind in LINK_KINDS:
        own = kinds == kind
        share = float(adjustment.link_redundancy[own].sum())
        if share > UNCHECKED:
            square = float(squares[own].sum())
            chance = float(chi_square_tail(square, share))
            found.append(Component(kind, square / share, share, chance, 1.0 - chance))
    return tuple(found)


def hanging_marks(network: Network) -> list[Finding]:
    """Return a finding about the marks of each kind of link that hang on nothing known."""
    links, start, found = network.links, network.start, []
    for name, kind in LINK_KINDS.items():
        own = links.kind == name
        ends = np.unique(np.concatenate([links.start[own], links.end[own]]))
        reached = start.plan_point if kind.is_vector else start.height_point
        marks = tuple(network.point_names[mark] for mark in ends[~reached[ends]].tolist())
        if not kind.hangs or not marks:
            continue
        some = ", ".join(marks[:FEW])
        some += f" and {len(marks) - FEW} more" if len(marks) > FEW else ""
        found.append(
            DISCONNECTED.found(
                severity="check",
                points=marks,
                says=f"The {kind.noun}s of {some} hang on {kind.hangs}",
                confirm=f"Compare the names in the list of {kind.listed} with control and with "
                "the raw files.",
                cure=f"{kind.tie} to a known mark, or correct the names.",
                key=kind.listed,
            )
        )
    return found
