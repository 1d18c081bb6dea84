"""How marks and setups of a plan stand: against the limits, and whether anything tests them.

That anything tests a mark is a first look, quick enough to rank further sights by; what `checked`
means is asked in `tieup.preanalysis.prospects`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.adjust.ellipse import error_ellipse
from tieup.adjust.point_roles import point_roles
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.geometry_words import (
    CIRCLE,
    DISCONNECTED,
    LACKING,
    STRONG,
    WEAK,
)
from tieup.model.point_words import CHECKED, HELD, SHOT, UNCHECKED, UNPLACED
from tieup.model.settings import Tolerances
from tieup.preanalysis.scheme import Scheme, places_of
from tieup.ties.free_station_precision import danger
from tieup.ties.marks import MarkTies, mark_ties
from tieup.ties.setup_geometry import ON_CIRCLE, Geometry, setup_geometry

PROVED = 0.02  # share of a mistake that must show to call a mark tested at all
EMPHASIS = 8  # a mark at half the worst ratio hardly counts


@dataclass(frozen=True)
class Demand:
    """What a plan is held to: limits and the confidence at which they are met."""

    limits: Tolerances
    confidence: float

    @property
    def sizes(self) -> FloatArray:
        """Return the limits in plan and in height (2,) in m."""
        return np.array([self.limits.horizontal, self.limits.elevation])


@dataclass(frozen=True)
class DesignQuality:
    """Marks (P,) and setups (S,) of a solved scheme.

    ``wanted`` (P,): marks of the plan. ``spread`` (P, 2): plan and height (m) at the confidence,
    NaN where not determined; ``ratio`` (P, 2): over the limits. ``proof`` (P,) is held, checked,
    unchecked, or empty where nothing places the mark; checked is one that anything tests.
    ``stance`` (S, 2) and ``stance_ratio`` (S, 2): the same of the instruments.
    ``lacking`` (S,): setups in which a mistake could pass, or that nothing places.
    """

    wanted: BoolArray
    spread: FloatArray
    ratio: FloatArray
    proof: TextArray
    stance: FloatArray
    stance_ratio: FloatArray
    lacking: BoolArray

    @property
    def missing(self) -> int:
        """Return how many marks and setups nothing checks; what nothing places counts twice."""
        proof = self.proof[self.wanted]
        marks = (proof == UNCHECKED).sum() + 2 * (proof == UNPLACED).sum()
        return int(marks + self.lacking.sum() + np.isnan(self.stance[:, 0]).sum())

    @property
    def worst(self) -> float:
        """Return the largest ratio of a wanted mark or an instrument, 0 where there is none."""
        return float(np.nan_to_num(self._ratios).max(initial=0.0))

    @property
    def burden(self) -> float:
        """Return the ratios of wanted marks and instruments in one number near the worst.

        Their norm of a high power: the worst counts most, others as they come near it.
        """
        return float(np.nansum(self._ratios**EMPHASIS) ** (1.0 / EMPHASIS))

    @property
    def _ratios(self) -> FloatArray:
        return np.concatenate([self.ratio[self.wanted], self.stance_ratio])


@dataclass(frozen=True)
class DesignState:
    """A solved scheme with its ties, the geometry of its setups and how it stands."""

    adjustment: Adjustment
    ties: MarkTies
    geometry: tuple[Geometry, ...]
    words: tuple[str, ...]
    standing: DesignQuality


def describe_state(
    scheme: Scheme, adjustment: Adjustment, planned: BoolArray, demand: Demand
) -> DesignState:
    """Say how a solved scheme stands; ``planned`` (P,) are marks that the plan names itself."""
    calm = _calm(adjustment)
    ties = mark_ties(calm)
    geometry = setup_geometry(calm, ties)
    words = tuple(_word(scheme, calm, s, found) for s, found in enumerate(geometry))
    spread = spreads(calm.point_covariance, demand.confidence)
    spread[~calm.problem.network.start.height_point, 1] = np.nan
    stance = spreads(calm.setup_covariance[:, :3, :3], demand.confidence)
    stance[~calm.problem.network.start.height_setup, 1] = np.nan
    standing = DesignQuality(
        wanted=(point_roles(calm.problem.network) != SHOT) & sighted(calm) | planned,
        spread=spread,
        ratio=spread / demand.sizes,
        proof=proofs(calm, sight_redundancy(calm), calm.control_redundancy),
        stance=stance,
        stance_ratio=stance / demand.sizes,
        lacking=np.array(
            [_lacks(calm, s, word, geometry[s]) for s, word in enumerate(words)], dtype=np.bool_
        ),
    )
    return DesignState(calm, ties, geometry, words, standing)


def _calm(adjustment: Adjustment) -> Adjustment:
    """Return the solution as if every reading fitted: what was read plays no part."""
    return replace(
        adjustment,
        residual=0.0 * adjustment.residual,
        control_residual=0.0 * adjustment.control_residual,
        link_residual=0.0 * adjustment.link_residual,
    )


def spreads(covariance: FloatArray, confidence: float) -> FloatArray:
    """Return the semi-major axis in plan and half the interval in height (n, 2) in m."""
    plan = error_ellipse(covariance[:, :2, :2], confidence_factor(2, confidence)).semi_major
    height = np.sqrt(np.maximum(covariance[:, 2, 2], 0.0)) * confidence_factor(1, confidence)
    return np.column_stack([plan, height])


def _word(scheme: Scheme, adjustment: Adjustment, s: int, found: Geometry) -> str:
    """Return the word for a setup; on the danger circle itself nothing places it at all.

    A good shape in which a mistake could pass is no strong one.
    """
    word = found.word
    if word != DISCONNECTED:
        return WEAK if word == STRONG and _untested(adjustment, s, found) else word
    sights = adjustment.problem.network.sights
    own = np.flatnonzero(sights.setup == s)
    angles_only = not np.isfinite(sights.value[own, 2]).any()
    place, axis = places_of(scheme, adjustment)
    offset = place[sights.point[own], :2] - axis[s, :2]
    offset = offset[np.isfinite(offset).all(axis=1)]
    on_it = angles_only and len(offset) > 2 and danger(offset) < ON_CIRCLE
    return CIRCLE if on_it else word


def _lacks(adjustment: Adjustment, s: int, word: str, geometry: Geometry) -> bool:
    return word in LACKING or _untested(adjustment, s, geometry)


def _untested(adjustment: Adjustment, s: int, geometry: Geometry) -> bool:
    """Say whether no mark of a setup is tested, in plan or in height where it has one."""
    level = adjustment.problem.network.start.height_setup[s]
    return bool(np.isinf(geometry.caught_plan) or (level and np.isinf(geometry.caught_height)))


def sighted(adjustment: Adjustment) -> BoolArray:
    """Return the points (P,) that a setup sights or stands over, or that a link touches."""
    network = adjustment.problem.network
    found = np.zeros(len(network.point_names), dtype=np.bool_)
    for numbers in (network.sights.point, network.links.start, network.links.end):
        found[numbers] = True
    found[network.station[network.station >= 0]] = True
    return found


def sight_redundancy(adjustment: Adjustment) -> FloatArray:
    """Return redundancy numbers (c, 3) of the connections, those of plumb lines NaN."""
    return np.where(adjustment.connections.plumb[:, None], np.nan, adjustment.redundancy)


def proofs(
    adjustment: Adjustment, redundancy: FloatArray, control_redundancy: FloatArray
) -> TextArray:
    """Return the proof of each point (P,); checked is one that anything tests."""
    frame, problem = adjustment.problem.frame, adjustment.problem
    proof = np.full(len(adjustment.position), UNCHECKED, dtype=object)
    proof[adjustment.connections.point[shows(redundancy)]] = CHECKED
    proof[np.nan_to_num(control_redundancy).max(axis=1, initial=0.0) > PROVED] = CHECKED
    links, taken = problem.network.links, problem.links
    level = taken[(adjustment.link_redundancy > PROVED) & ~links.is_distance[taken]]
    proof[links.start[level]] = proof[links.end[level]] = CHECKED
    proof[(problem.held_point & np.isfinite(frame.control)).any(axis=1)] = HELD
    proof[np.isnan(adjustment.position).all(axis=1)] = UNPLACED
    return proof


def shows(redundancy: FloatArray) -> BoolArray:
    """Say in which sights (c,) a mistake would show in plan, and in height where it has one."""
    seen = np.isfinite(redundancy)
    plan = np.where(seen, redundancy, 0.0)[:, [0, 2]].max(axis=1)
    height = np.where(seen[:, 1], redundancy[:, 1], np.inf)
    return np.asarray((plan > PROVED) & (height > PROVED))


def longest_sight(adjustment: Adjustment, points: BoolArray) -> float:
    """Return the longest horizontal sight (m) of the given points (P,), 0 without any."""
    sights = adjustment.problem.network.sights
    start = adjustment.problem.network.start
    own: IntArray = np.flatnonzero(points[sights.point])
    away = start.position[sights.point[own], :2] - start.axis[sights.setup[own], :2]
    return float(np.nanmax(np.hypot(away[:, 0], away[:, 1]), initial=0.0))
