"""Points between two stories: where they lie if another cause, that fits as well, is the true one.

What a mistake left out is put back and what its rival contaminates is left out instead; the site is
solved anew. A point whose place differs by more than matters is disputed, and no side wins.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.kinds.catalogue import clause, kind_of, stays_in
from tieup.errors import TieupError
from tieup.model.arrays import FloatArray
from tieup.model.settings import Tolerances

SURE = 3.0  # sds by which two places must differ
HALF = 0.5  # share of a tolerance that matters
MOST = 12  # stories that are solved anew


@dataclass(frozen=True)
class Story:
    """One cause in a ``clause`` and where a point lies by it: ``place`` (3,), ``sd`` (3,) in m."""

    clause: str
    place: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class Dispute:
    """A ``point`` and its stories, that of the ``mistake`` first."""

    mistake: Mistake
    point: str
    stories: tuple[Story, ...]

    def middle(self) -> tuple[FloatArray, FloatArray]:
        """Return the mean place (3,) and the variances (3,) that cover all stories."""
        places = np.array([story.place for story in self.stories])
        variances = np.array([story.sd**2 for story in self.stories])
        mean = places.mean(axis=0)
        return mean, np.asarray((variances + (places - mean) ** 2).mean(axis=0))


def find_disputes(
    solved: Solved, original: Case, mistakes: tuple[Mistake, ...], limits: Tolerances
) -> tuple[Dispute, ...]:
    """Return the points whose place depends on which of several causes is true."""
    disputes: list[Dispute] = []
    left = MOST
    for mistake in mistakes:
        rivals = [r for r in mistake.rivals if not r.separable and r.cause is not None]
        if not rivals or stays_in(mistake):
            continue
        found: dict[str, list[Story]] = {}
        own = Story(clause(mistake.kind, mistake.setup, mistake.points), *_nothing())
        for rival in rivals[:left]:
            left -= 1
            other = _by(solved, original, mistake, rival.cause)
            if other is None:
                continue
            words = clause(rival.kind, rival.setup, rival.points)
            for point, here, there in _apart(solved, other, limits):
                stories = found.setdefault(point, [replace(own, place=here[0], sd=here[1])])
                if all(_differ(story.place, there[0], there[1], limits) for story in stories):
                    stories.append(Story(words, *there))
        disputes += [Dispute(mistake, point, tuple(s)) for point, s in found.items()]
    return tuple(disputes)


def _nothing() -> tuple[FloatArray, FloatArray]:
    return np.full(3, np.nan), np.full(3, np.nan)


def _by(solved: Solved, original: Case, mistake: Mistake, rival: Mistake | None) -> Solved | None:
    """Return the solution by a rival cause, None where it has none."""
    if rival is None:
        return None
    try:
        case = kind_of(mistake).put_back(solved.case, original, mistake)
        if stays_in(rival):
            return None
        kind = kind_of(rival)
        return solve(kind.taken_out(case, kind.renamed(case, rival)))
    except (TieupError, ValueError, StopIteration, IndexError):
        return None  # the cause cannot be put in the place of the other


Placed = tuple[FloatArray, FloatArray]


def _apart(solved: Solved, other: Solved, limits: Tolerances) -> list[tuple[str, Placed, Placed]]:
    """Return the points that lie elsewhere in the other solution, with both places and sds."""
    number = {name: n for n, name in enumerate(other.case.points)}
    found = []
    for n, name in enumerate(solved.case.points):
        if name not in number:
            continue
        here, there = _placed(solved, n), _placed(other, number[name])
        if _differ(here[0], there[0], np.maximum(here[1], there[1]), limits):
            found.append((name, here, there))
    return found


def _placed(solved: Solved, point: int) -> Placed:
    place = solved.adjustment.position[point] + solved.network.origin
    height = solved.network.start.height_point[point]
    variance = np.diagonal(solved.adjustment.point_covariance[point])
    sd = np.sqrt(np.maximum(variance, 0.0))
    if not height:
        place, sd = place.copy(), sd.copy()
        place[2] = sd[2] = np.nan
    return place, sd


def _differ(here: FloatArray, there: FloatArray, sd: FloatArray, limits: Tolerances) -> bool:
    away = there - here
    plan, height = float(np.hypot(away[0], away[1])), float(abs(away[2]))
    spread = float(np.hypot(sd[0], sd[1]))
    in_plan = plan > max(HALF * limits.horizontal, SURE * spread)
    in_height = height > max(HALF * limits.elevation, SURE * float(sd[2]))
    return bool(in_plan or in_height)
