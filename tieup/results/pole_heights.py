"""What hangs on a booked pole height that nothing checks: the heights of side shots.

A free setup takes up an error that is common to its marks, and hands it on to every shot that was
booked with another pole. So the height of a side shot stands on the book alone, unless its setup
shot a mark with the same booked pole, or the shot belongs to a string that goes on in the shots of
another setup, which shows a step as far as its own shape lets foretell. A pole that was changed
between the marks and the side shots, and not in the book, shows in neither.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.finding import NOTE, POLE_HEIGHT, Finding
from tieup.model.finding_kinds import WEAK_GEOMETRY
from tieup.model.observations import ZENITH
from tieup.model.reconciliation import Table
from tieup.results.coordinates_table import lasting_marks
from tieup.results.site import Site
from tieup.ties.joints import StringJoints

NO_POLE = ("none", "sheet")  # kinds of target that stand on no pole
NEAR = 1e-4  # m; heights nearer than this are one in the book


@dataclass(frozen=True)
class PoleGroup:
    """Side shots of a setup with one booked pole height (m).

    ``at_marks`` says that the setup shot a mark with it. ``shows`` (m) is the change of height that
    ``string`` shows 8 times in 10, 0 where it steps already, infinite where no string tells.
    ``alone`` says that no other setup books it, and ``others`` (m) is what all of them book then,
    NaN for several heights.
    """

    setup: str
    height: float
    points: tuple[str, ...]
    at_marks: bool
    string: str
    shows: float
    alone: bool
    others: float


def pole_findings(groups: Sequence[PoleGroup], phrases: Phrases) -> list[Finding]:
    """Return a note on each pole height that neither a mark nor a string of its setup checks."""
    return [
        WEAK_GEOMETRY.found(
            severity=NOTE,
            setup=group.setup,
            points=group.points,
            says=f"{_heights(len(group.points))} of {group.setup} "
            f"{'hangs' if len(group.points) == 1 else 'hang'} on the pole height booked "
            f"{phrases.height(group.height)}: nothing checks it{_others(group, phrases)} "
            f"({some(group.points)}).",
            confirm=f"With one pole shoot a mark and {group.points[0]}.",
            cure="If the book is wrong, set it: decisions: set target_height.",
            key=f"{POLE_HEIGHT} {group.height:.4f}",
        )
        for group in groups
        if not group.at_marks and not group.string
    ]


def poles_table(groups: Sequence[PoleGroup], phrases: Phrases) -> Table:
    """Return on which booked pole heights side shots hang, and what checks them, in words."""
    if not groups:
        return {}
    return {
        "setup": [group.setup for group in groups],
        "height": [phrases.height(group.height) for group in groups],
        "side_shots": [len(group.points) for group in groups],
        "points": [some(group.points) for group in groups],
        "checked_by": [_checked_by(group, phrases) for group in groups],
        "remark": [_others(group, phrases).removeprefix(", and ") for group in groups],
    }


def pole_groups(site: Site, joints: StringJoints) -> Iterator[PoleGroup]:
    """Give the side shots of each setup by the pole height that was booked for them."""
    shots, case = site.case.shots, site.case
    taken = _with_pole(site)
    if not (np.abs(shots.target_height[taken]) > NEAR).any():
        return  # a job without poles
    lasting = np.zeros(len(case.points), dtype=np.bool_)
    lasting[lasting_marks(site)] = True
    height = np.round(shots.target_height / NEAR) * NEAR
    rows = np.flatnonzero(taken)
    rows = rows[np.argsort(shots.setup[rows], kind="stable")]
    setups, first = np.unique(shots.setup[rows], return_index=True)
    users = _users(shots.setup[rows], height[rows])
    ends = _string_ends(joints)
    for setup, own in zip(setups.tolist(), np.split(rows, first[1:]), strict=True):
        here = set(height[own].tolist())
        beyond = [booked for booked, many in users.items() if many > (booked in here)]
        checked = _checked_heights(height[own], shots.point[own], lasting)
        side = own[~lasting[shots.point[own]]]
        for booked in np.unique(height[side]).tolist():
            rows = side[height[side] == booked]
            numbers = shots.point[rows]
            string, shows = _string(joints, ends.get(setup, ()), set(numbers.tolist()))
            others = beyond[0] if len(beyond) == 1 else np.nan
            yield PoleGroup(
                case.setups[setup].label,
                booked,
                tuple(case.points[n] for n in dict.fromkeys(shots.point[rows].tolist())),
                booked in checked,
                string,
                shows,
                bool(beyond) and booked not in beyond,
                others,
            )


def _users(setup: IntArray, height: FloatArray) -> dict[float, int]:
    """Return how many setups booked each height, lowest first; arrays (n,) are of rows."""
    booked, number = np.unique(height, return_inverse=True)
    pairs, _ = distinct_pairs(number.reshape(-1), setup)
    many = np.bincount(pairs[:, 0], minlength=len(booked))
    return dict(zip(booked.tolist(), many.tolist(), strict=True))


def _with_pole(site: Site) -> BoolArray:
    """Return the rows (m,) whose zenith angle and target on a pole give a point its height."""
    shots = site.case.shots
    poled = ~np.isin(shots.target.astype(str), NO_POLE)
    placed = np.isfinite(site.position[shots.point, 2])
    return np.asarray(site.tests.solved[:, ZENITH] & poled & placed)


def _checked_heights(height: FloatArray, point: IntArray, lasting: BoolArray) -> set[float]:
    """Return the heights that a setup booked for marks, and for points it shot with those as well.

    A point shot twice with two poles ties one to the other.
    """
    known, booked = set(height[lasting[point]].tolist()), set(height.tolist())
    while True:
        if not known or known == booked:
            return known
        points = np.unique(point[np.isin(height, list(known))])
        more = set(height[np.isin(point, points)].tolist()) | known
        if more == known:
            return known
        known = more


def _string_ends(joints: StringJoints) -> dict[int, list[tuple[int, int]]]:
    """Return by setup the joints between two points that it is a side of, with its own point."""
    found: dict[int, list[tuple[int, int]]] = {}
    between = np.flatnonzero(joints.point < 0)
    for side in (0, 1):
        setups, points = joints.setup[between, side], joints.ends[between, side]
        for row, setup, point in zip(
            between.tolist(), setups.tolist(), points.tolist(), strict=True
        ):
            found.setdefault(setup, []).append((row, point))
    return found


def _string(
    joints: StringJoints, ends: Sequence[tuple[int, int]], points: set[int]
) -> tuple[str, float]:
    """Return the string that shows the smallest step of these points of a setup, and how small."""
    best, shows = "", np.inf
    for row, point in ends:
        if point not in points:
            continue
        size = 0.0 if joints.stands[row] else float(joints.shows[row])
        if size < shows:
            best, shows = str(joints.string[row]), size
    return best, shows


def _heights(count: int) -> str:
    return "The height of 1 side shot" if count == 1 else f"Heights of {count} side shots"


def _checked_by(group: PoleGroup, phrases: Phrases) -> str:
    """Say what would show that the height is wrong."""
    if group.string and not group.shows:
        return f"string {group.string}, which steps"
    if group.string:
        return f"string {group.string}, from {phrases.shift(group.shows)} on"
    if group.at_marks:
        return "marks shot with it; nothing if the pole was changed after them"
    return "nothing"


def _others(group: PoleGroup, phrases: Phrases) -> str:
    """Say what the other setups book, where none books this height."""
    if not group.alone:
        return ""
    if np.isnan(group.others):
        return ", and no other setup books it"
    return f", and every other setup books {phrases.height(group.others)}"
