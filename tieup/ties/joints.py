"""Judge the joints: strings that pass from one setup's shots to another's.

At a point both setups shot, step and gap are the difference of their two placements of it,
each from all else the setup knows. Without such a point they are what the two lines say of
each other: each run is carried on to the middle of the change-over (`tieup.ties.carried`,
`tieup.ties.change_over_readings`). That never proves a joint and never fails one, because a curb
has bends and drops of its own; a step beyond what the line's shape and the scatter may do stands
out, and is to be settled. The kink is the change of direction at the change-over in the delivered
coordinates.

Standard deviations come from the joint covariance of the points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.cofactors import group_point_covariances
from tieup.adjust.distributions import normal_critical
from tieup.adjust.solution import Adjustment
from tieup.linework.change_overs import ChangeOver, change_overs
from tieup.linework.site_lines import find_lines
from tieup.model.answer import UNPROVED, UNTESTED
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.fieldbook import Shots
from tieup.model.settings import Tolerances
from tieup.model.strings import StringStep
from tieup.ties.carried import ENOUGH, Carried, carry, off_course, roughness
from tieup.ties.change_over_readings import (
    GAP,
    KINK,
    STEP,
    LineReading,
    Smoothness,
    read_line,
    smoothness,
)
from tieup.ties.compare import compare, within_means
from tieup.ties.marks import MarkTies
from tieup.ties.multiple_testing import chance_of, holm
from tieup.ties.sharing import find_sharing, misfits
from tieup.ties.verdicts import Judgement, judge, state_of

LEVEL = 0.001  # chance that a clean job has any joint called off
UNSHARED = "no shot is shared: what the line's own shape may do cannot be told from a step"
STANDS = "no shot is shared, and the line steps by more than its own shape explains"


@dataclass(frozen=True)
class StringJoints:
    """Change-overs, n of them; second setup minus first.

    ``string`` (n,), ``setup`` (n, 2), ``point`` (n,) the shared point or -1, ``ends`` (n, 2) the
    points on either side. ``value`` and ``sd`` (n, 4): step in height, gap in plan (m), kink of
    direction (rad) and of grade (rise over run); NaN where nothing tells. At a shared point
    the gap is the size of the plan difference, else the offset across the line.
    ``gap_statistic`` is chi-square with ``gap_freedom`` degrees. ``bends`` (n,): the kink is more
    than the gear and the line's own bends explain. Without a shared point ``unsure`` (n,) is what
    the line's shape may make of a step (m), ``clear`` (n,) the sds by which it is beyond that,
    and ``stands`` (n,) says where it is more than chance as well; NaN and False at shared points.
    ``shows`` (n,): a change of height (m) of one whole run that would stand out, whatever its sign.
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
    unsure: FloatArray
    clear: FloatArray
    stands: BoolArray
    shows: FloatArray

    def __len__(self) -> int:
        return len(self.point)

    def steps(self) -> tuple[StringStep, ...]:
        """Return what each change-over without a shared point says of the height."""
        return tuple(
            StringStep(
                string=str(self.string[i]),
                setups=(int(self.setup[i, 0]), int(self.setup[i, 1])),
                ends=(int(self.ends[i, 0]), int(self.ends[i, 1])),
                step=float(self.value[i, STEP]),
                sd=float(self.sd[i, STEP]),
                unsure=float(self.unsure[i]),
                clear=float(self.clear[i]),
                stands=bool(self.stands[i]),
            )
            for i in np.flatnonzero(self.point < 0).tolist()
        )


def string_joints(
    adjustment: Adjustment,
    ties: MarkTies | None,
    shots: Shots,
    least: float = 0.0,
) -> StringJoints:
    """Measure every change-over of the strings of ``shots``, which name points as the network.

    Without ``ties`` those with a shared point are not measured. Steps up to ``least`` (m) do not
    stand out.
    """
    lines = find_lines(shots, np.zeros(len(shots), dtype=np.bool_), adjustment.position)
    sighted = _sighted(adjustment) if lines else set()
    found = [change for line in lines for change in change_overs(line, sighted)]
    points: dict[str, list[tuple[int, ...]]] = {change.string: [] for change in found}
    for line in lines:
        if line.name in points:
            points[line.name] += [piece for run in line.runs for piece in run.pieces]
    smooth = {name: smoothness(own, adjustment.position) for name, own in points.items()}
    shared = {} if ties is None else _shared(adjustment, ties, found)
    readings, carried = _read(adjustment, found, _roughness(points, adjustment.position))
    joints = _assemble(found, shared, readings, [smooth[c.string] for c in found], carried)
    with np.errstate(invalid="ignore"):
        return replace(joints, stands=joints.stands & (np.abs(joints.value[:, STEP]) > least))


