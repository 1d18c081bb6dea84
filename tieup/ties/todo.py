"""What to shoot again: one line a setup, from the one whose legs still stand back to the first.

At a setup stands first what a verdict waits for: findings to settle, what is off, then the shots
that prove most, with how far they get (`tieup.model.answer.Promise`). What stands there already is
not asked for a second time.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tieup.geometry import azimuth
from tieup.model.answer import FAILS, TIED, UNTESTED, Errand, Promise
from tieup.model.finding import CHECK, NOTICED, POLE_HEIGHT, STRING_STEP, Finding
from tieup.model.finding_kinds import PRECISION
from tieup.model.geometry_words import CIRCLE, DISCONNECTED, LINE, SINGLE, STRONG, TWO, WEAK
from tieup.model.link_kinds import LINK_KINDS
from tieup.ties.errands import NOWHERE, Errands, named
from tieup.ties.sector import Sector
from tieup.ties.setup_geometry import Geometry
from tieup.ties.sizes import said
from tieup.ties.tie_checks import Checks
from tieup.ties.verdicts import LOOSE

AS_CLEAR = 0.9  # of the clearest failure at a mark: that setup may be the wrong one as well
REACH = 2.0  # a mark offered lies within so many times the longest tie
# Findings to check that are settled at the site, not in the office.
AT_THE_SITE = ("fall", "typed-elevation", "field-frame", "stored-point")
ALOUD = "both faces, read the pole height aloud"
PLAIN = "both faces"  # where no height is measured
FROM = re.compile(r"^From (\S+)(?: or another setup)? (?=shoot )")
SHOOT_AGAIN = re.compile(r"\bshoot (.+?) again")


def to_do(
    checks: Checks,
    findings: Sequence[Finding],
    promises: Sequence[Promise],
    angle_unit: str,
    length_unit: str,
) -> tuple[Errand, ...]:
    """Return the lines of the to-do, in walking order."""
    errands = Errands(checks)
    stops = [f for f in findings if f.severity == "stop" and f.confirm]
    noticed = [f for f in findings if f.severity == "check" and f.grade == NOTICED and f.confirm]
    look = [f for f in findings if f.severity == "check" and f.kind in AT_THE_SITE and f.confirm]
    _settle(errands, stops)
    _steps(checks, errands)
    _failing(checks, errands, {(f.setup, point) for f in stops for point in f.points})
    _settle(errands, noticed)
    _settle(errands, [replace(f, setup=f.rivals[0].setup) for f in findings if _as_if(f)])
    steps = {frozenset(f.points): f.severity for f in findings if f.kind == STRING_STEP}
    told = _change_overs(checks, steps)
    _share(checks, errands, [row for row, severity in told if severity == CHECK], steps=True)
    _prove(errands, promises, length_unit)
    _hanging(checks, errands, promises, angle_unit)
    _bridges(checks, errands)
    _closing(checks, errands)
    _share(checks, errands, [row for row, severity in told if severity is None])
    _settle(errands, look)
    _again(checks, errands)
    _poles(errands, findings)
    return errands.done()


def _as_if(finding: Finding) -> bool:
    """Say whether readings scatter as if something was wrong with one setup."""
    return finding.kind == PRECISION.name and bool(finding.rivals and finding.rivals[0].setup)


def _settle(errands: Errands, findings: Sequence[Finding]) -> None:
    """Ask for what the findings say of how to confirm them, at their setup or their mark."""
    for finding in findings:
        setup = errands.by_label(finding.setup)
        if setup == NOWHERE and finding.kind not in LINK_KINDS:  # which no setup observes
            setup = errands.at_mark(finding.points)
        thing = finding.confirm.removesuffix(".")
        shots = _asked_in(thing, finding.points)
        if shots and not errands.new(setup, shots):
            continue
        started = FROM.match(thing)
        if started and errands.by_label(started[1]) == setup != NOWHERE:
            thing = thing[started.end() :]
        doubt = f" (or {finding.doubt})" if finding.doubt else ""
        errands.ask(setup, f"{thing[:1].lower()}{thing[1:]}{doubt}", shots)


def _asked_in(thing: str, points: Sequence[str]) -> list[str]:
    """Return the points that a sentence asks to shoot again.

    >>> _asked_in("From S2 shoot T5 or T6 again; compare the sketch", ("T5", "T6", "T7"))
    ['T5', 'T6']
    """
    again = SHOOT_AGAIN.search(thing)
    words = again[1].replace(",", " ").split() if again else []
    return [point for point in points if point in words]


def _steps(checks: Checks, errands: Errands) -> None:
    """Setups that are off as a whole."""
    network = checks.evidence.adjustment.problem.network
    for s in checks.steps.named.tolist():
        mark = checks.evidence.points[network.station[s]]
        if checks.steps.in_height[s]:
            thing = (
                f"tape the instrument height over {mark} again, and check {mark} against two "
                "other marks"
            )
        else:
            thing = f"check the centring over {mark} and its name"
        errands.ask(s, thing)


def _failing(checks: Checks, errands: Errands, told: set[tuple[str, str]]) -> None:
    """Ties that fail: each mark from the setup that is clearest off, or from all that may be.

    ``told`` are setups and points of which a finding speaks.
    """
    ties, evidence = checks.evidence.ties, checks.evidence
    clear = ties.clearness
    off = np.isin(ties.setup, checks.steps.named) & ties.plumb  # told as a whole already
    rows = np.flatnonzero((checks.ties.verdict == FAILS) & ~off)
    wanted: dict[int, list[str]] = {}
    for point in ties.point[rows[np.argsort(-clear[rows], kind="stable")]].tolist():
        own = rows[ties.point[rows] == point]
        likely = own[clear[own] >= AS_CLEAR * clear[own].max()]
        name, setups = evidence.points[point], ties.setup[likely].tolist()
        if not any((evidence.setups[setup], name) in told for setup in setups):
            for setup in setups:
                wanted.setdefault(setup, []).append(name)
    for setup, names in wanted.items():
        how = ALOUD if evidence.adjustment.problem.network.start.height_setup[setup] else PLAIN
        errands.ask(setup, f"shoot {named(names)} again, {how}", names)


def _prove(errands: Errands, promises: Sequence[Promise], length_unit: str) -> None:
    """Shots that prove what is not proved yet, and how far they get."""
    beyond: dict[int, list[Promise]] = {}
    for promise in promises:
        if math.isnan(promise.after):
            continue
        if not promise.shots:
            setup = errands.first(errands.by_label(name) for name in promise.setups)
            beyond.setdefault(setup, []).append(promise)
            continue
        by_setup: dict[int, list[str]] = {}
        for label, point in promise.shots:
            by_setup.setdefault(errands.by_label(label), []).append(point)
        last = list(by_setup)[-1]
        for setup, points in by_setup.items():
            own = errands.new(setup, points) or points
            thing = f"shoot {named(own)}{errands.again(setup, own)}"
            says = _gets(promise, length_unit) if setup == last else f"for {promise.name}"
            errands.ask(setup, f"{thing}: {says}", points, same_legs=True)
    for setup, out in beyond.items():
        errands.ask(setup, _out_of_reach(out, length_unit))
    open_ = [promise.name for promise in promises if math.isnan(promise.after)]
    if open_:
        thing = f"{named(open_)} not proved yet: run this again after these shots"
        errands.ask(NOWHERE, thing)


def _gets(promise: Promise, length_unit: str) -> str:
    """Say how far the shots of a promise get.

    >>> _gets(Promise((), ("S1", "S2"), "plan", 0.0041, 0.0026, 0.003, True, ("S2",)), "m")
    'S1-S2 4.1 -> 2.6 mm plan, limit 3; proves S2 too'
    """
    if math.isinf(promise.after):
        return f"for {promise.name}, which needs more marks still"
    known = math.isfinite(promise.before)
    before = said(promise.before, length_unit).split(" ")[0] if known else "no bound"
    gets = f"{promise.name} {before} -> {said(promise.after, length_unit)} {promise.part}"
    if not promise.enough:
        return f"{gets}, short of {_number(promise.limit, length_unit)}: better gear or more marks"
    also = f"; proves {named(promise.also)} too" if promise.also else ""
    return f"{gets}, limit {_number(promise.limit, length_unit)}{also}"


def _number(size: float, length_unit: str) -> str:
    """Return a small length without its unit, 3 rather than 3.0."""
    return said(size, length_unit).split(" ")[0].removesuffix(".0")


def _limit(promise: Promise, length_unit: str) -> str:
    """Return a limit with its unit."""
    unit = said(promise.limit, length_unit).split(" ")[1]
    return f"{_number(promise.limit, length_unit)} {unit}"


def _out_of_reach(promises: Sequence[Promise], length_unit: str) -> str:
    """Say of places that no further shot gets within the limit how the worst of them stands."""
    names = named([promise.name for promise in promises])
    worst = max(promises, key=lambda promise: promise.after / promise.limit)
    if not math.isfinite(worst.after):
        return f"no mark here proves {names}: set one that two setups see"
    limit = f"{_limit(worst, length_unit)} {worst.part}"
    return f"no shot proves {names} to {limit} ({said(worst.after, length_unit)}) with this gear"


def _hanging(
    checks: Checks, errands: Errands, promises: Sequence[Promise], angle_unit: str
) -> None:
    """Setups whose geometry proves too little, and no shot is asked for that mends it."""
    mended = {name for p in promises if p.enough for name in (p.name, *p.also)}
    for s, geometry in enumerate(checks.evidence.geometry):
        if checks.evidence.setups[s] in mended:
            continue
        where = _where(checks, s, geometry, angle_unit)
        if geometry.word == DISCONNECTED:
            errands.ask(s, "shoot two or more marks that other setups have shot")
        elif geometry.word == SINGLE:
            errands.ask(s, f"shoot two more marks, well spread: {geometry.why}")
        elif geometry.word in (CIRCLE, LINE, TWO):
            errands.ask(s, f"shoot one more mark{where}")
        elif geometry.word == WEAK:
            errands.ask(s, f"better: one more mark{where}")


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
    return f" between bearings {bearings}" + (f": {named(names, 'or')}" if names else "")


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


def _bridges(checks: Checks, errands: Errands) -> None:
    """Parts of the site that hang on one mark, or on one setup."""
    labels, points = checks.evidence.setups, checks.evidence.points
    geometry = checks.evidence.geometry
    for bridge in checks.bridges:
        beyond = [labels[s] for s in bridge.setups]
        alone = len(bridge.setups) == 1 and geometry[bridge.setups[0]].word != STRONG
        hangs = f"{named(beyond)} {'hangs' if len(beyond) == 1 else 'hang'}"
        if bridge.mark >= 0 and not alone:
            mark = points[bridge.mark]
            errands.ask(
                errands.first(bridge.setups),
                f"shoot a second mark that the far side of {mark} has shot: {hangs} on it alone",
            )
        elif bridge.setup >= 0 and not alone:
            label = labels[bridge.setup]
            errands.ask(
                bridge.setup,
                f"shoot a mark that a third setup has shot: {hangs} on {label} alone",
            )


def _closing(checks: Checks, errands: Errands) -> None:
    """Setups that never looked back."""
    evidence = checks.evidence
    closed, visits = set(evidence.closings.setup.tolist()), evidence.visits
    setups, first = np.unique(visits.setup, return_index=True)
    for s, row in zip(setups.tolist(), first.tolist(), strict=True):
        if s in closed:
            continue
        backsight = evidence.points[visits.point[row]]
        if errands.new(s, [backsight]):
            errands.ask(s, f"close on {backsight}", [backsight], same_legs=True)


def _change_overs(
    checks: Checks, steps: Mapping[frozenset[str], str]
) -> list[tuple[int, str | None]]:
    """Return the strings that pass from setup to setup without a point that both have shot.

    Each with the severity of the finding that it steps there, None where there is none.
    """
    joints, points = checks.evidence.joints, checks.evidence.points
    rows = np.flatnonzero((joints.point < 0) & (checks.joints.verdict != TIED)).tolist()
    return [(row, steps.get(frozenset(points[p] for p in joints.ends[row]))) for row in rows]


def _share(checks: Checks, errands: Errands, rows: Sequence[int], *, steps: bool = False) -> None:
    """Ask for a shared shot of strings that have none where they pass to another setup.

    One end is enough: the setup that is come to first shoots that of the other. ``steps``: they
    step there, and a pole height is the first suspicion.
    """
    joints, points = checks.evidence.joints, checks.evidence.points
    wanted: dict[int, dict[str, str]] = {}
    for i in rows:
        pair = [int(setup) for setup in joints.setup[i]]
        setup = errands.first(pair)
        ends = [points[p] for p in joints.ends[i]]
        others = [end for end in ends if setup not in errands.seen.get(end, ())] or ends
        if errands.new(setup, others[:1]):
            wanted.setdefault(setup, {}).setdefault(others[0], joints.string[i])
    for setup, ends_of in wanted.items():
        why, aloud = (", which steps", "; read the pole height aloud") if steps else ("", "")
        names = ", ".join(f"{end} ({string}{why})" for end, string in ends_of.items())
        errands.ask(setup, f"shoot {names}{aloud}", list(ends_of))


def _again(checks: Checks, errands: Errands) -> None:
    """Ties beyond the limit that the gear's scatter may explain: a second look settles them."""
    ties, evidence = checks.evidence.ties, checks.evidence
    loose = (checks.ties.plan == LOOSE) | (checks.ties.height == LOOSE)
    rows = np.flatnonzero(loose & (checks.ties.verdict == UNTESTED))
    wanted: dict[int, list[str]] = {}
    for point in np.unique(ties.point[rows]).tolist():
        setup = errands.first(ties.setup[rows[ties.point[rows] == point]].tolist())
        wanted.setdefault(setup, []).extend(errands.new(setup, [evidence.points[point]]))
    for setup, names in wanted.items():
        if names:
            errands.ask(
                setup,
                f"if there is time, {named(names)} again: beyond the limit, within the scatter",
                names,
            )


def _poles(errands: Errands, findings: Sequence[Finding]) -> None:
    """Side shots whose height hangs on a booked pole that nothing checks."""
    for finding in findings:
        if finding.key.startswith(POLE_HEIGHT) and finding.setup and finding.confirm:
            thing, count = finding.confirm.removesuffix("."), len(finding.points)
            hang = "1 side shot hangs" if count == 1 else f"{count} side shots hang"
            why = f"the height{'s' if count > 1 else ''} of {hang} on the book"
            setup = errands.by_label(finding.setup)
            errands.ask(setup, f"{thing[:1].lower()}{thing[1:]}: {why}", finding.points[:1])
