"""One number used twice within a setup: two points that would be averaged into a phantom."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.alone import readings_of, row_places
from tieup.diagnose.case import Case, new_name
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.solve import Solved
from tieup.diagnose.suspicion import shared_points
from tieup.geometry import wrap_half
from tieup.model.arrays import IntArray
from tieup.model.observations import DIRECTION, DISTANCE

APART = 0.5  # m in plan; rows of one name further apart than this are two points
OPPOSITE = np.radians(0.1)  # rad; half a circle within this, at one distance, is the other face
SAME_DISTANCE = 0.05  # m
MARKS = ("backsight", "foresight", "check")  # roles of what is sighted more than once on purpose


def names_used_twice(solved: Solved) -> list[tuple[str, list[IntArray]]]:
    """Return setup label and rows, by place, of each side shot's name that has several places."""
    pointings, case = solved.reduction.pointings, solved.case
    width = np.abs(np.nan_to_num(pointings.deviation))
    width[:, DIRECTION] *= np.nan_to_num(pointings.corrected[:, DISTANCE])
    torn = np.flatnonzero((width[:, [DIRECTION, DISTANCE]] > 0.5 * APART).any(axis=1))
    if not len(torn):
        return []
    sights = solved.network.sights
    alone = ~shared_points(solved.network)
    found = []
    for sight in np.unique(pointings.sight[torn]).tolist():
        rows = np.flatnonzero(pointings.sight == sight)
        if not alone[sights.point[sight]] or np.isin(case.shots.role[rows], MARKS).any():
            continue
        places = _by_place(case, rows)
        if len(places) > 1:
            found.append((case.setups[sights.setup[sight]].label, places))
    return found


def _by_place(case: Case, rows: IntArray) -> list[IntArray]:
    """Gather rows of one name by where they put it, one group where only the face is in doubt."""
    plan, _ = row_places(case, rows, readings_of(case, rows))
    groups: list[list[int]] = []
    for row, place in enumerate(plan):
        for group in groups:
            if abs(place - plan[group[0]]) <= APART or _other_face(place, plan[group[0]]):
                group.append(row)
                break
        else:
            groups.append([row])
    return [rows[group] for group in groups]


def _other_face(one: complex, other: complex) -> bool:
    turn = abs(float(wrap_half(np.angle(one) - np.angle(other) - np.pi)))
    return turn < OPPOSITE and abs(abs(one) - abs(other)) < SAME_DISTANCE


def split_twice(solved: Solved, case: Case) -> tuple[Case, list[Mistake]]:
    """Give each place of a name used twice a name of its own; ``case`` has the solved rows."""
    by_setup: dict[str, list[list[IntArray]]] = {}
    for label, places in names_used_twice(solved):
        by_setup.setdefault(label, []).append(places)
    mistakes = []
    for label, names in by_setup.items():
        points: list[str] = []
        instead: list[str] = []
        later: list[int] = []
        for places in names:
            name = case.points[case.shots.point[places[0][0]]]
            points.append(name)
            for number, rows in enumerate(places):
                base = f"{name}@{label}"
                taken = set(case.points)
                own = new_name(base, "~", taken) if base in taken else base
                case = case.with_renamed(rows, own)
                instead.append(own)
                later += rows.tolist() if number else []
        rivals = tuple(
            RivalCause(kind, label, tuple(points), np.nan, separable=False)
            for kind in ("point-name", "distance")
        )
        mistakes.append(
            Mistake(
                "name-collision", label, tuple(points), np.array(sorted(later)), (), unit="m",
                detail="within the setup", instead=tuple(instead), rivals=rivals,
            )
        )  # fmt: skip
    return case, mistakes
