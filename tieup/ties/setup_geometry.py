"""How well each setup stands: the geometry words of setups.csv and the numbers behind them.

The word says what is weak about the shape, the worst first:

=============  =============================================================================
disconnected   not part of the solved site
single         one tie: it can swing about it, or hangs on it
danger-circle  angles only, and the station near the circle through its marks
in-line        a free station whose marks stand in or near one line with it
two-tie        two marks prove the distance between them and nothing else
weak           marks in a narrow fan or in a line of their own, work carried far beyond the
               marks, or fewer than two marks that anything tests
strong         none of these
=============  =============================================================================

The numbers come from the adjustment of the whole site, with the full covariance: the
largest sd that the setup's own position and orientation give to anything it shot, and the
smallest mistake at one of its marks that would be caught whichever mark it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import noncentrality
from tieup.adjust.solution import Adjustment
from tieup.geometry import azimuth, wrap_full
from tieup.model.arrays import FloatArray
from tieup.model.geometry_words import CIRCLE, DISCONNECTED, LINE, SINGLE, STRONG, TWO, WEAK
from tieup.ties.free_station_precision import danger
from tieup.ties.marks import MarkTies, smallest_caught
from tieup.ties.sector import Sector, best_sector, shot_sd
from tieup.ties.views import View, views_of

# Common practice, no source, all of them.
NARROW = math.radians(60.0)  # fan of a free station's marks
FAR = 1.5  # work carried beyond so many times the longest sight of a mark
ON_CIRCLE = 0.15  # of the radius, from the danger circle
NEAR_LINE = math.radians(20.0)  # marks and instrument in line: bearings, turned over, this close
ROW = 0.05  # scatter of marks across their own line over that along it
ALPHA, POWER = 0.001, 0.80
MOST_SECTORS = 200  # setups for which a place for a new mark is worked out


@dataclass(frozen=True)
class Geometry:
    """Geometry of one setup; angles in rad, lengths in m, NaN where undefined.

    ``why`` is the reason for the word. ``ties``: shared or control marks, the one occupied
    included. ``spread``: the fan of its marks, the full circle less the widest gap; ``outer``:
    the angle between the two marks where there are two. ``sd_plan``, ``sd_height``: largest sd
    that the setup's own pose gives a shot. ``redundancy``: sum of the redundancy numbers of its
    sights of ties and its plumb line, ``least_redundancy`` the smallest. ``caught_plan``,
    ``caught_height``: the smallest mistake that would be caught at any of its tested marks,
    infinite where none is tested. ``beyond``: shots beyond 1.5 times the longest tie.
    ``sector``: where a mark would help most, None where none is needed or one is not enough.
    """

    word: str
    why: str
    ties: int
    spread: float
    outer: float
    sd_plan: float
    sd_height: float
    redundancy: float
    least_redundancy: float
    caught_plan: float
    caught_height: float
    longest_tie: float
    longest_shot: float
    beyond: int
    sector: Sector | None

    @property
    def sd(self) -> float:
        """Return the number behind the word: the largest predicted sd (m)."""
        return float(np.fmax(self.sd_plan, self.sd_height))


def setup_geometry(adjustment: Adjustment, ties: MarkTies) -> tuple[Geometry, ...]:
    """Describe the geometry of every setup."""
    caught = smallest_caught(ties, math.sqrt(noncentrality(ALPHA, POWER)))
    worst = np.full((len(adjustment.axis), 2), -np.inf)
    np.maximum.at(worst, ties.setup, np.where(np.isfinite(caught), caught, -np.inf))
    worst = np.where(np.isfinite(worst), worst, np.inf)
    result: list[Geometry] = []
    left = MOST_SECTORS
    for s, view in enumerate(views_of(adjustment, ties)):
        word, why = _word(adjustment, s, view)
        sector = None
        if word not in (STRONG, DISCONNECTED, SINGLE) and left > 0:
            sector, left = _sector(word, view), left - 1
        result.append(_describe(adjustment, s, view, (word, why), worst[s], sector))
    return tuple(result)


def fan(bearings: FloatArray) -> float:
    """Return the angle (rad) that holds all bearings (k,): the full circle less the widest gap."""
    if not len(bearings):
        return math.nan
    ordered = np.sort(wrap_full(bearings))
    gaps = np.diff(np.append(ordered, ordered[0] + 2 * np.pi))
    return float(2 * np.pi - gaps.max())


def _word(adjustment: Adjustment, s: int, view: View) -> tuple[str, str]:
    """Return the word for a setup and the reason in words."""
    problem = adjustment.problem
    if not problem.solved_setup[s] or problem.network.start.component[s] != 0:
        return DISCONNECTED, "it shares too little with the other setups to be placed"
    ties = len(view.marks) + (view.under >= 0)
    free = view.under < 0
    bearings = azimuth(view.offset[:, 0], view.offset[:, 1])
    if ties <= 1:
        alone = "it can swing about it" if problem.turned[s] else "all of it hangs on that one"
        return SINGLE, f"one tie only: {alone}" if ties else "no tie at all"
    if free and not np.isfinite(view.sd[:, 1]).any() and danger(view.offset) < ON_CIRCLE:
        return CIRCLE, "angles only, near the circle through its marks"
    if free and fan(2.0 * bearings) / 2.0 < NEAR_LINE:
        return LINE, "marks and instrument in one line: a sideways mistake would not show"
    if ties == 2 and problem.turned[s]:
        return TWO, "two marks prove the distance between them and nothing else"
    reasons = _weaknesses(adjustment, s, view, bearings if free else None)
    return (WEAK, reasons[0]) if reasons else (STRONG, "")


def _weaknesses(adjustment: Adjustment, s: int, view: View, free: FloatArray | None) -> list[str]:
    reasons = []
    if free is not None and fan(free) < NARROW:
        reasons.append(f"its marks lie in a fan of {math.degrees(fan(free)):.0f} degrees")
    if free is not None and _in_a_row(view.offset):
        reasons.append("its marks stand in a line: a mirrored circle would not show")
    beyond = _beyond(view)
    if beyond:
        shots = "shot" if beyond == 1 else "shots"
        reasons.append(f"{beyond} {shots} beyond {FAR} times its longest tie")
    plan, height = view.tested
    if plan < 2:
        reasons.append("fewer than two of its marks are tested in plan")
    if height < 2 and adjustment.problem.network.start.height_setup[s]:
        reasons.append("fewer than two of its marks are tested in height")
    return reasons


def _in_a_row(offset: FloatArray) -> bool:
    """Say whether three or more marks stand in one line."""
    size = np.linalg.svd(offset - offset.mean(axis=0), compute_uv=False)
    return bool(size[1] < ROW * size[0])


def _lengths(offset: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(offset[:, 0], offset[:, 1]))


def _beyond(view: View) -> int:
    if not len(view.marks):
        return 0
    return int((_lengths(view.work) > FAR * _lengths(view.offset).max()).sum())


def _sector(word: str, view: View) -> Sector | None:
    """Return where one more mark helps most; opposite its marks for a setup over a mark."""
    bearings = azimuth(view.offset[:, 0], view.offset[:, 1])
    if view.under >= 0:
        main = float(np.angle(np.exp(1j * bearings).sum()))
        opposite = wrap_full(np.array([main + np.pi / 2, main - np.pi / 2]))
        return Sector(float(opposite[0]), float(opposite[1]), math.nan)
    line = float(np.angle(np.exp(2j * bearings).sum()) / 2) if word == LINE else math.nan
    return best_sector(view.offset, view.sd, view.shots, line)


def _describe(
    adjustment: Adjustment,
    s: int,
    view: View,
    word: tuple[str, str],
    caught: FloatArray,
    sector: Sector | None,
) -> Geometry:
    covariance = adjustment.setup_covariance[s]
    plan = covariance[np.ix_([0, 1, 3], [0, 1, 3])]
    level = adjustment.problem.network.start.height_setup[s]
    bearings = azimuth(view.offset[:, 0], view.offset[:, 1])
    two = len(view.marks) == 2
    return Geometry(
        word=word[0],
        why=word[1],
        ties=len(view.marks) + (view.under >= 0),
        spread=fan(bearings),
        outer=fan(bearings) if two else math.nan,
        sd_plan=float(shot_sd(plan, view.shots)) if np.isfinite(plan).all() else math.nan,
        sd_height=float(np.sqrt(covariance[2, 2])) if level else math.nan,
        redundancy=float(view.redundancy.sum()),
        least_redundancy=float(view.redundancy.min(initial=1.0)) if len(view.redundancy) else 0.0,
        caught_plan=float(caught[0]),
        caught_height=float(caught[1]),
        longest_tie=float(_lengths(view.offset).max(initial=0.0)),
        longest_shot=float(_lengths(view.shots).max(initial=0.0)),
        beyond=_beyond(view),
        sector=sector,
    )
