"""Findings about what could not be reached: setups without a tie, marks without a place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.model.arrays import BoolArray
from tieup.model.finding import Finding
from tieup.model.finding_kinds import DISCONNECTED, SINGLE_TIE, WEAK_GEOMETRY
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.network import Network
from tieup.network.unreached import Unlocated, Unreached, unlocated, unreached
from tieup.sentences import listed

NAMED = 6  # marks written out before "and n more"


def setups_left_out(case: Case, excluded: BoolArray) -> frozenset[str]:
    """Return the labels of the setups of which a person excluded every shot that there is.

    ``excluded`` (m, 3) marks the components of the raw rows that are out by a person's word.
    """
    booked = np.unique(case.shots.setup)
    taken = np.unique(case.shots.setup[(case.use & ~excluded).any(axis=1)])
    touched = np.unique(case.shots.setup[excluded.any(axis=1)])
    whole = np.intersect1d(np.setdiff1d(booked, taken), touched)
    return frozenset(case.setups[number].label for number in whole.tolist())


def reach_findings(network: Network, left_out: frozenset[str] = frozenset()) -> list[Finding]:
    """Return a finding for each piece that is not tied and each mark that is not fixed.

    ``left_out`` are the setups that a person excluded as a whole: they are not meant to be tied.
    """
    findings = []
    for piece in unreached(network):
        if left_out.issuperset(piece.setups):
            findings.append(_excluded(piece))
            continue
        kind = SINGLE_TIE if piece.reason == "one shared mark" else DISCONNECTED
        findings.append(
            kind.found(
                setup=piece.setups[0] if len(piece.setups) == 1 else "",
                points=piece.shared,
                says=piece.says,
                confirm="Compare the point names of these setups with the field sketch.",
                cure=piece.cure,
                key=" ".join(piece.setups),
            )
        )
    groups: dict[tuple[str, ...], list[Unlocated]] = {}
    for mark in unlocated(network):
        groups.setdefault(mark.setups, []).append(mark)
    return [*findings, *(_without_place(marks) for marks in groups.values())]


def _without_place(marks: Sequence[Unlocated]) -> Finding:
    """Say once which marks the same setups sighted and cannot place."""
    first, names = marks[0], tuple(mark.point for mark in marks)
    says, cure = first.says, first.cure
    if len(names) > 1:
        says = (
            f"{len(names)} marks are sighted from {', '.join(first.setups)} without a distance and "
            f"a direction together, and no second setup fixes them: {listed(names, NAMED)} "
            "have no coordinates"
        )
        cure = "Measure a distance to each of them"
    return WEAK_GEOMETRY.found(
        points=names,
        says=says,
        confirm="",
        cure=cure,
        action="left out",
    )


def _excluded(piece: Unreached) -> Finding:
    """Say that setups are out of the site because a person decided so."""
    many = len(piece.setups) > 1
    return DISCONNECTED.found(
        severity="note",
        setup="" if many else piece.setups[0],
        says=f"Setup{'s' if many else ''} {', '.join(piece.setups)} {'are' if many else 'is'} "
        "excluded by decision: no shot of it takes part, and points that only it shot have no "
        "place.",
        cure="Take the decision out of job.yaml to use it again.",
        key=" ".join(piece.setups),
    )


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
        found.append(
            DISCONNECTED.found(
                severity="check",
                points=marks,
                says=f"The {kind.noun}s of {listed(marks, NAMED)} hang on {kind.hangs}",
                confirm=f"Compare the names in the list of {kind.listed} with control and with "
                "the raw files.",
                cure=f"{kind.tie} to a known mark, or correct the names.",
                key=kind.listed,
            )
        )
    return found
