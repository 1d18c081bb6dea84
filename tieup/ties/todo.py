"""What to shoot again before the legs are picked up, in the order of need."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from tieup.geometry import azimuth
from tieup.model.finding import Finding
from tieup.ties.checks import Checks
from tieup.ties.geometry import CIRCLE, DISCONNECTED, LINE, SINGLE, STRONG, TWO, WEAK, Geometry
from tieup.ties.sector import Sector
from tieup.ties.verdicts import FAILS, LOOSE, UNTESTED

NAMED = 4  # names written out before "and n more"
AS_CLEAR = 0.9  # of the clearest failure at a mark: that setup may be the wrong one as well
REACH = 2.0  # a mark offered lies within so many times the longest tie
# Findings to check that are settled at the site, not in the office.
AT_THE_SITE = ("fall", "typed-elevation", "field-frame", "stored-point")
STRING_STEP = "string-step"
ALOUD = "both faces, read the pole height aloud"


def to_do(checks: Checks, findings: Sequence[Finding], angle_unit: str) -> list[str]:
    """Return the sentences of the to-do list."""
    stops = [finding for finding in findings if finding.severity == "stop" and finding.confirm]
    look = [f for f in findings if f.severity == "check" and f.kind in AT_THE_SITE and f.confirm]
    steps = [f for f in findings if f.severity == "check" and f.kind == STRING_STEP]
    told = {(finding.setup, point) for finding in stops for point in finding.points}
    sentences = [
        *(finding.confirm for finding in stops),
        *_steps(checks),
        *_failing(checks, told),
        *(finding.confirm for finding in steps),
        *_hanging(checks, angle_unit),
        *_bridges(checks),
        *_closing(checks),
        *_change_overs(checks, findings),
        *(finding.confirm for finding in look),
        *_again(checks),
    ]
    return [sentence.removesuffix(".") for sentence in sentences]


def _steps(checks: Checks) -> Iterable[str]:
    """Setups that are off as a whole."""
    network = checks.evidence.adjustment.problem.network
    for s in checks.steps.named.tolist():
        mark = checks.evidence.points[network.station[s]]
        if checks.steps.in_height[s]:
            yield (
                f"At {checks.evidence.setups[s]} tape the instrument height over {mark} again, "
                f"and check {mark} against two other marks"
            )
        else:
            yield f"At {checks.evidence.setups[s]} check the centring over {mark} and its name"


def _failing(checks: Checks, told: set[tuple[str, str]]) -> Iterable[str]:
    """Ties that fail: each mark from the setup that is clearest off, or from all that may be."""
    ties, evidence = checks.evidence.ties, checks.evidence
    clear = ties.clearness
    off = np.isin(ties.setup, checks.steps.named) & ties.plumb  # told as a whole already
    rows = np.flatnonzero((checks.ties.verdict == FAILS) & ~off)
    wanted: dict[tuple[str, ...], list[str]] = {}
    for point in ties.point[rows[np.argsort(-clear[rows], kind="stable")]].tolist():
        own = rows[ties.point[rows] == point]
        likely = own[clear[own] >= AS_CLEAR * clear[own].max()]
        setups = tuple(evidence.setups[s] for s in ties.setup[likely].tolist())
        name = evidence.points[point]
        if not any((setup, name) in told for setup in setups):
            wanted.setdefault(setups, []).append(name)
    for setups, names in wanted.items():
        yield f"From {_list(setups)} shoot {_list(names)} again, {ALOUD}"


def _hanging(checks: Checks, angle_unit: str) -> Iterable[str]:
    """Setups whose geometry proves too little."""
    for s, geometry in enumerate(checks.evidence.geometry):
        label = checks.evidence.setups[s]
        if geometry.word == DISCONNECTED:
            yield f"Tie {label} in: shoot two or more marks that other setups have shot"
        elif geometry.word == SINGLE:
            yield f"From {label} shoot two more marks, well spread: {geometry.why}"
        elif geometry.word in (CIRCLE, LINE, TWO):
            yield f"From {label} shoot one more mark{_where(checks, s, geometry, angle_unit)}"
    for s, geometry in enumerate(checks.evidence.geometry):
        if geometry.word == WEAK:
            label = checks.evidence.setups[s]
            yield f"Better: from {label} one more mark{_where(checks, s, geometry, angle_unit)}"


def _where(checks: Checks, s: int, geometry: Geometry, angle_unit: str) -> str:
    """Say between which bearings a mark is wanted, and which known marks lie there."""
    sector = geometry.sector
    if sector is None:
        return ""
    if angle_unit == "gon":
        scale, unit = 200.0 / math.pi, " gon"
    else:
        scale, unit = 180.0 / math.pi, " degrees"
    bearings = f"{sector.start * scale:.0f} and {sector.end * scale:.0f}{unit}"
    names = _offered(checks, s, geometry, sector)
    return f" between bearings {bearings}" + (f": {_list(names, 'or')}" if names else "")


def _offered(checks: Checks, s: int, geometry: Geometry, sector: Sector) -> list[str]:
    """Return the tie marks in the sector that the setup has not shot, the nearest first."""
    ties, adjustment = checks.evidence.ties, checks.evidence.adjustment
    marks = np.setdiff1d(ties.point, ties.point[ties.setup == s])
    offset = adjustment.position[marks, :2] - adjustment.axis[s, :2]
    length = np.hypot(offset[:, 0], offset[:, 1])
    good = sector.holds(azimuth(offset[:, 0], offset[:, 1]))
    good &= length <= REACH * geometry.longest_tie
    order = np.argsort(np.where(good, length, np.inf), kind="stable")[: good.sum()]
    return [checks.evidence.points[m] for m in marks[order][:2]]


def _bridges(checks: Checks) -> Iterable[str]:
    """Parts of the site that hang on one mark, or on one setup."""
    labels, points = checks.evidence.setups, checks.evidence.points
    geometry = checks.evidence.geometry
    for bridge in checks.bridges:
        beyond = [labels[s] for s in bridge.setups]
        alone = len(bridge.setups) == 1 and geometry[bridge.setups[0]].word != STRONG
        if bridge.mark >= 0 and not alone:
            yield (
                f"Shoot a second mark from both sides of {points[bridge.mark]}: {_list(beyond)} "
                f"{_hangs(beyond)} on it alone"
            )
        elif bridge.setup >= 0 and not alone:
            yield (
                f"At {labels[bridge.setup]} shoot a mark that a third setup has shot: "
                f"{_list(beyond)} {_hangs(beyond)} on {labels[bridge.setup]} alone"
            )


def _hangs(names: Sequence[str]) -> str:
    return "hangs" if len(names) == 1 else "hang"


def _closing(checks: Checks) -> Iterable[str]:
    """Setups that never looked back."""
    evidence = checks.evidence
    closed = set(evidence.closings.setup.tolist())
    open_ = [label for s, label in enumerate(evidence.setups) if s not in closed]
    if open_:
        yield f"Close {_list(open_)} on the backsight before the legs are picked up"


def _change_overs(checks: Checks, findings: Sequence[Finding]) -> Iterable[str]:
    """Strings that pass from setup to setup without a point that both have shot.

    A step that has a finding is told by it, or settled.
    """
    joints, labels = checks.evidence.joints, checks.evidence.setups
    told = {frozenset(f.points) for f in findings if f.kind == STRING_STEP}
    wanted: dict[tuple[str, str], list[str]] = {}
    for i in np.flatnonzero(joints.point < 0).tolist():
        ends = [checks.evidence.points[p] for p in joints.ends[i].tolist()]
        if frozenset(ends) not in told:
            first, second = (labels[s] for s in joints.setup[i].tolist())
            at = f"{joints.string[i]} at {ends[0]} or {ends[1]}"
            wanted.setdefault((first, second), []).append(at)
    for (first, second), places in wanted.items():
        yield f"Shoot {_list(places)} from both {first} and {second}"


def _again(checks: Checks) -> Iterable[str]:
    """Ties beyond the limit that the gear's scatter may explain: a second look settles them."""
    ties, evidence = checks.evidence.ties, checks.evidence
    loose = (checks.ties.plan == LOOSE) | (checks.ties.height == LOOSE)
    rows = np.flatnonzero(loose & (checks.ties.verdict == UNTESTED))
    points = np.unique(ties.point[rows])
    if not len(points):
        return
    names = [evidence.points[p] for p in points.tolist()]
    yield f"If there is time, shoot {_list(names)} again: beyond the limit, within the scatter"


def _list(names: Sequence[str], last: str = "and") -> str:
    """Write names in a row: CP2, CP7 and T1.

    >>> _list(["CP2", "CP7", "T1"]), _list(["CP2", "CP7"], "or")
    ('CP2, CP7 and T1', 'CP2 or CP7')
    """
    names = list(dict.fromkeys(names))
    if len(names) > NAMED + 1:
        names = [*names[:NAMED], f"{len(names) - NAMED} more"]
    if len(names) == 1:
        return names[0]
    return f"{', '.join(names[:-1])} {last} {names[-1]}"
