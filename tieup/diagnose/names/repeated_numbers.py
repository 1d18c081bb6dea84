"""One number used twice within a setup: two points that would be averaged into a phantom."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case, new_name
from tieup.diagnose.basis.convention_signs import shared_points
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import (
    known_without,
    places_by_start,
    readings_of,
    row_places,
)
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.name_collision import APART, NAME_COLLISION, WITHIN
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.kinds.readings import DISTANCE_READING
from tieup.diagnose.names.name_visits import MARK_ROLES, SIDE
from tieup.geometry import wrap_half
from tieup.model.arrays import IntArray
from tieup.model.observations import DIRECTION, DISTANCE
from tieup.network.rigid import ComplexArray

OPPOSITE = np.radians(0.1)  # rad; half a circle within this, at one distance, is the other face
SAME_DISTANCE = 0.05  # m


@dataclass(frozen=True)
class Torn:
    """A name that one setup used for several places: rows by place, and which keeps the name.

    ``kept`` is -1 where every place gets a name of its own.
    """

    setup: int
    point: int
    places: tuple[IntArray, ...]
    kept: int


def split_twice(solved: Solved) -> tuple[Case, list[Mistake]]:
    """Give each place of a name used twice a name of its own."""
    case = solved.case
    by_setup: dict[int, list[Torn]] = {}
    for torn in _torn_names(solved):
        by_setup.setdefault(torn.setup, []).append(torn)
    mistakes = []
    for setup, names in by_setup.items():
        label = case.setups[setup].label
        points = tuple(case.points[torn.point] for torn in names)
        instead: list[str] = []
        split: list[int] = []
        for torn in names:
            for number, rows in enumerate(torn.places):
                if number == torn.kept:
                    continue
                base = f"{solved.case.points[torn.point]}@{label}"
                taken = set(case.points)
                own = new_name(base, "~", taken) if base in taken else base
                case = case.with_renamed(rows, own)
                instead.append(own)
                split += rows.tolist()
        rivals = tuple(kind.rival(label, points) for kind in (POINT_NAME, DISTANCE_READING))
        found = NAME_COLLISION.mistake(label, points, np.array(sorted(split)))
        mistakes.append(replace(found, detail=WITHIN, instead=tuple(instead), rivals=rivals))
    return case, mistakes


def _torn_names(solved: Solved) -> list[Torn]:
    case = solved.case
    found = []
    for setup, point in sorted(_doubtful(solved)):
        chosen = (case.shots.setup == setup) & (case.shots.point == point)
        rows = np.flatnonzero(chosen & case.use[:, [DIRECTION, DISTANCE]].all(axis=1))
        plan, _ = row_places(case, rows, readings_of(case, rows))
        groups = _by_place(plan)
        if len(groups) > 1:
            places = tuple(rows[group] for group in groups)
            kept = _keeper(solved, setup, point, [plan[group] for group in groups], places)
            if kept is not None:
                found.append(Torn(setup, point, places, kept))
    return found


def _doubtful(solved: Solved) -> set[tuple[int, int]]:
    """Return setup and point where pointings, or sights at two pole heights, are far apart."""
    pointings, shots, sights = solved.reduction.pointings, solved.case.shots, solved.network.sights
    width = np.abs(np.nan_to_num(pointings.deviation))
    width[:, DIRECTION] *= np.nan_to_num(pointings.corrected[:, DISTANCE])
    torn = np.flatnonzero((width[:, [DIRECTION, DISTANCE]] > 0.5 * APART).any(axis=1))
    found = set(zip(shots.setup[torn].tolist(), shots.point[torn].tolist(), strict=True))
    again = np.flatnonzero(
        (sights.setup[1:] == sights.setup[:-1]) & (sights.point[1:] == sights.point[:-1])
    )
    if len(again):
        place = places_by_start(sights, solved.network, solved.case.refraction)[:, :2]
        apart = np.hypot(*(place[again + 1] - place[again]).T) > APART
        pairs = zip(sights.setup[again[apart]], sights.point[again[apart]], strict=True)
        found |= {(int(setup), int(point)) for setup, point in pairs}
    return found


def _by_place(plan: ComplexArray) -> list[list[int]]:
    """Gather rows of one name by where they put it, one group where only the face is in doubt."""
    groups: list[list[int]] = []
    for row, place in enumerate(plan.tolist()):
        for group in groups:
            there = complex(plan[group[0]])
            if abs(place - there) <= APART or _other_face(place, there):
                group.append(row)
                break
        else:
            groups.append([row])
    return groups


def _other_face(one: complex, other: complex) -> bool:
    turn = abs(float(wrap_half(np.angle(one) - np.angle(other) - np.pi)))
    return turn < OPPOSITE and abs(abs(one) - abs(other)) < SAME_DISTANCE


def _keeper(
    solved: Solved,
    setup: int,
    point: int,
    plans: list[ComplexArray],
    places: tuple[IntArray, ...],
) -> int | None:
    """Return which place keeps the name, -1 for none; None where this is no double numbering.

    The place of a mark that was shot as such keeps it; then one where the others see it. A
    mark with two places is a wrong pointing, not a number used twice.
    """
    role = solved.case.shots.role
    marks = [n for n, rows in enumerate(places) if np.isin(role[rows], MARK_ROLES).any()]
    if marks:
        return marks[0] if len(marks) == 1 else None
    if not shared_points(solved.network)[point]:
        return -1
    if any((role[rows] != SIDE).any() for rows in places):
        return None
    start = solved.network.start
    known = known_without(solved.network, solved.case, setup).plan[point]
    axis = complex(start.axis[setup, 0], start.axis[setup, 1])
    for number, plan in enumerate(plans):
        there = axis + complex(plan[0]) * np.exp(1j * start.orientation[setup])
        if abs(there - known) <= APART:
            return number
    return -1
