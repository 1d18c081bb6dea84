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
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.network import Links, Network

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
    links = problem.network.links.take(problem.links)
    for first in np.unique(links.booked, return_index=True)[1].tolist():
        places = np.flatnonzero(links.booked == links.booked[first]).tolist()
        yield Hypothesis(
            kind=links.kind[first],
            setup="",
            points=(subjects.points[links.start[first]], subjects.points[links.end[first]]),
            columns=_columns(links, places),
            rows=NO_ROWS,
            kinds=(),
            unit="m",
            prior=USUAL,
            links=tuple(places),
        )


def _columns(links: Links, places: list[int]) -> tuple[Column, ...]:
    """Return what 1 m in each observation of one booked row adds to its links."""
    if len(places) == 1 and links.is_distance[places[0]]:
        return (Column(NO_ROWS, NO_BIAS, links=((places[0], 1.0),)),)
    columns = []
    for component in np.flatnonzero(links.along[places].any(axis=0)).tolist():
        along = links.along[places, component].tolist()
        pairs = tuple((place, bias) for place, bias in zip(places, along, strict=True) if bias)
        columns.append(Column(NO_ROWS, NO_BIAS, links=pairs))
    return tuple(columns)


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
    return Mistake(
        kind=str(links.kind[first]),
        setup="",
        points=(case.points[links.start[first]], case.points[links.end[first]]),
        rows=NO_ROWS,
        kinds=(),
        unit="m",
        detail=place_among_alike(case, number),
        links=(number,),
    )


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


def exact_size(case: Case, mistake: Mistake) -> float:
    """Return how much a wrong sign or a whole unit adds to its run, exactly (m)."""
    if mistake.kind == "level-sign":
        return 2.0 * _booked_value(case, mistake)
    return round(mistake.magnitude / case.rod_unit) * case.rod_unit


def _booked_value(case: Case, mistake: Mistake) -> float:
    return float(case.links.value[case.links.booked == mistake.links[0]][0])


def named_run(case: Case, mistake: Mistake) -> Mistake:
    """Say from its size what kind of mistake a level run holds; others stay what they are."""
    kind_of = LINK_KINDS.get(mistake.kind)
    if kind_of is None or not kind_of.by_rod or not len(mistake.size):
        return mistake
    sd = max(mistake.sd, 1e-9)
    causes = {"level-sign": 2.0 * _booked_value(case, mistake)}
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
            Finding(
                kind="disconnected",
                severity="check",
                points=marks,
                action="left out",
                says=f"The {kind.noun}s of {some} hang on {kind.hangs}",
                confirm=f"Compare the names in the list of {kind.listed} with control and with "
                "the raw files.",
                cure=f"{kind.tie} to a known mark, or correct the names.",
                key=kind.listed,
            )
        )
    return found
