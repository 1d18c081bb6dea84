"""Coordinates that the field stored, against the reconciled ones: who moved, and why.

Stored coordinates are compared and never used. What a whole setup shares, a shift of its frame
and a turn about the instrument, is one cause (a wrong backsight, a wrong station); what does
not follow its setup moved on its own. With p the reconciled place and c the instrument,

    stored = c + R(turn) (p - c) + shift

Rows that do not follow are left out of the fit in turn, so that a few typed or averaged points
do not pass for a moved frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import normal_critical
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.settings import Tolerances

MOVED, SAME, CANNOT_TELL = "moved", "same", "cannot tell"
ENOUGH = 3  # points that tell a turn from a shift, and a stray point from its setup
FITS = 4  # fits of a frame, each without the strays of the one before
STRAY = 3.0  # robust sds of a setup's points beyond which one does not follow; common practice
ROBUST = 1.4826  # normal sds in a median absolute deviation
TOLD = 3.0  # sds from which a turn is no chance
WINDS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


@dataclass(frozen=True)
class StoredFrame:
    """How one setup's stored coordinates lie: ``shift`` (3,) in m, and ``turn`` (rad) about centre.

    ``centre`` (2,) is the instrument, or the middle of the points where that has no place. The
    turn is clockwise, 0 where it is no more than chance or cannot be told.
    """

    shift: FloatArray
    turn: float
    centre: FloatArray

    def displacement(self, place: FloatArray) -> FloatArray:
        """Return how far (n, 3) the frame puts ``place`` (n, 3) off."""
        moved = np.tile(self.shift, (len(place), 1))
        if self.turn:
            away = place[:, :2] - self.centre
            moved[:, :2] += _turned(away, self.turn) - away
        return moved


@dataclass(frozen=True)
class FieldComparison:
    """Stored minus reconciled coordinates of the n raw rows that have both.

    ``row``, ``setup``, ``point`` (n,) number raw rows, setups and points. ``difference`` and
    ``sd`` (n, 3) in m, the sd that of the reconciled place; ``plan`` and ``plan_sd`` (n,).
    ``shared`` (n, 3) is the part that the frame of the setup explains; ``follows`` (n,): not
    surely more than that. ``verdict`` (n,) judges a row, ``shared_verdict`` (n,) the shared part
    alone. ``frames`` by setup. ``as_a_whole``: all stored coordinates were laid on the site first.
    """

    row: IntArray
    setup: IntArray
    point: IntArray
    difference: FloatArray
    sd: FloatArray
    plan: FloatArray
    plan_sd: FloatArray
    shared: FloatArray
    follows: BoolArray
    verdict: TextArray
    shared_verdict: TextArray
    frames: dict[int, StoredFrame]
    as_a_whole: bool


@dataclass(frozen=True)
class Limits:
    """What a stored coordinate may differ (m), and the sds of a one-sided decision."""

    plan: float
    height: float
    sure: float


@dataclass(frozen=True)
class Stored:
    """Raw rows (m,) with what the field stored (m, 3), NaN where nothing, in the job's frame."""

    setup: IntArray
    point: IntArray
    coordinates: FloatArray


def compare_field(
    stored: Stored,
    position: FloatArray,
    covariance: FloatArray,
    axis: FloatArray,
    *,
    tolerances: Tolerances,
    confidence: float,
    own_frame: bool,
) -> FieldComparison | None:
    """Compare stored with reconciled coordinates; None where no row has both.

    Parameters
    ----------
    position, covariance, axis
        Reconciled marks (P, 3) with their covariances (P, 3, 3), and instrument axes (S, 3), in
        m and m^2, in the job's frame; NaN where unknown.
    own_frame
        The job's frame is not that of the field (free or local): all stored coordinates are
        first shifted and turned onto the site as a whole.
    """
    place = position[stored.point]
    row = np.flatnonzero(np.isfinite(stored.coordinates - place).any(axis=1))
    if not len(row):
        return None
    point, setup, place, kept = stored.point[row], stored.setup[row], place[row], stored.coordinates
    kept = kept[row]
    if own_frame:
        kept = _laid_on(kept, place)
    difference, spread = kept - place, covariance[point]
    limits = Limits(
        tolerances.horizontal, tolerances.elevation, float(normal_critical(1.0 - confidence))
    )
    frames = {
        s: _frame(place[own], kept[own], axis[s], limits)
        for s in np.unique(setup).tolist()
        for own in [np.flatnonzero(setup == s)]
    }
    shared = np.full(place.shape, np.nan)
    for s, frame in frames.items():
        shared[setup == s] = frame.displacement(place[setup == s])
    plan, plan_sd = _in_plan(difference, spread)
    shared_plan, shared_sd = _in_plan(shared, spread)
    sd = np.sqrt(np.maximum(np.diagonal(spread, axis1=1, axis2=2), 0.0))
    rest = difference - shared
    stray = _verdict(*_in_plan(rest, spread), rest[:, 2], sd[:, 2], limits) == MOVED
    return FieldComparison(
        row=row,
        setup=setup,
        point=point,
        difference=difference,
        sd=np.where(np.isnan(difference), np.nan, sd),
        plan=plan,
        plan_sd=plan_sd,
        shared=shared,
        follows=~stray,
        verdict=_verdict(plan, plan_sd, difference[:, 2], sd[:, 2], limits),
        shared_verdict=_verdict(shared_plan, shared_sd, shared[:, 2], sd[:, 2], limits),
        frames=frames,
        as_a_whole=own_frame,
    )


