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
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.scatter import Scatter
from tieup.diagnose.guarding import Guarded, guard
from tieup.diagnose.proving import careful_solution
from tieup.diagnose.solve import Solved
from tieup.errors import AdjustmentError, NetworkError
from tieup.model.answer import Promise
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Tolerances
from tieup.preanalysis.candidates import NEAREST, Candidates, sights_like_others
from tieup.preanalysis.foresight import Foresight, expected, foresight, shot_rows
from tieup.preanalysis.shot_rows import with_shot
from tieup.preanalysis.standing import SHOT, longest_sight, roles
from tieup.ties.answer import PARTS, WANTING
from tieup.ties.bays import Standing, bounds_at
from tieup.ties.checks import Checks, Solution, bays_of, shooting_in
from tieup.ties.geometry import Geometry, setup_geometry
from tieup.ties.marks import mark_ties
from tieup.ties.walking import walking_order

MOST_SHOTS = 2  # asked for at one place
MOST_TRIED = 2  # solved anew for one shot, the most promising first
MOST_SOLVED = 8  # of a small site; of a large one fewer: `_affordable`
GUARDS = 6000  # guards that are made in all
DRAWS = 24  # of what a further shot may read
CLEAR = 0.9  # of the limit: what is asked for shall get so far, as what is read scatters
GAIN = 0.95  # of what it was: less than this is no help
WORK_MARK = "@"  # in the name of one that was split off a mark: nothing to shoot at

Key = tuple[int, ...]


@dataclass(frozen=True)
class Ground:
    """A site as it would be with so many further shots.

    ``stated`` is its case as stated, ``careful`` the solution that is judged by, ``standings`` how
    its setups (one number) and joints (two) stand, ``wanting`` (S,) whose geometry proves too
    little.
    """

    stated: Solved
    careful: Solved
    solution: Solution
    standings: dict[Key, Standing]
    wanting: tuple[bool, ...]


@dataclass(frozen=True)
class Site:
    """What stays the same: ``scatter``, ``checks`` of the site as it is, ``walk`` of the setups.

    ``trusted`` (P,): points that nothing speaks against. ``reach`` (m) is the longest sight.
    """

    scatter: Scatter
    checks: Checks
    walk: IntArray
    trusted: BoolArray
    reach: float

    @property
    def limits(self) -> FloatArray:
        """Return the limits (2,) in plan and height."""
        return _sizes(self.checks.limits)


def proving_shots(
    stated: Solved, scatter: Scatter | None, solution: Solution, checks: Checks
) -> tuple[Promise, ...]:
    """Return what would prove the setups and joints that are not proved, in walking order.

    Empty of a large site, whose guards are not made one by one.
    """
    if scatter is None or solution.guards is None:
        return ()
    wanting = _wanting(checks.evidence.geometry)
    if not any(wanting) and _all_within(checks):
        return ()
    careful = careful_solution(stated, scatter)
    site = _site(scatter, careful, solution, checks)
    first = ground = _ground(stated, careful, solution, checks)
    left, promises = _affordable(solution), list[Promise]()
    for key in _in_walking_order(ground, site):
        if _stands(first, key, site):
            continue
        if _stands(ground, key, site):
            promises = _also(promises, _name(checks, key))
        elif left > 0:
            shots, ground, spent = _shots_for(ground, key, site)
            left -= spent
            promises.append(_promise(first, ground, key, shots, site))
        else:
            promises.append(replace(_promise(first, first, key, (), site), after=math.nan))
    return tuple(promises)


def _all_within(checks: Checks) -> bool:
    """Say whether every setup and joint is known and guarded within the limits."""
    limits = _sizes(checks.limits)
    every = (*checks.bays.setups, *checks.bays.joints.values())
    return all(standing.within(limits) for standing in every if standing is not None)


