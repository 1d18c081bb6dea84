"""Keep a finding: what it left out goes back into the solution as it was booked.

What is kept is named and measured without it, then put back and solved once more: nothing
else is looked for in a solution that a person chose to bend. What would throw the site apart
cannot be put back, and is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.adapt import contaminated_rows, setup_number, stays_in
from tieup.diagnose.axes import WHOLE_LIST
from tieup.diagnose.case import Case
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.solve import Solved, solve
from tieup.errors import TieupError
from tieup.model.arrays import FloatArray
from tieup.model.finding import STRING_STEP
from tieup.model.settings import Tolerances

IN_HEIGHT = (
    "zenith",
    "target-height",
    "instrument-height",
    "vertical-index",
    "level",
    "level-sign",
    "level-metre",
)


def with_kept(
    solved: Solved, original: Case, kept: Sequence[Mistake]
) -> tuple[Solved, list[Mistake]]:
    """Put back what mistakes left out, each as far as the site stays in one piece.

    Parameters
    ----------
    solved
        The solution without any mistake.
    original
        The case that the mistakes were found in: what they left out is taken from it.

    Returns
    -------
    The solution with them, and those that could be put back.
    """
    back = []
    for mistake in kept:
        if stays_in(mistake):
            back.append(mistake)
            continue
        try:
            again = solve(put_back(solved.case, original, mistake))
        except TieupError:
            continue
        if _whole(again, solved):
            solved = again
            back.append(mistake)
    return solved, back


def _whole(again: Solved, before: Solved) -> bool:
    """Say whether no further reading is left out as gross and every setup has a place."""
    now, then = again.network.start, before.network.start
    for name in ("gross", "gross_station", "gross_control", "gross_link"):
        if getattr(now, name).sum() > getattr(then, name).sum():
            return False
    lost = len(before.case.setups) - len(again.case.setups)
    return int(now.plan_setup.sum()) >= int(then.plan_setup.sum()) - lost


def put_back(case: Case, original: Case, mistake: Mistake) -> Case:
    """Return the case with what ``mistake`` took out, split or renamed as in ``original``."""
    if mistake.links:
        return replace(case, left_links=case.left_links - set(mistake.links))
    match mistake.kind:
        case "instrument-height" | "station-name":
            number = setup_number(case, mistake.setup)
            return case.with_setup(number, original.setups[number])
        case "control-coordinate" | "swapped-axes":
            return _with_given(case, original, mistake)
        case "mark-moved":
            later = np.flatnonzero(case.shots.point == case.points.index(mistake.instead[0]))
            return _without_names(case.with_renamed(later, mistake.points[0]), mistake.instead)
        case "name-collision":
            point = case.shots.point.copy()
            point[mistake.rows] = original.shots.point[mistake.rows]
            named = replace(case, shots=replace(case.shots, point=point))
            return _without_names(named, mistake.instead)
        case "instrument-moved" | "setup-reused":
            return _joined(case, original, mistake)
    rows = contaminated_rows(original, mistake)
    use = case.use.copy()
    block = np.ix_(rows, np.array(mistake.kinds, dtype=np.int64))
    use[block] |= original.use[block]
    return replace(case, use=use)


def _without_names(case: Case, names: tuple[str, ...]) -> Case:
    """Return the case without point names that no shot carries any more."""
    used = {case.points[number] for number in np.unique(case.shots.point).tolist()}
    kept = [n for n, name in enumerate(case.points) if name in used or name not in names]
    number = np.full(len(case.points), -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    return replace(
        case,
        points=tuple(case.points[n] for n in kept),
        shots=replace(case.shots, point=number[case.shots.point]),
        links=replace(case.links, start=number[case.links.start], end=number[case.links.end]),
    )


def _with_given(case: Case, original: Case, mistake: Mistake) -> Case:
    """Return the case with control values as they were given: of some marks, or the whole list."""
    if case.control is None or original.control is None or mistake.detail == WHOLE_LIST:
        return replace(case, control=original.control, datum=original.datum)
    coordinates = case.control.coordinates.copy()
    rows = [case.control.names.index(point) for point in mistake.points]
    coordinates[rows] = original.control.coordinates[rows]
    return replace(case, control=replace(case.control, coordinates=coordinates))


def _joined(case: Case, original: Case, mistake: Mistake) -> Case:
    """Return the case with the two halves of a setup as one again."""
    row = mistake.rows[0]
    first, second = int(original.shots.setup[row]), int(case.shots.setup[row])
    if first == second:
        return case
    number = np.where(case.shots.setup == second, first, case.shots.setup)
    number -= number > second
    setups = (*case.setups[:second], *case.setups[second + 1 :])
    return replace(case, shots=replace(case.shots, setup=number), setups=setups)


def beyond_limits(mistake: Mistake, case: Case, limits: Tolerances) -> bool:
    """Say whether a mistake amounts to more at the mark than a tie may differ.

    A mistake without a size counts as beyond; a step that a person keeps is an edge.
    """
    if mistake.kind == STRING_STEP:
        return False
    if not len(mistake.size):
        return True
    plan, height = _at_mark(mistake, case)
    return bool(plan > limits.horizontal or height > limits.elevation)


def _at_mark(mistake: Mistake, case: Case) -> tuple[float, float]:
    """Return what a mistake amounts to at its farthest mark, in plan and in height (m)."""
    size = mistake.size
    if len(size) > 1:
        letters = mistake.detail if set(mistake.detail) <= set("NEH") else ""
        letters = (letters or "NEH")[: len(size)]
        shift = dict(zip(letters, np.abs(size[:3]).tolist(), strict=False))
        turn = abs(float(size[3])) * _reach(mistake, case) if len(size) > 3 else 0.0
        plan = float(np.hypot(shift.get("N", 0.0), shift.get("E", 0.0))) + turn
        return plan, shift.get("H", 0.0)
    amount = abs(mistake.magnitude)
    if mistake.unit in ("rad", "1"):
        amount *= _reach(mistake, case)
    if mistake.kind == "control-coordinate":
        return (0.0, amount) if mistake.detail == "H" else (amount, 0.0)
    return (0.0, amount) if mistake.kind in IN_HEIGHT else (amount, 0.0)


def _reach(mistake: Mistake, case: Case) -> float:
    """Return the longest distance (m) among the rows of a mistake, inf where none has one."""
    distance: FloatArray = case.shots.distance[mistake.rows]
    known = distance[np.isfinite(distance)]
    return float(known.max()) if len(known) else np.inf