def _sighted(adjustment: Adjustment) -> set[tuple[int, int]]:
    """Return setup and point of every sight of the solution."""
    inside, aside = adjustment.connections, adjustment.aside.connections
    sights = inside.take(np.flatnonzero(~inside.plumb)), aside
    return {pair for c in sights for pair in zip(c.setup.tolist(), c.point.tolist(), strict=True)}


def _roughness(points: dict[str, list[tuple[int, ...]]], position: FloatArray) -> dict[str, float]:
    """Return how rough each line is (m); a short one as the lines of the site together."""
    off = {name: off_course(runs, position) for name, runs in points.items()}
    site = roughness(np.concatenate([np.zeros(0), *off.values()]))
    return {name: roughness(own) if len(own) >= ENOUGH else site for name, own in off.items()}


def judge_joints(joints: StringJoints, limits: Tolerances, level: float = LEVEL) -> Judgement:
    """Judge step and gap at shared points; elsewhere say whether a step is to be settled."""
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
    found = judge(plan, height)
    alone = joints.point < 0
    found.verdict[alone] = np.where(joints.stands[alone], UNPROVED, UNTESTED)
    found.words[alone] = np.where(joints.stands[alone], STANDS, UNSHARED)
    return found


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
    chosen = within_means(comparisons, misfits(adjustment, comparisons))
    steps = compare(adjustment, [comparisons[k] for k in chosen])
    for number, k in enumerate(chosen):
        differences[several[k]] = (-steps.step[number, :3], steps.covariance[number, :3, :3])
    return differences


def _read(
    adjustment: Adjustment, found: list[ChangeOver], rough: dict[str, float]
) -> tuple[list[LineReading], list[Carried]]:
    """Read step, gap and kink off the points around each change-over."""
    rows = [np.array(_points_of(change), dtype=np.int64) for change in found]
    covariances = group_point_covariances(adjustment, rows)
    readings, carried = [], [Carried()] * len(found)
    for i, covariance in enumerate(covariances):
        place = adjustment.position[rows[i]]
        readings.append(read_line(place, covariance))
        if found[i].point < 0:
            carried[i] = carry(place, covariance[2::3, 2::3], rough[found[i].string])
    return readings, carried


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
    carried: list[Carried],
) -> StringJoints:
    count = len(found)
    value = np.array([line.value for line in lines]).reshape(count, 4)
    sd = np.array([line.sd for line in lines]).reshape(count, 4)
    own = np.array([s.sd for s in smooth]).reshape(count, 4)
    is_shared = np.array([change.point >= 0 for change in found], dtype=bool)
    bend = np.array([s.kink for s in smooth]) * np.where(is_shared, 1.0, 2.0)
    off = (value[:, KINK] - bend) ** 2 / (sd[:, KINK] ** 2 + own[:, KINK] ** 2)
    bends = holm(chance_of(off, np.ones(count, dtype=np.int64)), LEVEL)
    sd[:, GAP] = np.hypot(sd[:, GAP], own[:, GAP])
    value[:, STEP] = [one.step for one in carried]
    sd[:, STEP] = [one.sd for one in carried]
    value[is_shared, GAP] = sd[is_shared, GAP] = np.nan
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
    unsure = np.array([one.unsure for one in carried])
    sd_end = np.array([one.sd_end for one in carried])
    clear = _clear(value[:, STEP], unsure, sd_end)
    least = float(normal_critical(LEVEL / 2.0 / max(count, 1)))
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
        unsure,
        clear,
        holm(chance_of(clear**2, np.ones(count, dtype=np.int64)), LEVEL),
        np.abs(value[:, STEP]) + unsure + least * sd_end,
    )


def _clear(step: FloatArray, unsure: FloatArray, sd: FloatArray) -> FloatArray:
    """Return by how many sds steps are beyond what the shape of their lines may make of them."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.maximum(np.abs(step) - unsure, 0.0) / sd)


def _ends(change: ChangeOver) -> tuple[int, int]:
    """Return the last point of the one run and the first of the other."""
    if change.point >= 0:
        return change.point, change.point
    return change.before[0], change.after[0]