def _verdict(
    plan: FloatArray, plan_sd: FloatArray, rise: FloatArray, rise_sd: FloatArray, limits: Limits
) -> TextArray:
    """Return moved where plan or height is surely beyond its limit, same where both are within.

    A component that was not stored takes no part.
    """
    verdict = np.full(len(plan), SAME, dtype=object)
    moved = np.zeros(len(plan), dtype=bool)
    for size, sd, limit in (
        (plan, plan_sd, limits.plan),
        (np.abs(rise), rise_sd, limits.height),
    ):
        with np.errstate(invalid="ignore"):
            verdict[size + limits.sure * sd > limit] = CANNOT_TELL
            moved |= size - limits.sure * sd > limit
    verdict[moved] = MOVED
    return verdict


def _in_plan(difference: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return length and sd (n,) of plan differences; of none at all the largest sd."""
    flat, spread = difference[:, :2], covariance[:, :2, :2]
    plan = np.hypot(flat[:, 0], flat[:, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = flat / plan[:, None]
        along = np.einsum("ni,nij,nj->n", unit, spread, unit)
    largest = np.nan_to_num(spread)
    whole = np.linalg.eigvalsh(largest)[:, -1]
    variance = np.where(plan > 0.0, along, whole)
    return plan, np.sqrt(np.maximum(np.where(np.isnan(plan), np.nan, variance), 0.0))


def _frame(place: FloatArray, kept: FloatArray, axis: FloatArray, limits: Limits) -> StoredFrame:
    """Return the frame of one setup's rows; NaN where nothing of the kind was stored."""
    difference = kept - place
    flat = np.isfinite(difference[:, :2]).all(axis=1)
    shift, turn, centre = np.full(3, np.nan), 0.0, axis[:2]
    up = difference[np.isfinite(difference[:, 2]), 2]
    if len(up):
        shift[2] = np.median(up)
    if flat.any():
        if np.isnan(centre).any():
            centre = place[flat, :2].mean(axis=0)
        shift[:2], turn = _plan_frame(
            place[flat, :2] - centre, kept[flat, :2] - centre, limits.plan
        )
    return StoredFrame(shift, turn, centre)


def _plan_frame(place: FloatArray, kept: FloatArray, limit: float) -> tuple[FloatArray, float]:
    """Return shift (2,) at the origin and turn of ``kept`` (n, 2) against ``place``."""
    if len(np.unique(place, axis=0)) < ENOUGH:
        return np.median(kept - place, axis=0), 0.0
    follow = np.ones(len(place), dtype=bool)
    for _ in range(FITS):
        shift, turn, sd = _fit(place[follow], kept[follow])
        off = np.hypot(*(kept - _turned(place, turn) - shift).T)
        reach = max(STRAY * ROBUST * float(np.median(off)), limit)
        if (off <= reach).sum() < ENOUGH or ((off <= reach) == follow).all():
            break
        follow = off <= reach
    if abs(turn) <= TOLD * sd:
        return (kept[follow] - place[follow]).mean(axis=0), 0.0
    return shift, turn


def _fit(place: FloatArray, kept: FloatArray) -> tuple[FloatArray, float, float]:
    """Return shift at the origin, turn and the turn's sd by least squares, any turn allowed."""
    middle, other = place.mean(axis=0), kept.mean(axis=0)
    p, q = place - middle, kept - other
    turn = float(np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum()))
    shift = other - _turned(middle[None], turn)[0]
    rest = kept - _turned(place, turn) - shift
    freedom = max(2 * len(place) - 3, 1)
    return shift, turn, float(np.sqrt((rest**2).sum() / freedom / (p**2).sum()))


def _turned(plan: FloatArray, turn: float) -> FloatArray:
    """Turn plan coordinates (n, 2) clockwise about the origin."""
    cosine, sine = np.cos(turn), np.sin(turn)
    return np.asarray(plan @ np.array([[cosine, sine], [-sine, cosine]]))


def _laid_on(kept: FloatArray, place: FloatArray) -> FloatArray:
    """Return stored coordinates shifted and turned onto the site as a whole."""
    laid = kept.copy()
    flat = np.isfinite(kept[:, :2] - place[:, :2]).all(axis=1)
    if flat.any():
        shift, turn, _ = _fit(kept[flat, :2], place[flat, :2])
        laid[:, :2] = _turned(kept[:, :2], turn) + shift
    laid[:, 2] -= np.nanmedian(kept[:, 2] - place[:, 2]) if np.isfinite(kept[:, 2]).any() else 0.0
    return laid


def compass(shift: FloatArray) -> str:
    """Return the one of eight winds that a plan shift (2,) goes to.

    >>> compass(np.array([0.012, 0.001])), compass(np.array([-1.0, 1.0]))
    ('north', 'south-east')
    """
    eighth = float(np.arctan2(shift[1], shift[0])) / (np.pi / 4.0)
    return WINDS[int(np.rint(eighth)) % 8]
