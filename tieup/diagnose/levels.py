"""Mistakes about level runs and taped distances: a rod reading, a sign, a whole metre.

A run is one number, so its mistakes differ by their size alone: twice the run itself is a
sign (or the two marks exchanged), a whole metre is a rod read a metre off, the rest is a rod
reading. Where two of them have the same size, the data cannot tell and both are named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tieup.adjust.distributions import chi_square_tail
from tieup.adjust.solution import UNCHECKED, Adjustment
from tieup.diagnose.case import Case
from tieup.diagnose.hypotheses import NO_BIAS, NO_ROWS, Column, Hypothesis
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.precision import Component
from tieup.diagnose.shots import USUAL
from tieup.diagnose.solve import Solved
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import IntArray
from tieup.model.finding import Finding
from tieup.model.network import Network

FEW = 6  # names written out before "and n more"
ALIKE = 3.3  # sds within which a size counts as that of a known mistake
NOT_SURE = 11.0  # difference of squares below which the sizes do not decide (3.3 sd squared)
SHARP = 20.0  # sds that a whole unit must measure, so that hitting one is no accident


def link_numbers(solved: Solved) -> IntArray:
    """Return which links of the case the adjustment's links are, shape (l,)."""
    numbers, gross = solved.case.links_in_use, solved.network.start.gross_link
    kept = numbers[~gross] if len(gross) else numbers
    return np.asarray(kept[solved.adjustment.problem.links])


def links_on_line(case: Case, line: str) -> tuple[int, ...]:
    """Return the numbers of the links booked on a line such as levels.csv:5."""
    booked = enumerate(case.booked_links)
    return tuple(number for number, link in booked if f"{link.file}:{link.line}" == line)


def single_runs(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give every level run and every tape as wrong; ``links`` count those of the adjustment."""
    problem = subjects.evidence.adjustment.problem
    links = problem.network.links
    for place, number in enumerate(problem.links.tolist()):
        yield Hypothesis(
            kind=links.kind[number],
            setup="",
            points=(subjects.points[links.start[number]], subjects.points[links.end[number]]),
            columns=(Column(NO_ROWS, NO_BIAS, links=((place, 1.0),)),),
            rows=NO_ROWS,
            kinds=(),
            unit="m",
            prior=USUAL,
            links=(place,),
        )


def gross_runs(solved: Solved) -> list[Mistake]:
    """Return the runs and tapes that miss the start so much that they took no part."""
    gross = solved.network.start.gross_link
    if not gross.any():
        return []
    numbers = solved.case.links_in_use[gross]
    return [_mistake_of(solved.case, int(number)) for number in numbers]


def _mistake_of(case: Case, number: int) -> Mistake:
    links = case.links
    return Mistake(
        kind=str(links.kind[number]),
        setup="",
        points=(case.points[links.start[number]], case.points[links.end[number]]),
        rows=NO_ROWS,
        kinds=(),
        unit="m",
        detail=place_among_alike(case, number),
        links=(number,),
    )


def place_among_alike(case: Case, number: int) -> str:
    """Return "no. 2" for the second run of one kind between the same marks, "" for the first."""
    links = case.links
    alike = links.kind[:number] == links.kind[number]
    alike &= links.start[:number] == links.start[number]
    alike &= links.end[:number] == links.end[number]
    before = int(alike.sum())
    return f"no. {before + 1}" if before else ""


def of_case(solved: Solved, mistake: Mistake) -> Mistake:
    """Return a mistake found among the adjustment's links with the case's numbers, named."""
    number = int(link_numbers(solved)[mistake.links[0]])
    detail = place_among_alike(solved.case, number)
    return named_run(solved.case, replace(mistake, detail=detail, links=(number,)))


def exact_size(case: Case, mistake: Mistake) -> float:
    """Return how much a wrong sign or a whole unit adds to its run, exactly (m)."""
    if mistake.kind == "level-sign":
        return 2.0 * float(case.links.value[mistake.links[0]])
    return round(mistake.magnitude / case.rod_unit) * case.rod_unit


def named_run(case: Case, mistake: Mistake) -> Mistake:
    """Say from its size what kind of mistake a level run holds; a tape stays what it is."""
    if mistake.kind != "level" or not len(mistake.size):
        return mistake
    sd = max(mistake.sd, 1e-9)
    causes = {"level-sign": 2.0 * float(case.links.value[mistake.links[0]])}
    whole = round(mistake.magnitude / case.rod_unit) * case.rod_unit
    if case.rod_unit > SHARP * sd:
        causes["level-metre"] = whole
    miss = {
        kind: ((mistake.magnitude - size) / sd) ** 2 for kind, size in causes.items() if size != 0.0
    }
    likely = sorted((square, kind) for kind, square in miss.items() if square <= ALIKE**2)
    if not likely:
        return mistake
    least, kind = likely[0]
    others = tuple(
        RivalCause(other, "", mistake.points, mistake.statistic, square - least > NOT_SURE)
        for square, other in likely[1:]
    )
    return replace(mistake, kind=kind, rivals=(*others, *mistake.rivals))


def run_components(adjustment: Adjustment) -> tuple[Component, ...]:
    """Return the variance factors of level runs and of tapes."""
    links, sd = adjustment.problem.network.links, adjustment.link_sd
    kinds = links.kind[adjustment.problem.links]
    squares = (adjustment.link_residual / sd) ** 2
    found = []
    for kind in ("level", "tape"):
        own = kinds == kind
        share = float(adjustment.link_redundancy[own].sum())
        if share > UNCHECKED:
            square = float(squares[own].sum())
            chance = float(chi_square_tail(square, share))
            found.append(Component(kind, square / share, share, chance, 1.0 - chance))
    return tuple(found)


def hanging_marks(network: Network) -> list[Finding]:
    """Return a finding about the marks of level runs that hang on no known height."""
    links, start = network.links, network.start
    levels = links.kind == "level"
    ends = np.unique(np.concatenate([links.start[levels], links.end[levels]]))
    names = tuple(network.point_names[mark] for mark in ends[~start.height_point[ends]].tolist())
    if not names:
        return []
    some = ", ".join(names[:FEW]) + (f" and {len(names) - FEW} more" if len(names) > FEW else "")
    return [
        Finding(
            kind="disconnected",
            severity="check",
            points=names,
            action="left out",
            says=f"The level runs of {some} hang on no mark of known height: no heights there.",
            confirm="Compare the names in the list of levels with control and with the raw files.",
            cure="Level to a known mark, or correct the names.",
            key="levels",
        )
    ]
