"""Which further shot would prove what is not proved yet, and how far it gets.

A setup or a joint is not proved where it is not known within the limit, or where a mistake that
nobody would notice could move it further (`tieup.ties.bays`). Every shot of a mark on the site
is ranked by what it is expected to do; the best is put into the data with the readings that are
expected and the site solved and judged anew: what is promised is what that run says. What the
shots of one place prove elsewhere is not asked for again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.point_roles import point_roles
from tieup.adjust.scatter import Scatter
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.proof.guarding import Guarded, guard
from tieup.diagnose.proof.proving import careful_solution
from tieup.errors import AdjustmentError, NetworkError
from tieup.geometry import curvature_coefficient
from tieup.model.answer import Promise
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.point_words import SHOT
from tieup.preanalysis.candidates import NEAREST, Candidates, sights_like_others
from tieup.preanalysis.foresight import Foresight, expected, foresight
from tieup.preanalysis.proposed_site import (
    CLEAR,
    Key,
    ProposedSite,
    Setting,
    clear,
    ground_of,
    merit,
    setting_of,
    sizes_of,
    stands,
    wanting_of,
    worst,
)
from tieup.preanalysis.shot_rows import with_shot
from tieup.preanalysis.sight_reliability import further_rows
from tieup.ties.bays import PlaceStanding, bounds_at
from tieup.ties.site_answer import PARTS
from tieup.ties.tie_checks import CheckedSolution, Checks, shooting_in

MOST_SHOTS = 2  # asked for at one place
MOST_TRIED = 2  # solved anew for one shot, the most promising first
MOST_SOLVED = 8  # of a small site; of a large one fewer: `_affordable`
GUARDS = 6000  # guards that are made in all
DRAWS = 24  # of what a further shot may read
FOUND_AGAIN = 1.15  # a side shot must be so much better than a mark: it has to be found again
GAIN = 0.95  # of what it was: less than this is no help


def proving_shots(
    stated: Solved, scatter: Scatter | None, solution: CheckedSolution, checks: Checks
) -> tuple[Promise, ...]:
    """Return what would prove the setups and joints that are not proved, in walking order.

    Empty of a large site, whose guards are not made one by one.
    """
    if scatter is None or solution.guards is None:
        return ()
    wanting = wanting_of(checks.evidence.geometry)
    if not any(wanting) and _all_within(checks):
        return ()
    careful = careful_solution(stated, scatter)
    setting = setting_of(scatter, careful, solution, checks)
    first = ground = ground_of(stated, careful, solution, checks)
    left, promises = _affordable(solution), list[Promise]()
    for key in _in_walking_order(ground, setting):
        if stands(first, key, setting):
            continue
        if stands(ground, key, setting):
            promises = _also(promises, _name(checks, key))
        elif left > 0:
            shots, ground, spent = _shots_for(ground, key, setting)
            left -= spent
            promises.append(_promise(first, ground, key, shots, setting))
        else:
            promises.append(replace(_promise(first, first, key, (), setting), after=math.nan))
    return tuple(promises)


def _all_within(checks: Checks) -> bool:
    """Say whether every setup and joint is known and guarded within the limits."""
    limits = sizes_of(checks.limits)
    every = (*checks.bays.setups, *checks.bays.joints.values())
    return all(standing.within(limits) for standing in every if standing is not None)


def _affordable(solution: CheckedSolution) -> int:
    """Return how many solutions with further shots are made."""
    guards = 0 if solution.guards is None else len(solution.guards)
    return int(np.clip(GUARDS // max(guards, 1), 1, MOST_SOLVED))


def _in_walking_order(ground: ProposedSite, setting: Setting) -> list[Key]:
    """Return setups and joints as they are come to, a setup before its joints."""
    place = {int(setup): number for number, setup in enumerate(setting.walk)}
    return sorted(ground.standings, key=lambda key: (min(place[s] for s in key), len(key), key))


def _betters(before: tuple[int, float], after: tuple[int, float]) -> bool:
    return after[0] < before[0] or (after[0] == before[0] and after[1] < GAIN * before[1])


def _name(checks: Checks, key: Key) -> str:
    return "-".join(checks.evidence.setups[s] for s in key)


def _also(promises: list[Promise], name: str) -> list[Promise]:
    """Note with the last of the promises that the same shots prove one more place."""
    if not promises:
        return promises
    return [*promises[:-1], replace(promises[-1], also=(*promises[-1].also, name))]


def _shots_for(
    ground: ProposedSite, key: Key, setting: Setting
) -> tuple[list[tuple[int, int]], ProposedSite, int]:
    """Return up to two shots for one place, the site with them, and how often it was solved."""
    shots: list[tuple[int, int]] = []
    spent = 0
    while len(shots) < MOST_SHOTS and not clear(ground, key, setting):
        best: tuple[tuple[int, int], ProposedSite] | None = None
        for shot in _ranked(ground, key, setting)[:MOST_TRIED]:
            spent += 1
            tried = with_one_more(ground, shot, setting)
            if tried is None or key not in tried.standings:
                continue
            if best is None or merit(tried, key, setting) < merit(best[1], key, setting):
                best = shot, tried
            if clear(tried, key, setting):
                break
        if best is None or not _betters(merit(ground, key, setting), merit(best[1], key, setting)):
            break
        shots.append(best[0])
        ground = best[1]
    return shots, ground, spent


def with_one_more(
    ground: ProposedSite, shot: tuple[int, int], setting: Setting
) -> ProposedSite | None:
    """Return the site with one more shot, None where it cannot be solved."""
    case = with_shot(ground.careful, *shot)
    stated = replace(
        ground.stated, case=replace(ground.stated.case, shots=case.shots, use=case.use)
    )
    try:
        careful = careful_solution(stated, setting.scatter)
    except (NetworkError, AdjustmentError):
        return None
    guarded = guard(careful, setting.scatter, int(careful.reduction.pointings.sight[-1]))
    if guarded is None:
        return None
    solution = replace(
        ground.solution,
        careful=careful.adjustment,
        guards=guarded.guards,
        shots=case.shots,
        sights=careful.network.sights,
        pointings=careful.reduction.pointings,
    )
    after = ground_of(stated, careful, solution, setting.checks)
    return replace(after, standings=_before_reading(after, guarded))


def _before_reading(ground: ProposedSite, guarded: Guarded) -> dict[Key, PlaceStanding]:
    """Return the standings with their bounds as they come out in the mean of what may be read.

    How large a mistake looks depends on the reading, and the largest of many is what counts: so
    the readings are drawn, always the same ones.
    """
    careful, guards = ground.careful.adjustment, guarded.guards
    shooting = shooting_in(ground.solution)
    root = _root(guarded.unread)
    drawn = np.random.default_rng(DRAWS).standard_normal((DRAWS, len(root)))
    sizes = guards.size + drawn @ root.T @ guarded.reply.T
    uses = [standing.use for standing in ground.standings.values()]
    bounds = bounds_at(careful, guards, uses, shooting, sizes).max(axis=3).mean(axis=1)
    return {
        key: replace(one, bound=bound)
        for (key, one), bound in zip(ground.standings.items(), bounds, strict=True)
    }


def _root(covariance: FloatArray) -> FloatArray:
    """Return a root (k, k) of a covariance that may be singular: what the net foretells exactly."""
    try:
        return np.asarray(np.linalg.cholesky(covariance))
    except np.linalg.LinAlgError:
        size, axes = np.linalg.eigh(covariance)
        return np.asarray(axes * np.sqrt(np.maximum(size, 0.0)))


def _ranked(ground: ProposedSite, key: Key, setting: Setting) -> list[tuple[int, int]]:
    """Return the shots that may be made for a place, the one that gets farthest first.

    One from where the legs still stand comes first where it is clearly enough.
    """
    careful, guards = ground.careful, ground.solution.guards
    candidates = _candidates(ground, key, setting)
    if not len(candidates) or guards is None:
        return []
    adjustment, case = careful.adjustment, careful.case
    sights = sights_like_others(careful.network.sights, case.setups, case.precision, candidates)
    bend = curvature_coefficient(case.refraction)
    rows = further_rows(adjustment, sights, case.precision, bend)
    base: Foresight = foresight(adjustment, guards, np.unique(candidates.point))
    ends = list(zip(candidates.setup.tolist(), candidates.point.tolist(), strict=True))
    standing = ground.standings[key]
    worse = np.where(
        point_roles(adjustment.problem.network)[candidates.point] == SHOT, FOUND_AGAIN, 1.0
    ).tolist()
    ranks = []
    for row, end, factor in zip(rows, ends, worse, strict=True):
        sizes, open_ = expected(base, row, end, standing)
        size = float((sizes.max(axis=0) / setting.limits).max())
        elsewhere = end[0] != int(setting.walk[0]) or (open_, size) > (0, CLEAR)
        ranks.append((elsewhere, (open_, factor * size), end))
    return [end for *_, end in sorted(ranks)]


def _candidates(ground: ProposedSite, key: Key, setting: Setting) -> Candidates:
    """Return the marks within reach of the setups of a place, and of the one that still stands.

    A shared or known mark, and the farthest shot of every other setup. A second look at a target
    that stands adds nothing to what its first one says.
    """
    adjustment, network = ground.careful.adjustment, ground.careful.network
    marks = np.flatnonzero(setting.trusted & (point_roles(adjustment.problem.network) != SHOT))
    far = {at[0]: one.use.point for at, one in ground.standings.items() if len(at) == 1}
    found = []
    for setup in dict.fromkeys((int(setting.walk[0]), *key)):
        if not adjustment.problem.solved_setup[setup]:
            continue
        others = [point for s, point in far.items() if s != setup and point >= 0]
        own = np.union1d(marks, np.array(others, dtype=np.int64))
        own = own[(own != network.station[setup]) & setting.trusted[own]]
        seen = np.unique(network.sights.point[network.sights.setup == setup])
        own = np.setdiff1d(own, seen[_stood(ground, seen)])
        offset = adjustment.position[own, :2] - adjustment.axis[setup, :2]
        away = np.hypot(offset[:, 0], offset[:, 1])
        near = (away >= NEAREST) & (away <= setting.reach)
        found.append(Candidates(np.full(near.sum(), setup), own[near], away[near]))
    return Candidates(
        *(np.concatenate([getattr(one, name) for one in found]) for name in vars(found[0]))
    )


def _stood(ground: ProposedSite, points: IntArray) -> BoolArray:
    """Say at which points a second look sees the target where it stood for the first."""
    standing = ground.careful.case.precision.standing
    every = standing.in_setups or standing.everywhere
    return np.isin(points, sorted(standing.points)) | every


def _promise(
    before: ProposedSite,
    after: ProposedSite,
    key: Key,
    shots: Sequence[tuple[int, int]],
    setting: Setting,
) -> Promise:
    """Put into words what the shots for a place do."""
    was, becomes = worst(before.standings[key]), worst(after.standings[key])
    enough = stands(after, key, setting)
    part = int(np.argmax((was if enough else becomes) / setting.limits))
    evidence = setting.checks.evidence
    return Promise(
        shots=tuple((evidence.setups[s], evidence.points[p]) for s, p in shots),
        setups=tuple(evidence.setups[s] for s in key),
        part=PARTS[part],
        before=float(was[part]),
        after=float(becomes[part]),
        limit=float(setting.limits[part]),
        enough=enough,
    )
