"""A site as it would be with further shots, and how its setups and joints would stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.point_roles import point_roles
from tieup.adjust.scatter import Scatter
from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.point_words import SHOT
from tieup.model.settings import Tolerances
from tieup.preanalysis.design_quality import longest_sight
from tieup.ties.bays import PlaceStanding, bounds_at
from tieup.ties.marks import mark_ties
from tieup.ties.setup_geometry import Geometry, setup_geometry
from tieup.ties.site_answer import WANTING, joints_that_meet
from tieup.ties.tie_checks import CheckedSolution, Checks, bays_of, shooting_in
from tieup.ties.walking import walking_order

CLEAR = 0.9  # of the limit: what is asked for shall get so far, as what is read scatters
WORK_MARK = "@"  # in the name of one that was split off a mark: nothing to shoot at

Key = tuple[int, ...]


@dataclass(frozen=True)
class ProposedSite:
    """A site as it would be with so many further shots.

    ``stated`` is its case as stated, ``careful`` the solution that is judged by, ``standings`` how
    its setups (one number) and joints (two) stand, ``wanting`` (S,) whose geometry proves too
    little.
    """

    stated: Solved
    careful: Solved
    solution: CheckedSolution
    standings: dict[Key, PlaceStanding]
    wanting: tuple[bool, ...]


@dataclass(frozen=True)
class Setting:
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
        return sizes_of(self.checks.limits)


def setting_of(
    scatter: Scatter, careful: Solved, solution: CheckedSolution, checks: Checks
) -> Setting:
    """Return what stays the same whatever is shot."""
    adjustment, names = careful.adjustment, careful.network.point_names
    trusted = np.array([WORK_MARK not in name for name in names], dtype=np.bool_)
    if solution.suspects is not None:
        trusted &= ~solution.suspects.point
    trusted &= np.isfinite(adjustment.position[:, 0])
    reach = longest_sight(adjustment, np.asarray(point_roles(adjustment.problem.network) != SHOT))
    walk = walking_order(checks.evidence.visits, len(adjustment.axis))
    return Setting(scatter, checks, walk, trusted, reach)


def ground_of(
    stated: Solved, careful: Solved, solution: CheckedSolution, checks: Checks
) -> ProposedSite:
    """Return how the setups and joints of a solution stand."""
    bays = bays_of(solution, checks.evidence.pairs.pair)
    standings: dict[Key, PlaceStanding] = {
        (s,): stance for s, stance in enumerate(bays.setups) if stance is not None
    }
    for pair in joints_that_meet(checks):
        if pair in bays.joints:
            standings[pair] = bays.joints[pair]
    wanting = wanting_of(checks.evidence.geometry)
    if any(wanting):
        adjustment = careful.adjustment
        wanting = wanting_of(setup_geometry(adjustment, mark_ties(adjustment)))
    return ProposedSite(stated, careful, solution, standings, wanting)


def wanting_of(geometry: Sequence[Geometry]) -> tuple[bool, ...]:
    """Say of which setups (S,) the geometry proves too little."""
    return tuple(found.word in WANTING for found in geometry)


def stands(ground: ProposedSite, key: Key, setting: Setting) -> bool:
    """Say whether a place is proved."""
    wanting = len(key) == 1 and ground.wanting[key[0]]
    return not wanting and ground.standings[key].within(setting.limits)


def clear(ground: ProposedSite, key: Key, setting: Setting) -> bool:
    """Say whether a place would stand with something to spare: what is read scatters."""
    return stands(ground, key, setting) and share(ground, key, setting) <= CLEAR


def sizes_of(limits: Tolerances) -> FloatArray:
    """Return the limits (2,) in plan and height in m."""
    return np.array([limits.horizontal, limits.elevation])


def worst(standing: PlaceStanding) -> FloatArray:
    """Return what is known or could hide, the larger (2,), in plan and in height."""
    return np.maximum(standing.known, standing.bound)


def share(ground: ProposedSite, key: Key, setting: Setting) -> float:
    """Return how a place stands against its limits: proved up to 1."""
    return float((worst(ground.standings[key]) / setting.limits).max())


def merit(ground: ProposedSite, key: Key, setting: Setting) -> tuple[int, float]:
    """Return what is to be made small: mistakes that would not show, then the share."""
    guards, use = ground.solution.guards, ground.standings[key].use
    if guards is None:
        return 0, share(ground, key, setting)
    adjustment, shooting = ground.careful.adjustment, shooting_in(ground.solution)
    bounds = bounds_at(adjustment, guards, [use], shooting, guards.size[None])[0, 0]
    return int(np.isinf(bounds).sum()), share(ground, key, setting)
