"""Mistakes about marks: a wrong control value, a mark that moved between setups."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.diagnose.hypotheses import NO_BIAS, NO_ROWS, Column, Hypothesis
from tieup.diagnose.shots import RARE, USUAL
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

ALL = (DIRECTION, ZENITH, DISTANCE)


def control_values(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a control mark's coordinates as wrong: all of them, in plan, or one alone.

    A value given too large makes the model expect every reading of the mark to be that
    of a mark further on.
    """
    problem = subjects.evidence.adjustment.problem
    known = np.isfinite(problem.frame.control) & problem.solved_point[:, None]
    for point in np.flatnonzero(known.any(axis=1)):
        rows = subjects.of_point(int(point))
        stations = _stations(subjects, int(point))
        if not len(rows) and not stations and not _linked(subjects, int(point)):
            continue
        parts = [component for component in range(3) if known[point, component]]
        columns = {k: _control_column(subjects, int(point), k, rows, stations) for k in parts}
        plan = [k for k in parts if k < 2]
        choices = {tuple(parts), tuple(plan), *((k,) for k in parts)}
        for choice in sorted(choices, key=lambda c: (len(c), c)):
            if choice:
                yield Hypothesis(
                    kind="control-coordinate",
                    setup="",
                    points=(subjects.points[point],),
                    columns=tuple(columns[k] for k in choice),
                    rows=rows,
                    kinds=ALL,
                    unit="m",
                    prior=USUAL,
                    detail="".join("NEH"[k] for k in choice),
                )


def _control_column(
    subjects: Subjects, point: int, component: int, rows: IntArray, stations: list[int]
) -> Column:
    if subjects.evidence.adjustment.problem.weight[point, component] > 0:
        return Column(NO_ROWS, NO_BIAS, control=((point, component, 1.0),))
    bias = -np.where(subjects.observed[rows], subjects.derivative[rows][:, :, component], 0.0)
    plumb = tuple((setup, component, 1.0) for setup in stations)
    return Column(rows, bias, plumb=plumb, links=_links(subjects, point, component))


def _links(subjects: Subjects, point: int, component: int) -> tuple[tuple[int, float], ...]:
    """Return the links of a mark and what a coordinate given 1 m too large makes them seem."""
    adjustment = subjects.evidence.adjustment
    links = adjustment.problem.network.links.take(adjustment.problem.links)
    along = links.predicted(adjustment.position)[1][:, component]
    own = np.flatnonzero(((links.start == point) | (links.end == point)) & (along != 0.0))
    bias = np.where(links.start[own] == point, along[own], -along[own])
    return tuple(zip(own.tolist(), bias.tolist(), strict=True))


def _linked(subjects: Subjects, point: int) -> bool:
    """Say whether a link speaks of the mark."""
    return any(_links(subjects, point, component) for component in range(3))


def _stations(subjects: Subjects, point: int) -> list[int]:
    """Return the setups that stand over the point."""
    network = subjects.evidence.network
    return [int(setup) for setup in np.flatnonzero(network.station == point)]


def moved_marks(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a mark as moved: what was sighted after some time saw it elsewhere.

    Needs a setup before and two after, or two before and one after: with one of each,
    the sight is as suspect as the mark.
    """
    for point in np.unique(subjects.shots.point[subjects.rows]):
        rows = subjects.of_point(int(point))
        setups = np.unique(subjects.shots.setup[rows])
        ordered = setups[np.argsort(subjects.clock[setups], kind="stable")]
        known = np.isfinite(subjects.evidence.adjustment.problem.frame.control[point, :2]).all()
        for cut in range(1, len(ordered)):
            later = ordered[cut:]
            if len(later) < 2 and not (known or cut > 1):
                continue
            yield _moved(subjects, rows[np.isin(subjects.shots.setup[rows], later)], later)


def _moved(subjects: Subjects, rows: IntArray, setups: IntArray) -> Hypothesis:
    """Return the hypothesis that ``rows`` saw the mark at another place."""
    derivative, shown = subjects.derivative[rows], subjects.observed[rows]
    columns = tuple(
        Column(rows, np.where(shown, derivative[:, :, component], 0.0)) for component in range(3)
    )
    return Hypothesis(
        kind="mark-moved",
        setup="",
        points=(subjects.name(rows[0]),),
        columns=columns,
        rows=rows,
        kinds=ALL,
        unit="m",
        prior=USUAL if len(setups) > 1 else RARE,
        detail=f"from {subjects.setups[int(setups[0])].label}",
    )
