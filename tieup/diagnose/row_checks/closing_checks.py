"""Does every setup end with a second look at a mark, and every file with a whole row?"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from itertools import pairwise

import numpy as np

from tieup.diagnose.basis.convention_signs import shared_points
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.names.name_visits import MARK_ROLES
from tieup.diagnose.row_checks.clock import BACK
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.fieldbook import Fieldbook, InvalidRow
from tieup.model.finding import Finding, Rival
from tieup.model.finding_kinds import NO_CLOSING, TRUNCATED
from tieup.model.observations import KINDS

FEW_AFTER, SHARE_AFTER = 2, 0.05  # side shots that may follow the closing look
BREAKS_OFF = "breaks off"  # how the reader says that a row has too few cells


def closing_findings(
    fieldbook: Fieldbook, solved: Solved, truncated: AbstractSet[str]
) -> list[Finding]:
    """Return the setups that end without a second look at a mark; one finding if all do."""
    closed = {}
    mark, rows = _marks(fieldbook, solved), _rows_of_setups(fieldbook)
    for number, setup in enumerate(fieldbook.setups):
        answer = _closes(fieldbook, mark, rows[number])
        if answer is not None and setup.label not in truncated:
            closed[number] = answer
    open_ = [number for number, answer in closed.items() if not answer]
    if len(open_) > 1 and len(open_) == len(closed):
        labels = [fieldbook.setups[number].label for number in open_]
        return [_no_closing(labels, ())]
    last = len(fieldbook.setups) - 1
    return [
        _no_closing(
            [fieldbook.setups[number].label],
            (Rival("truncated", fieldbook.setups[number].label, (), None, separable=False),)
            if number == last and len(closed) > 1
            else (),
        )
        for number in open_
    ]


def _rows_of_setups(fieldbook: Fieldbook) -> list[IntArray]:
    """Return the rows of each setup as recorded, those that only repeat another left out."""
    shots = fieldbook.shots
    rows = np.flatnonzero(~shots.repeated)
    rows = rows[np.argsort(shots.setup[rows], kind="stable")]
    starts = np.searchsorted(shots.setup[rows], np.arange(len(fieldbook.setups) + 1))
    return [rows[start:end] for start, end in pairwise(starts.tolist())]


def _closes(fieldbook: Fieldbook, to_mark: BoolArray, recorded: IntArray) -> bool | None:
    """Say whether a setup looks at a mark again at its end; None where it cannot be told.

    ``to_mark`` (m,) says which rows are to marks, ``recorded`` are the rows of the setup.
    """
    shots = fieldbook.shots
    rows = _in_order(fieldbook, recorded)
    if rows is None:
        return None
    mark = to_mark[rows]
    work = np.flatnonzero(~mark)
    if not len(work) or not mark[: work[0]].any():
        return None
    allowed = max(FEW_AFTER, int(SHARE_AFTER * len(work)))
    late = work[max(len(work) - 1 - allowed, 0)]
    seen_before = set(shots.point[rows[:late]][mark[:late]].tolist())
    return bool(seen_before & set(shots.point[rows[late:]][mark[late:]].tolist()))


def _in_order(fieldbook: Fieldbook, rows: IntArray) -> IntArray | None:
    """Return rows in shooting order: as recorded, by the clock where that shuffled them.

    None where rows without a clock are sorted by name: then the order is lost.
    """
    shots = fieldbook.shots
    time = shots.time[rows]
    if np.isfinite(time).all():
        steps_back = int((np.diff(time) < -BACK).sum())
        return rows[np.argsort(time, kind="stable")] if steps_back > 1 else rows
    names = [fieldbook.points[point] for point in shots.point[rows].tolist()]
    return None if len(set(names)) > 2 and names == sorted(names) else rows


def _marks(fieldbook: Fieldbook, solved: Solved) -> BoolArray:
    """Tell which rows (m,) are to marks: by role where the setup has roles, else by what else
    knows the point.
    """
    shots = fieldbook.shots
    by_role = np.isin(shots.role, MARK_ROLES)
    told = np.zeros(len(fieldbook.setups), dtype=bool)
    told[shots.setup[by_role & ~shots.repeated]] = True
    shared = shared_points(solved.network)[solved.case.shots.point] & (shots.role != "side")
    return np.where(told[shots.setup], by_role, shared)


def _no_closing(labels: list[str], rivals: tuple[Rival, ...]) -> Finding:
    one = len(labels) == 1
    who = f"Setup {labels[0]} ends" if one else f"All setups ({some(labels)}) end"
    lost = " The export may also have been cut short." if rivals else ""
    return NO_CLOSING.found(
        setup=labels[0] if one else "",
        rivals=rivals,
        says=f"{who} without a second look at a mark: a knock or a settling tripod during the work "
        f"shots would go unseen.{lost}",
        confirm="Look in the field book for a closing check.",
        cure="Shoot the backsight again before the legs are picked up; for what is shot, tie a few "
        "work points from another setup.",
    )


def truncated_findings(fieldbook: Fieldbook) -> list[Finding]:
    """Return a finding for each file whose last row is cut short."""
    findings = []
    for number, file in enumerate(fieldbook.files):
        last = _last_invalid(fieldbook, number)
        if last is None or not _cut_short(fieldbook, last):
            continue
        findings.append(
            TRUNCATED.found(
                setup=_label(fieldbook, last),
                lines=(f"{file.name}:{last.line}",),
                says=f"{file.name} ends in the middle of a row (line {last.line}: {last.reason}): "
                "the export was cut short, and rows after it are missing.",
                confirm="Compare the number of shots with the field book or the instrument.",
                cure="Export the file again.",
                key=file.name,
            )
        )
    return findings


def _last_invalid(fieldbook: Fieldbook, file: int) -> InvalidRow | None:
    own = [row for row in fieldbook.invalid if row.file == file]
    if not own:
        return None
    last = max(own, key=lambda row: row.line)
    lines = fieldbook.shots.line[fieldbook.shots.file == file]
    return last if not len(lines) or last.line > lines.max() else None


def _cut_short(fieldbook: Fieldbook, row: InvalidRow) -> bool:
    """Say whether a row lacks cells that the rows of its file have."""
    if BREAKS_OFF in row.reason:
        return True
    shots = fieldbook.shots
    own = shots.file == row.file
    given = np.isfinite(np.column_stack([shots.direction, shots.zenith, shots.distance])[own])
    usual = {kind for kind, share in zip(KINDS, given.mean(axis=0), strict=True) if share > 0.5}
    return bool(own.any()) and not usual <= set(row.kinds)


def _label(fieldbook: Fieldbook, row: InvalidRow) -> str:
    """Return the label of the setup that an unreadable row names in its file."""
    file = fieldbook.files[row.file].name
    labels = [s.label for s in fieldbook.setups if s.name == row.setup and s.file == file]
    return labels[-1] if labels else ""
