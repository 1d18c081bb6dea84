"""Judge the joints: strings that pass from one setup's shots to another's.

At a point both setups shot, step and gap are the difference of their two placements of it,
each from all else the setup knows. Without such a point they are what the two lines say of
each other: each run is carried on to the middle of the change-over, and step and gap there
are held against how smoothly the line runs elsewhere (`tieup.ties.lines`), because a curb
has bends of its own. The kink is the change of direction at the change-over in the
delivered coordinates.

Standard deviations come from the joint covariance of the points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.covariance import point_covariance
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.settings import Tolerances
from tieup.threads import one_thread
from tieup.ties.compare import column_size, compare
from tieup.ties.family import chance_of, holm
from tieup.ties.lines import GAP, KINK, STEP, LineReading, Smoothness, read_line, smoothness
from tieup.ties.sharing import find_sharing
from tieup.ties.strings import ChangeOver, find_change_overs, find_runs
from tieup.ties.verdicts import Judgement, judge, state_of

LEVEL = 0.001  # chance that a clean job has any joint called off
BATCH = 2e7  # numbers in one right-hand side


@dataclass(frozen=True)
class StringJoints:
    """Change-overs, n of them; second setup minus first.

    ``string`` (n,), ``setup`` (n, 2), ``point`` (n,) the shared point or -1, ``ends`` (n, 2) the
    points on either side. ``value`` and ``sd`` (n, 4): step in height, gap in plan (m), kink of
    direction (rad) and of grade (rise over run); NaN where nothing tells. At a shared point
    the gap is the size of the plan difference, else the offset across the line.
    ``gap_statistic`` is chi-square with ``gap_freedom`` degrees. ``bends`` (n,): the kink is more
    than the gear and the line's own bends explain.
    """

    string: TextArray
    setup: IntArray
    point: IntArray
    ends: IntArray
    value: FloatArray
    sd: FloatArray
    gap_statistic: FloatArray
    gap_freedom: IntArray
    bends: BoolArray

    def __len__(self) -> int:
        return len(self.point)


def string_joints(
    adjustment: Adjustment, string: TextArray, setup: IntArray, point: IntArray, time: FloatArray
) -> StringJoints:
    """Measure every change-over; arguments as in `tieup.ties.strings.find_runs`."""
    solved = adjustment.problem.solved_point
    known = np.where((point >= 0) & solved[np.maximum(point, 0)], point, -1)
    runs = find_runs(string, setup, known, time)
    found = find_change_overs(runs, adjustment.position)
    smooth = {
        name: smoothness([r.points for r in runs if r.string == name], adjustment.position)
        for name in {c.string for c in found}
    }
    with one_thread():
        shared = _shared(adjustment, found)
        lines = [line for batch in _batches(adjustment, found) for line in _read(adjustment, batch)]
    return _assemble(found, shared, lines, [smooth[c.string] for c in found])


def judge_joints(joints: StringJoints, limits: Tolerances, level: float = LEVEL) -> Judgement:
    """Judge step and gap of every joint."""
    with np.errstate(invalid="ignore"):
        up = (joints.value[:, STEP] / joints.sd[:, STEP]) ** 2
    flat = chance_of(joints.gap_statistic, joints.gap_freedom)
    rise = chance_of(up, np.ones(len(joints), dtype=np.int64))
    beyond = holm(np.concatenate([flat, rise]), level)
    parts = (
        (GAP, limits.horizontal, beyond[: len(joints)]),
        (STEP, limits.elevation, beyond[len(joints) :]),
    )
    plan, height = (
        state_of(joints.value[:, part], joints.sd[:, part], limit, clear)
        for part, limit, clear in parts
    )
    return judge(plan, height)


def _shared(
    adjustment: Adjustment, found: list[ChangeOver]
) -> dict[int, tuple[FloatArray, FloatArray]]:
    """Return the difference (3,) and covariance (3, 3) at shared points, by change-over."""
    sharing = find_sharing(adjustment)
    chosen = [
        i
        for i, change in enumerate(found)
        if change.point >= 0
        and all((setup, change.point) in sharing.rows for setup in change.setups)
    ]
    steps = compare(
        adjustment, [sharing.comparison(*found[i].setups, [found[i].point]) for i in chosen]
    )
    return {i: (-steps.step[k, :3], steps.covariance[k, :3, :3]) for k, i in enumerate(chosen)}


def _batches(adjustment: Adjustment, found: list[ChangeOver]) -> list[list[ChangeOver]]:
    room = max(int(BATCH / column_size(adjustment) / 15), 1)
    return [found[i : i + room] for i in range(0, len(found), room)]


def _read(adjustment: Adjustment, batch: list[ChangeOver]) -> list[LineReading]:
    """Read step, gap and kink off the points around each change-over of a batch."""
    rows = [_points_of(change) for change in batch]
    points = np.unique(np.concatenate([np.array(r, dtype=np.int64) for r in rows]))
    joint = point_covariance(adjustment, points)
    readings = []
    for row in rows:
        at = np.searchsorted(points, row)
        size = 3 * len(row)
        covariance = joint[np.ix_(at, np.arange(3), at, np.arange(3))].reshape(size, size)
        readings.append(read_line(adjustment.position[row], covariance))
    return readings


def _points_of(change: ChangeOver) -> list[int]:
    """Return the points that show the line, in its order: 3 with a shared one, else 4."""
    if change.point >= 0:
        return [*change.before[:1], change.point, *change.after[:1]]
    return [*change.before[:2][::-1], *change.after[:2]]


def _assemble(
    found: list[ChangeOver],
    shared: dict[int, tuple[FloatArray, FloatArray]],
    lines: list[LineReading],
    smooth: list[Smoothness],
) -> StringJoints:
    count = len(found)
    value = np.array([line.value for line in lines]).reshape(count, 4)
    sd = np.array([line.sd for line in lines]).reshape(count, 4)
    own = np.array([s.sd for s in smooth]).reshape(count, 4)
    is_shared = np.array([change.point >= 0 for change in found], dtype=bool)
    bend = np.array([s.kink for s in smooth]) * np.where(is_shared, 1.0, 2.0)
    off = (value[:, KINK] - bend) ** 2 / (sd[:, KINK] ** 2 + own[:, KINK] ** 2)
    bends = holm(chance_of(off, np.ones(count, dtype=np.int64)), LEVEL)
    for part in (STEP, GAP):
        sd[:, part] = np.hypot(sd[:, part], own[:, part])
        value[is_shared, part] = sd[is_shared, part] = np.nan
    statistic = (value[:, GAP] / sd[:, GAP]) ** 2
    freedom = np.where(is_shared, 2, 1)
    for i, (shift, covariance) in shared.items():
        value[i, STEP], sd[i, STEP] = shift[2], np.sqrt(covariance[2, 2])
        size = np.hypot(*shift[:2])
        unit = shift[:2] / max(size, 1e-12)
        value[i, GAP], sd[i, GAP] = size, np.sqrt(unit @ covariance[:2, :2] @ unit)
        if np.isfinite(size):
            statistic[i] = shift[:2] @ np.linalg.solve(covariance[:2, :2], shift[:2])
    ends = [_ends(change) for change in found]
    return StringJoints(
        np.array([change.string for change in found], dtype=object),
        np.array([change.setups for change in found], dtype=np.int64).reshape(-1, 2),
        np.array([change.point for change in found], dtype=np.int64),
        np.array(ends, dtype=np.int64).reshape(-1, 2),
        value,
        sd,
        statistic,
        freedom,
        bends,
    )


def _ends(change: ChangeOver) -> tuple[int, int]:
    """Return the last point of the one run and the first of the other."""
    if change.point >= 0:
        return change.point, change.point
    return change.before[0], change.after[0]
