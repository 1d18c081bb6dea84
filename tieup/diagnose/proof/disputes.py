"""Points between two stories: where they lie if another cause, that fits as well, is the true one.

What a mistake left out is put back and what its rival contaminates is left out instead; the site is
solved anew. A point whose place differs by more than matters is disputed, and no side wins; so is
one that one of them leaves without a height: by that one the pole that gave it is wrong. Two
solutions that nothing known holds lie in frames of their own: the other one is first laid on this
one, by the points that agree (least sum of distances, so that those in dispute do not pull).
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
from tieup.network.rigid import fit_rigid

SURE = 3.0  # sds by which two places must differ
HALF = 0.5  # share of a tolerance that matters
MOST = 12  # stories that are solved anew
AGREE = 1e-4  # m; points nearer than that after a fit count alike in the next one
FITS = 30  # fits of one frame to another


@dataclass(frozen=True)
class Story:
    """One cause in a ``clause`` and where a point lies by it: ``place`` (3,), ``sd`` (3,) in m.

    NaN where that cause leaves nothing that tells.
    """

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
        """Return the mean place (3,) and the variances (3,) that cover all stories.

        NaN in what a story leaves untold.
        """
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
    common = [(n, name) for n, name in enumerate(solved.case.points) if name in number]
    pairs = [(_placed(solved, n), _placed(other, number[name])) for n, name in common]
    if solved.adjustment.defect:
        pairs = _in_one_frame(pairs)
    found = []
    for (_, name), (here, there) in zip(common, pairs, strict=True):
        if _differ(here[0], there[0], np.maximum(here[1], there[1]), limits):
            found.append((name, here, there))
    return found


def _in_one_frame(pairs: list[tuple[Placed, Placed]]) -> list[tuple[Placed, Placed]]:
    """Lay the second place of each pair on the first by one shift, turn and rise of all."""
    here, there = (np.array([pair[k][0] for pair in pairs]) for k in (0, 1))
    flat = np.flatnonzero(np.isfinite(here[:, :2] + there[:, :2]).all(axis=1))
    if len(flat) > 1:
        one, two = ((p[:, 0] + 1j * p[:, 1]) for p in (here[flat], there[flat]))
        weight = np.ones(len(flat))
        for _ in range(FITS):
            turn, shift = fit_rigid(one, two, weight)
            weight = 1.0 / np.maximum(np.abs(one - turn * two - shift), AGREE)
        laid = turn * (there[:, 0] + 1j * there[:, 1]) + shift
        there = np.column_stack([laid.real, laid.imag, there[:, 2]])
    rise = here[:, 2] - there[:, 2]
    if np.isfinite(rise).any():
        there[:, 2] += np.nanmedian(rise)
    return [(own, (place, other[1])) for (own, other), place in zip(pairs, there, strict=True)]


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
    """Say whether two places are so far apart that it matters, or only one has a height."""
    if np.isfinite(here[:2] + there[:2]).all() and np.isfinite(here[2]) != np.isfinite(there[2]):
        return True
    away = there - here
    plan, height = float(np.hypot(away[0], away[1])), float(abs(away[2]))
    spread = float(np.hypot(sd[0], sd[1]))
    in_plan = plan > max(HALF * limits.horizontal, SURE * spread)
    in_height = height > max(HALF * limits.elevation, SURE * float(sd[2]))
    return bool(in_plan or in_height)
