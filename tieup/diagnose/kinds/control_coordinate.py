"""A control mark whose listed coordinates do not fit the site."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_BIAS, NO_ROWS, BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import ALL, USUAL, Kind, some_points
from tieup.model.arrays import IntArray
from tieup.model.settings import Tolerances


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
                    kind=CONTROL_COORDINATE.name,
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
) -> BiasColumn:
    if subjects.evidence.adjustment.problem.weight[point, component] > 0:
        return BiasColumn(NO_ROWS, NO_BIAS, control=((point, component, 1.0),))
    bias = -np.where(subjects.observed[rows], subjects.derivative[rows][:, :, component], 0.0)
    plumb = tuple((setup, component, 1.0) for setup in stations)
    return BiasColumn(rows, bias, plumb=plumb, links=_links(subjects, point, component))


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


def with_given(case: Case, original: Case, points: Sequence[str]) -> Case:
    """Return the case with the control values of some marks as they were given."""
    if case.control is None or original.control is None:
        return replace(case, control=original.control, datum=original.datum)
    coordinates = case.control.coordinates.copy()
    rows = [case.control.names.index(point) for point in points]
    coordinates[rows] = original.control.coordinates[rows]
    return replace(case, control=replace(case.control, coordinates=coordinates))


class ControlCoordinate(Kind):
    """Listed coordinates that are wrong; the detail of a mistake names them, of NEH."""

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take the coordinates as not known."""
        components = tuple("NEH".index(letter) for letter in mistake.detail)
        return case.without_control(mistake.points[0], components)

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the coordinates as they were given."""
        return with_given(case, original, mistake.points)

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Compare the given coordinates with those that all sights of the mark agree on."""
        case, network = solved.case, solved.network
        control = case.given
        point = case.points.index(mistake.points[0])
        if control is None or not np.isfinite(solved.adjustment.position[point]).all():
            return mistake
        given = control.coordinates[control.names.index(mistake.points[0])] - network.origin
        parts = np.array(["NEH".index(letter) for letter in mistake.detail])
        difference = given - solved.adjustment.position[point]
        covariance = solved.adjustment.point_covariance[point]
        return self.sized(mistake, difference[parts], covariance[np.ix_(parts, parts)])

    def is_height(self, mistake: Mistake) -> bool:
        """Say whether the elevation alone is wrong."""
        return mistake.detail == "H"

    def within(self, mistake: Mistake, limits: Tolerances) -> bool:
        """Say whether a listed mark lies off by no more than a tie may."""
        if not len(mistake.size):
            return False
        off = dict(zip(mistake.detail, mistake.size.tolist(), strict=True))
        plan = np.hypot(off.get("N", 0.0), off.get("E", 0.0))
        return bool(plan <= limits.horizontal and abs(off.get("H", 0.0)) <= limits.elevation)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the mark does not fit."""
        mark = mistake.points[0]
        # In height alone every look at the mark with one wrong pole height reads the same.
        shot = self.is_height(mistake) and len(mistake.rows) > 0
        pole = " and the pole heights booked at it" if shot else ""
        book = f", or all pole heights booked at {mark} are wrong" if shot else ""
        return MistakeText(
            f"The control coordinates of {mark} do not fit the site: {phrases.vector(mistake)} "
            f"given minus measured{book}",
            "the given values are left out",
            f"Compare {mark} in control.csv with the original sheet, digit by digit; look at the "
            f"mark{pole}.",
            f"Correct {mark} in control.csv, or leave it free (accept).",
            "the given values stay left out",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the list is wrong."""
        return f"the listed coordinates of {some_points(points)} are wrong"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the listed values."""
        return f"listed coordinates of {some_points(points)}"


CONTROL_COORDINATE = ControlCoordinate(
    "control-coordinate", ALL, "m", control_values, action="freed", given=True, of_mark=True
)