def _affordable(solution: Solution) -> int:
    """Return how many solutions with further shots are made."""
    guards = 0 if solution.guards is None else len(solution.guards)
    return int(np.clip(GUARDS // max(guards, 1), 1, MOST_SOLVED))


def _site(scatter: Scatter, careful: Solved, solution: Solution, checks: Checks) -> Site:
    adjustment, names = careful.adjustment, careful.network.point_names
    trusted = np.array([WORK_MARK not in name for name in names], dtype=np.bool_)
    if solution.suspects is not None:
        trusted &= ~solution.suspects.point
    trusted &= np.isfinite(adjustment.position[:, 0])
    reach = longest_sight(adjustment, np.asarray(roles(adjustment) != SHOT))
    walk = walking_order(checks.evidence.visits, len(adjustment.axis))
    return Site(scatter, checks, walk, trusted, reach)


def _ground(stated: Solved, careful: Solved, solution: Solution, checks: Checks) -> Ground:
    bays = bays_of(solution, checks.evidence.pairs.pair)
    standings: dict[Key, Standing] = {
        (s,): stance for s, stance in enumerate(bays.setups) if stance is not None
    }
    for pair, one in bays.joints.items():
        standings[pair] = one
    wanting = _wanting(checks.evidence.geometry)
    if any(wanting):
        adjustment = careful.adjustment
        wanting = _wanting(setup_geometry(adjustment, mark_ties(adjustment)))
    return Ground(stated, careful, solution, standings, wanting)


def _wanting(geometry: Sequence[Geometry]) -> tuple[bool, ...]:
    """Say of which setups (S,) the geometry proves too little."""
    return tuple(found.word in WANTING for found in geometry)


def _in_walking_order(ground: Ground, site: Site) -> list[Key]:
    """Return setups and joints as they are come to, a setup before its joints."""
    place = {int(setup): number for number, setup in enumerate(site.walk)}
    return sorted(ground.standings, key=lambda key: (min(place[s] for s in key), len(key), key))


def _stands(ground: Ground, key: Key, site: Site) -> bool:
    wanting = len(key) == 1 and ground.wanting[key[0]]
    return not wanting and ground.standings[key].within(site.limits)


def _clear(ground: Ground, key: Key, site: Site) -> bool:
    """Say whether a place would stand with something to spare: what is read scatters."""
    return _stands(ground, key, site) and _share(ground, key, site) <= CLEAR


def _sizes(limits: Tolerances) -> FloatArray:
    return np.array([limits.horizontal, limits.elevation])


def _worst(standing: Standing) -> FloatArray:
    """Return what is known or could hide, the larger (2,), in plan and in height."""
    return np.maximum(standing.known, standing.bound)


def _share(ground: Ground, key: Key, site: Site) -> float:
    """Return how a place stands against its limits: proved up to 1."""
    return float((_worst(ground.standings[key]) / site.limits).max())


def _merit(ground: Ground, key: Key, site: Site) -> tuple[int, float]:
    """Return what is to be made small: mistakes that would not show, then the share."""
    guards, use = ground.solution.guards, ground.standings[key].use
    if guards is None:
        return 0, _share(ground, key, site)
    adjustment, shooting = ground.careful.adjustment, shooting_in(ground.solution)
    bounds = bounds_at(adjustment, guards, use, shooting, guards.size[None])[0]
    return int(np.isinf(bounds).sum()), _share(ground, key, site)


def _betters(before: tuple[int, float], after: tuple[int, float]) -> bool:
    return after[0] < before[0] or (after[0] == before[0] and after[1] < GAIN * before[1])


def _name(checks: Checks, key: Key) -> str:
    return "-".join(checks.evidence.setups[s] for s in key)


def _also(promises: list[Promise], name: str) -> list[Promise]:
    """Note with the last of the promises that the same shots prove one more place."""
    if not promises:
        return promises
    return [*promises[:-1], replace(promises[-1], also=(*promises[-1].also, name))]


def _shots_for(ground: Ground, key: Key, site: Site) -> tuple[list[tuple[int, int]], Ground, int]:
    """Return up to two shots for one place, the site with them, and how often it was solved."""
    shots: list[tuple[int, int]] = []
    spent = 0
    while len(shots) < MOST_SHOTS and not _clear(ground, key, site):
        best: tuple[tuple[int, int], Ground] | None = None
        for shot in _ranked(ground, key, site)[:MOST_TRIED]:
            spent += 1
            tried = _with(ground, shot, site)
            if tried is None or key not in tried.standings:
                continue
            if best is None or _merit(tried, key, site) < _merit(best[1], key, site):
                best = shot, tried
            if _clear(tried, key, site):
                break
        if best is None or not _betters(_merit(ground, key, site), _merit(best[1], key, site)):
            break
        shots.append(best[0])
        ground = best[1]
    return shots, ground, spent


def _with(ground: Ground, shot: tuple[int, int], site: Site) -> Ground | None:
    """Return the site with one more shot, None where it cannot be solved."""
    case = with_shot(ground.careful, *shot)
    stated = replace(
        ground.stated, case=replace(ground.stated.case, shots=case.shots, use=case.use)
    )
    try:
        careful = careful_solution(stated, site.scatter)
    except (NetworkError, AdjustmentError):
        return None
    guarded = guard(careful, site.scatter, int(careful.reduction.pointings.sight[-1]))
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
    after = _ground(stated, careful, solution, site.checks)
    return replace(after, standings=_before_reading(after, guarded))


def _before_reading(ground: Ground, guarded: Guarded) -> dict[Key, Standing]:
    """Return the standings with their bounds as they come out in the mean of what may be read.

    How large a mistake looks depends on the reading, and the largest of many is what counts: so
    the readings are drawn, always the same ones.
    """
    careful, guards = ground.careful.adjustment, guarded.guards
    shooting = shooting_in(ground.solution)
    root = np.linalg.cholesky(guarded.unread)
    drawn = np.random.default_rng(DRAWS).standard_normal((DRAWS, len(root)))
    sizes = guards.size + drawn @ root.T @ guarded.reply.T
    bounds = {
        key: bounds_at(careful, guards, standing.use, shooting, sizes).max(axis=2).mean(axis=0)
        for key, standing in ground.standings.items()
    }
    return {key: replace(one, bound=bounds[key]) for key, one in ground.standings.items()}


def _ranked(ground: Ground, key: Key, site: Site) -> list[tuple[int, int]]:
    """Return the shots that may be made for a place, the one that gets farthest first.

    One from where the legs still stand comes first where it is clearly enough.
    """
    careful, guards = ground.careful, ground.solution.guards
    candidates = _candidates(ground, key, site)
    if not len(candidates) or guards is None:
        return []
    adjustment, case = careful.adjustment, careful.case
    sights = sights_like_others(careful.network.sights, case.setups, case.precision, candidates)
    rows = shot_rows(adjustment, sights, case.precision, case.refraction)
    base: Foresight = foresight(adjustment, guards, np.unique(candidates.point))
    ends = list(zip(candidates.setup.tolist(), candidates.point.tolist(), strict=True))
    standing = ground.standings[key]
    merit = []
    for row, end in zip(rows, ends, strict=True):
        sizes, open_ = expected(base, row, end, standing)
        merit.append((open_, float((sizes.max(axis=0) / site.limits).max())))
    stand = int(site.walk[0])
    order = sorted(
        range(len(ends)), key=lambda i: (ends[i][0] != stand or merit[i] > (0, CLEAR), merit[i])
    )
    return [ends[i] for i in order]


def _candidates(ground: Ground, key: Key, site: Site) -> Candidates:
    """Return the marks within reach of the setups of a place, and of the one that still stands.

    A shared or known mark, and the farthest shot of every other setup. A second look at a target
    that stands adds nothing to what its first one says.
    """
    adjustment, network = ground.careful.adjustment, ground.careful.network
    marks = np.flatnonzero(site.trusted & (roles(adjustment) != SHOT))
    far = {at[0]: one.use.point for at, one in ground.standings.items() if len(at) == 1}
    found = []
    for setup in dict.fromkeys((int(site.walk[0]), *key)):
        if not adjustment.problem.solved_setup[setup]:
            continue
        others = [point for s, point in far.items() if s != setup and point >= 0]
        own = np.union1d(marks, np.array(others, dtype=np.int64))
        own = own[(own != network.station[setup]) & site.trusted[own]]
        seen = np.unique(network.sights.point[network.sights.setup == setup])
        own = np.setdiff1d(own, seen[_stood(ground, seen)])
        offset = adjustment.position[own, :2] - adjustment.axis[setup, :2]
        away = np.hypot(offset[:, 0], offset[:, 1])
        near = (away >= NEAREST) & (away <= site.reach)
        found.append(Candidates(np.full(near.sum(), setup), own[near], away[near]))
    return Candidates(
        *(np.concatenate([getattr(one, name) for one in found]) for name in vars(found[0]))
    )


def _stood(ground: Ground, points: IntArray) -> BoolArray:
    """Say at which points a second look sees the target where it stood for the first."""
    standing = ground.careful.case.precision.standing
    every = standing.in_setups or standing.everywhere
    return np.isin(points, sorted(standing.points)) | every


def _promise(
    before: Ground, after: Ground, key: Key, shots: Sequence[tuple[int, int]], site: Site
) -> Promise:
    """Put into words what the shots for a place do."""
    was, becomes = _worst(before.standings[key]), _worst(after.standings[key])
    enough = _stands(after, key, site)
    part = int(np.argmax((was if enough else becomes) / site.limits))
    evidence = site.checks.evidence
    return Promise(
        shots=tuple((evidence.setups[s], evidence.points[p]) for s, p in shots),
        setups=tuple(evidence.setups[s] for s in key),
        part=PARTS[part],
        before=float(was[part]),
        after=float(becomes[part]),
        limit=float(site.limits[part]),
        enough=enough,
    )
