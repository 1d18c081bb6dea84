"""Put the crew lead's answer together: setups, joints, the odd one out, what to shoot again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.model.answer import (
    FAILS,
    TIED,
    UNPROVED,
    UNTESTED,
    JointAnswer,
    Promise,
    SetupAnswer,
    TieAnswer,
)
from tieup.model.arrays import IntArray
from tieup.model.finding import NOTE, NOTICED, STOP, STRING_STEP, Finding
from tieup.model.geometry_words import CIRCLE, DISCONNECTED, LINE, SINGLE, TWO, WEAK
from tieup.model.link_kinds import lists_alone
from tieup.reduce.grouping import rows_by_group
from tieup.sentences import listed
from tieup.ties.bays import PlaceStanding
from tieup.ties.change_over_readings import STEP
from tieup.ties.pairs import joining, words_of
from tieup.ties.site_verdict import NAMED, lists_verdict, site_verdict
from tieup.ties.sizes import said
from tieup.ties.tie_checks import Checks
from tieup.ties.todo import to_do
from tieup.ties.verdicts import BAD

WANTING = {SINGLE, TWO, LINE, CIRCLE, DISCONNECTED}  # geometry in which ties prove too little
PARTS = ("plan", "height")


def crew_answer(
    checks: Checks,
    *,
    title: str,
    length_unit: str,
    angle_unit: str,
    findings: Sequence[Finding] = (),
    left_out: frozenset[str] = frozenset(),
    promises: Sequence[Promise] = (),
) -> TieAnswer:
    """Return the answer for one screen.

    ``findings`` (worst first) of severity stop bring their own words of how to confirm them.
    ``left_out`` are the setups that a person excluded: the site need not tie with them.
    ``promises`` say which further shots would prove what is not proved yet.
    """
    ties_of = rows_by_group(checks.evidence.ties.setup, len(checks.evidence.setups))
    # Those that bear on a verdict here; a large site has thousands of others.
    spoken = [
        f for f in findings if f.severity == STOP or f.grade == NOTICED or f.kind == STRING_STEP
    ]
    setups = tuple(
        replace(one, words="excluded by decision") if one.setup in left_out else one
        for one in (_setup(checks, s, own, spoken, length_unit) for s, own in enumerate(ties_of))
    )
    taken = [one for one in setups if one.setup not in left_out]
    joints = tuple(_joints(checks, spoken, length_unit))
    verdicts = checks.ties.verdict.tolist()
    named = checks.steps.named
    lists = lists_alone(checks.evidence.adjustment.problem.network.links.kind.tolist())
    return TieAnswer(
        title=title,
        length_unit=length_unit,
        limits=checks.limits,
        setups=setups,
        joints=joints,
        odd=(odd := checks.evidence.setups[int(named[0])] if len(named) else ""),
        doubt=_doubt(odd, "", findings) if odd else "",
        todo=to_do(checks, findings, promises, angle_unit, length_unit),
        holding=verdicts.count(TIED),
        failing=verdicts.count(FAILS),
        unproved=verdicts.count(UNTESTED),
        verdict=site_verdict(checks.ties, taken, joints, findings)
        if setups
        else lists_verdict(checks.evidence.fit, findings, lists),
        lists=lists,
    )


def _setup(
    checks: Checks, s: int, own: IntArray, findings: Sequence[Finding], length_unit: str
) -> SetupAnswer:
    """Return the answer for a setup; ``own`` are the rows of its ties."""
    evidence, steps = checks.evidence, checks.steps
    station = evidence.adjustment.problem.network.station[s]
    plan, plan_at = _largest(checks, own, evidence.ties.plan[own])
    height, height_at = _largest(checks, own, evidence.ties.difference[own, 2])
    if s in steps.named and steps.in_height[s]:
        height, height_at = float(steps.step[s, 2]), ""
    verdict, words = _setup_verdict(checks, s, own, findings, length_unit)
    return SetupAnswer(
        setup=evidence.setups[s],
        station=evidence.points[station] if station >= 0 else "",
        plan=plan,
        plan_at=plan_at,
        height=height,
        height_at=height_at,
        verdict=verdict,
        words=words,
        in_plan=_in_plan(checks, s),
        unused=only_unused(checks, own),
    )


def _in_plan(checks: Checks, s: int) -> bool:
    """Say whether nothing gives a setup a height."""
    return not bool(checks.evidence.adjustment.problem.network.start.height_setup[s])


def only_unused(checks: Checks, own: IntArray) -> bool:
    """Say whether all ties of a setup beyond the limits are of shots that are left out."""
    ties, limits = checks.evidence.ties, checks.limits
    with np.errstate(invalid="ignore"):
        over = ties.plan[own] > limits.horizontal
        over |= np.abs(ties.difference[own, 2]) > limits.elevation
    return bool(over.any() and ties.withheld[own][over].all())


def _largest(checks: Checks, own: IntArray, values: np.ndarray) -> tuple[float, str]:
    """Return the largest value of a setup's ties and its mark; NaN where none is tested."""
    if not np.isfinite(values).any():
        return math.nan, ""
    row = int(np.nanargmax(np.abs(values)))
    return float(values[row]), checks.evidence.points[checks.evidence.ties.point[own[row]]]


