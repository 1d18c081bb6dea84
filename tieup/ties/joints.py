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

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.settings import Tolerances
from tieup.ties.compare import compare, within_means
from tieup.ties.family import chance_of, holm
from tieup.ties.lines import GAP, KINK, STEP, LineReading, Smoothness, read_line, smoothness
from tieup.ties.local import affordable, local_covariance
from tieup.ties.marks import MarkTies
from tieup.ties.sharing import find_sharing, misfits
from tieup.ties.strings import ChangeOver, find_change_overs, find_runs
from tieup.ties.verdicts import Judgement, judge, state_of

LEVEL = 0.001  # chance that a clean job has any joint called off


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
    adjustment: Adjustment,
    ties: MarkTies,
    string: TextArray,
    setup: IntArray,
    point: IntArray,
    time: FloatArray,
) -> StringJoints:
    """Measure every change-over; the arrays as in `tieup.ties.strings.find_runs`."""
    solved = adjustment.problem.solved_point
    known = np.where((point >= 0) & solved[np.maximum(point, 0)], point, -1)
    runs = find_runs(string, setup, known, time)
    found = find_change_overs(runs, adjustment.position)
    points: dict[str, list[tuple[int, ...]]] = {c.string: [] for c in found}
    for run in runs:
        if run.string in points:
            points[run.string].append(run.points)
    smooth = {name: smoothness(own, adjustment.position) for name, own in points.items()}
    shared = _shared(adjustment, ties, found)
    return _assemble(found, shared, _read(adjustment, found), [smooth[c.string] for c in found])


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
    adjustment: Adjustment, ties: MarkTies, found: list[ChangeOver]
) -> dict[int, tuple[FloatArray, FloatArray]]:
    """Return the difference (3,) and covariance (3, 3) at shared points, by change-over.

    Where only the two setups know the point, the second one's tie is the difference.
    """
    if not any(change.point >= 0 for change in found):
        return {}
    sharing = find_sharing(adjustment)
    row_of = {
        pair: row
        for row, pair in enumerate(zip(ties.setup.tolist(), ties.point.tolist(), strict=True))
    }
    differences: dict[int, tuple[FloatArray, FloatArray]] = {}
    several: list[int] = []
    comparisons = []
    for i, change in enumerate(found):
        ends = [(setup, change.point) for setup in change.setups]
        if change.point < 0 or not all(end in sharing.rows for end in ends):
            continue
        comparison = sharing.comparison(*change.setups, [change.point])
        if comparison.known:
            several.append(i)
            comparisons.append(comparison)
        else:
            row = row_of[ends[1]]
            differences[i] = (ties.difference[row], ties.covariance[row])
    chosen = within_means(adjustment, comparisons, misfits(adjustment, comparisons))
    steps = compare(adjustment, [comparisons[k] for k in chosen])
    for number, k in enumerate(chosen):
        differences[several[k]] = (-steps.step[number, :3], steps.covariance[number, :3, :3])
    return differences


def _read(adjustment: Adjustment, found: list[ChangeOver]) -> list[LineReading]:
    """Read step, gap and kink off the points around each change-over.

    In a very large job those without a shared point go first: nothing else tells of them.
    """
    rows = [np.array(_points_of(change), dtype=np.int64) for change in found]
    order = sorted(range(len(found)), key=lambda i: found[i].point >= 0)
    columns = np.cumsum([3 * len(rows[i]) for i in order])
    chosen = [i for i, used in zip(order, columns, strict=True) if used <= affordable(adjustment)]
    covariances = local_covariance(adjustment, [rows[i] for i in chosen])
    nothing = LineReading(np.full(4, np.nan), np.full(4, np.nan))
    readings = [nothing] * len(found)
    for i, covariance in zip(chosen, covariances, strict=True):
        readings[i] = read_line(adjustment.position[rows[i]], covariance)
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
    unmeasured = sd == 0.0  # heights of a site that has none measured: held, not known
    value[unmeasured] = sd[unmeasured] = np.nan
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
