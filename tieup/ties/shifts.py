"""From what the observations say of each tie to its shift: solve what shows, no more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import chi_square_log_tail
from tieup.adjust.estimable import TESTABLE, Information, estimates
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.multiple_testing import chance_of

PLAN, UP = np.arange(2), np.array([2])
VAGUE = 0.1  # m; a difference with a larger sd is no tie: only a trace of a reading gives it


@dataclass(frozen=True)
class Shifts:
    """Shifts of t ties: ``difference`` (t, 3) in m, ``covariance`` (t, 3, 3), NaN where untested.

    ``plan`` (t,) is the size in plan and ``plan_sd`` its sd along itself; where only one line is
    tested, the part along it. ``plan_statistic`` is chi-square with ``plan_freedom`` degrees.
    """

    difference: FloatArray
    covariance: FloatArray
    plan: FloatArray
    plan_sd: FloatArray
    plan_statistic: FloatArray
    plan_freedom: IntArray

    @property
    def height_statistic(self) -> FloatArray:
        """Return the chi-square (t,) of the height differences, one degree."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.difference[:, 2] ** 2 / self.covariance[:, 2, 2])

    def chances(self) -> FloatArray:
        """Return the chance of a difference this large, plan and height (2, t); NaN untested."""
        tested = np.isfinite(self.difference[:, 2]).astype(np.int64)
        flat = chance_of(self.plan_statistic, self.plan_freedom)
        return np.array([flat, chance_of(self.height_statistic, tested)])

    def clearness(self) -> FloatArray:
        """Return how clearly each tie (t,) differs: minus the log of its smaller chance."""
        degrees = np.maximum(self.plan_freedom, 1)
        flat = chi_square_log_tail(self.plan_statistic, degrees)
        up = chi_square_log_tail(self.height_statistic, np.ones_like(degrees))
        return np.asarray(-np.nan_to_num(np.array([flat, up]), nan=0.0).min(axis=0))

    def without_vague(self, largest: float) -> Shifts:
        """Return the shifts as untested where their sd is beyond ``largest`` (m)."""
        with np.errstate(invalid="ignore"):
            flat, up = self.plan_sd > largest, self.covariance[:, 2, 2] > largest**2
        difference, covariance = self.difference.copy(), self.covariance.copy()
        for vague, parts in ((flat, PLAN), (up, UP)):
            difference[np.ix_(vague, parts)] = np.nan
            covariance[np.ix_(vague, parts, np.arange(3))] = np.nan
            covariance[np.ix_(vague, np.arange(3), parts)] = np.nan
        return Shifts(
            difference,
            covariance,
            np.where(flat, np.nan, self.plan),
            np.where(flat, np.nan, self.plan_sd),
            np.where(flat, np.nan, self.plan_statistic),
            np.where(flat, 0, self.plan_freedom),
        )

    def _lost_parts(self, before: Shifts) -> tuple[BoolArray, BoolArray]:
        plan = self.plan_freedom < before.plan_freedom
        up = np.isnan(self.difference[:, 2]) & ~np.isnan(before.difference[:, 2])
        return plan, up

    def lost(self, before: Shifts) -> BoolArray:
        """Say which ties (t,) showed more in ``before``, in plan or in height."""
        plan, up = self._lost_parts(before)
        return plan | up

    def where_lost(self, before: Shifts) -> Shifts:
        """Return these shifts, with those of ``before`` where these no longer show."""
        plan, up = self._lost_parts(before)
        difference, covariance = self.difference.copy(), self.covariance.copy()
        for lost, parts in ((plan, PLAN), (up, UP)):
            rows = np.flatnonzero(lost)
            difference[np.ix_(rows, parts)] = before.difference[np.ix_(rows, parts)]
            covariance[np.ix_(rows, parts, parts)] = before.covariance[np.ix_(rows, parts, parts)]
        return Shifts(
            difference,
            covariance,
            np.where(plan, before.plan, self.plan),
            np.where(plan, before.plan_sd, self.plan_sd),
            np.where(plan, before.plan_statistic, self.plan_statistic),
            np.where(plan, before.plan_freedom, self.plan_freedom),
        )


def solve_shifts(info: Information, asked: BoolArray | None = None) -> Shifts:
    """Solve for the shifts; in plan alone or in height alone where not all three show.

    ``asked`` (t, 3): only for these components, where given.
    """
    every = np.ones(info.push.shape, dtype=np.bool_) if asked is None else asked

    def barred(parts: IntArray, rows: IntArray) -> BoolArray:
        unasked = np.asarray(~every[np.ix_(rows, parts)].all(axis=1))
        return unasked | _lost_in_plan(info.left[rows]) if parts is PLAN else unasked

    difference, covariance = estimates(info, (np.arange(3), PLAN, UP), barred)
    return _with_sizes(difference, covariance, _along_one_line(info, difference, every))


def _with_sizes(difference: FloatArray, covariance: FloatArray, line: FloatArray) -> Shifts:
    """Add size, sd along itself and statistic in plan; ``line`` (t, 2) where one line shows."""
    flat = covariance[:, :2, :2]
    full = np.isfinite(flat).all(axis=(1, 2))
    shift = difference[:, :2]
    size = np.where(full, np.hypot(shift[:, 0], shift[:, 1]), line[:, 0])
    statistic, sd = (line[:, 0] / line[:, 1]) ** 2, line[:, 1].copy()
    unit = shift[full] / np.maximum(size[full], 1e-12)[:, None]
    sd[full] = np.sqrt(np.einsum("ti,tij,tj->t", unit, flat[full], unit))
    inverse = np.linalg.inv(flat[full])
    statistic[full] = np.einsum("ti,tij,tj->t", shift[full], inverse, shift[full])
    freedom = np.where(full, 2, np.isfinite(statistic).astype(np.int64))
    return Shifts(difference, covariance, size, sd, statistic, freedom)


def _lost_in_plan(left: FloatArray) -> BoolArray:
    """Say where the shift that shows least lies in plan rather than in height.

    A sight without distance has a zenith angle to say how high along its line the mark is: with
    the height taken as known that would pass for a distance.
    """
    _, axes = np.linalg.eigh(left)
    return np.asarray(np.abs(axes[:, 2, 0]) < np.sqrt(0.5))


def _along_one_line(info: Information, difference: FloatArray, asked: BoolArray) -> FloatArray:
    """Return size and sd (t, 2) of the plan shift along the best tested line."""
    seen, left, push = info.seen, info.left, info.push
    line = np.full((len(push), 2), np.nan)
    rows = np.flatnonzero(np.isnan(difference[:, 0]) & asked[:, :2].all(axis=1))
    _, axes = np.linalg.eigh(left[rows, :2, :2])
    best = axes[:, :, 1]
    kept = np.einsum("ti,tij,tj->t", best, left[rows, :2, :2], best)
    whole = np.einsum("ti,tij,tj->t", best, seen[rows, :2, :2], best)
    shows = kept > np.maximum(TESTABLE * whole, 1e-9)
    pushed = np.einsum("ti,ti->t", best, push[rows, :2])
    line[rows[shows], 0] = np.abs(pushed[shows] / kept[shows])
    line[rows[shows], 1] = kept[shows] ** -0.5
    return line