def _setup_verdict(
    checks: Checks, s: int, own: IntArray, findings: Sequence[Finding], length_unit: str
) -> tuple[str, str]:
    """Return the verdict of a setup and its reason, the worst first."""
    geometry = checks.evidence.geometry[s]
    bad = checks.ties.verdict[own].tolist().count(FAILS)
    step = _step_words(checks, s)
    if step and checks.steps.sure[s]:
        return FAILS, f"{step}{_doubt(checks.evidence.setups[s], '', findings)}"
    if bad:
        worst = _worst_failing(checks, own)
        doubt = _doubt(checks.evidence.setups[s], worst, findings)
        return FAILS, f"{bad} of {len(own)} {_marks(len(own))} off, worst {worst}{doubt}"
    noticed = _noticed(checks, s, findings)
    if step or noticed:
        return UNPROVED, step or noticed
    if geometry.word in WANTING:
        return UNPROVED, geometry.why
    standing = checks.bays.setups[s]
    if standing is None:
        return UNPROVED, "it has no shots"
    verdict, words = _standing_verdict(checks, standing, length_unit)
    if verdict == TIED and geometry.word == WEAK:
        words = f"{words}; {geometry.why}"
    return verdict, words


def _doubt(setup: str, mark: str, findings: Sequence[Finding]) -> str:
    """Say what else than a setup may be off, empty where the readings leave no doubt.

    Two mistakes in one shot are both the setup's own: the to-do names them.
    """
    for finding in findings:
        rival = next((r for r in finding.rivals if not r.separable), None)
        if finding.severity != STOP or rival is None:
            continue
        if finding.setup == setup and rival.setup != setup:
            return f", or {finding.doubt}: the readings cannot tell"
        if not finding.setup and mark in finding.points:
            return f", or it is {mark} itself: the readings cannot tell"
    return ""


def _noticed(checks: Checks, s: int, findings: Sequence[Finding]) -> str:
    """Say what is out of the ordinary in a setup, empty where nothing is."""
    label = checks.evidence.setups[s]
    for finding in findings:
        if finding.grade == NOTICED and finding.setup == label:
            at = f" at {finding.points[0]}" if len(finding.points) == 1 else ""
            return f"out of the ordinary{at}: shoot it again"
    return ""


def _standing_verdict(checks: Checks, standing: PlaceStanding, length_unit: str) -> tuple[str, str]:
    """Judge how well a setup or a joint is known where it is used, and what could be wrong."""
    limits = checks.limits
    sizes = np.array([limits.horizontal, limits.elevation])
    point = standing.use.point
    where = f" at {checks.evidence.points[point]}" if point >= 0 else ""
    if standing.within(sizes):
        plan, height = (said(float(value), length_unit) for value in standing.bound)
        flat = all(_in_plan(checks, setup) for setup in standing.use.setups)
        also = "" if flat else f", {height} in height"
        return TIED, f"one wrong shot could hide {plan} in plan{also}{where}"
    coarse = standing.known > sizes
    if coarse.any():
        part = int(np.argmax(standing.known / sizes))
        size = said(float(standing.known[part]), length_unit)
        return UNPROVED, f"known to {size} in {PARTS[part]} only{where}"
    part = int(np.argmax(standing.bound / sizes))
    worst = int(standing.worst[part])
    what = f"a mistake in the {checks.guarded[worst]}" if checks.guarded else "one wrong shot"
    if not np.isfinite(standing.bound[part]):
        return UNPROVED, f"{what} would not show"
    size = said(float(standing.bound[part]), length_unit)
    return UNPROVED, f"{what} could hide {size} in {PARTS[part]}{where}"


def _worst_failing(checks: Checks, own: IntArray) -> str:
    """Name the failing mark of a setup that stands out of its sd most."""
    failing = own[checks.ties.verdict[own] == FAILS]
    worst = failing[int(np.argmax(checks.evidence.ties.clearness[failing]))]
    return str(checks.evidence.points[checks.evidence.ties.point[worst]])


def _step_words(checks: Checks, s: int) -> str:
    """Say how a setup is off as a whole, empty where it is not."""
    steps = checks.steps
    if s not in steps.named:
        return ""
    if steps.in_height[s]:
        return f"all of it {'high' if steps.step[s, 2] > 0 else 'low'}"
    return "all of it off its mark"


def _marks(count: int) -> str:
    return "mark" if count == 1 else "marks"


def _joints(checks: Checks, findings: Sequence[Finding], length_unit: str) -> list[JointAnswer]:
    """Return the joints: setups that share work marks, and strings that pass between two."""
    evidence = checks.evidence
    pairs = evidence.pairs
    words = words_of(pairs, checks.pairs)
    strings = _strings_between(checks)
    rows = {(a, b): row for row, (a, b) in enumerate(pairs.pair.tolist())}
    open_steps = frozenset(
        frozenset(f.points) for f in findings if f.kind == STRING_STEP and f.severity != NOTE
    )
    answers = []
    for pair in joints_that_meet(checks):
        row = rows.get(pair, -1)
        passing = strings.get(pair, [])
        says = str(words[row]) if row >= 0 else "they have shot no mark in common"
        joint = _joint(checks, pair, row, passing, says)
        if row >= 0 and pairs.plan[row] <= checks.limits.horizontal and joint.verdict == FAILS:
            joint = replace(joint, words=_far_words(checks, row, length_unit) or says)
        if joint.verdict != FAILS:
            joint = _judged(checks, pair, joint, findings, length_unit)
        answers.append(_with_strings(checks, joint, passing, open_steps, length_unit))
    return answers


def _with_strings(
    checks: Checks,
    joint: JointAnswer,
    passing: Sequence[int],
    open_steps: frozenset[frozenset[str]],
    length_unit: str,
) -> JointAnswer:
    """Return a joint with what its strings say: at shared points, or a step to be settled."""
    joints = checks.evidence.joints
    bad = [i for i in passing if checks.joints.verdict[i] == FAILS]
    if joint.verdict == FAILS:
        return joint
    if bad:
        says = f"{joints.string[bad[0]]}: {checks.joints.words[bad[0]]}"
        return replace(joint, verdict=FAILS, words=says)
    ends = {i: [checks.evidence.points[p] for p in joints.ends[i].tolist()] for i in passing}
    steps = [i for i in passing if joints.point[i] < 0 and frozenset(ends[i]) in open_steps]
    if not steps:
        return joint
    worst = max(steps, key=lambda i: abs(float(joints.value[i, STEP])))
    size = said(abs(float(joints.value[worst, STEP])), length_unit)
    others = [str(joints.string[i]) for i in steps if i != worst]
    says = f"{joints.string[worst]} steps by {size} from {' to '.join(ends[worst])}"
    if others:
        says += f", {listed(others, NAMED)} too"
    return replace(joint, verdict=UNPROVED, words=says)


def _strings_between(checks: Checks) -> dict[tuple[int, int], list[int]]:
    """Return the rows of the strings that pass between each two setups."""
    strings: dict[tuple[int, int], list[int]] = {}
    for row, pair in enumerate(np.sort(checks.evidence.joints.setup, axis=1).tolist()):
        strings.setdefault((pair[0], pair[1]), []).append(row)
    return strings


def joints_that_meet(checks: Checks) -> list[tuple[int, int]]:
    """Return the pairs of setups whose bays meet: by strings or by work marks that both shot."""
    pairs = checks.evidence.pairs
    meets = joining(pairs.work, pairs.neighbour)
    shared = {(a, b) for a, b in pairs.pair[meets].tolist()}
    return sorted(shared | _strings_between(checks).keys())


def _judged(
    checks: Checks,
    pair: tuple[int, int],
    joint: JointAnswer,
    findings: Sequence[Finding],
    length_unit: str,
) -> JointAnswer:
    """Judge a joint in which nothing is named, in the middle of the marks that both setups see."""
    for setup in pair:
        noticed = _noticed(checks, setup, findings)
        if noticed:
            words = f"{checks.evidence.setups[setup]} {noticed}"
            return replace(joint, verdict=UNPROVED, words=words)
    standing = checks.bays.joints.get(pair)
    if standing is None:
        return replace(joint, verdict=UNPROVED)
    verdict, words = _standing_verdict(checks, standing, length_unit)
    return replace(joint, verdict=verdict, words=words)


def _far_words(checks: Checks, row: int, length_unit: str) -> str:
    """Say where a turn carries the step in plan, empty where plan is not what fails."""
    pairs = checks.evidence.pairs
    if checks.pairs.plan[row] != BAD or pairs.far_point[row] < 0:
        return ""
    far = checks.evidence.points[pairs.far_point[row]]
    size = said(float(pairs.far_plan[row]), length_unit)
    return f"turned against each other: {size} apart at {far}"


def _joint(
    checks: Checks, pair: tuple[int, int], row: int, passing: list[int], words: str
) -> JointAnswer:
    evidence = checks.evidence
    pairs = evidence.pairs
    far = int(pairs.far_point[row]) if row >= 0 else -1
    return JointAnswer(
        first=evidence.setups[pair[0]],
        second=evidence.setups[pair[1]],
        plan=float(pairs.plan[row]) if row >= 0 else math.nan,
        height=-float(pairs.step[row, 2]) if row >= 0 else math.nan,
        far=float(pairs.far_plan[row]) if row >= 0 else math.nan,
        far_at=evidence.points[far] if far >= 0 else "",
        strings=tuple(dict.fromkeys(str(evidence.joints.string[i]) for i in passing)),
        verdict=FAILS if row >= 0 and checks.pairs.verdict[row] == FAILS else UNPROVED,
        words=words,
    )
