"""Combine mistakes: test, accept, look back, all on one Gram matrix.

With mistakes A accepted, every other hypothesis h is tested given them:

    s_h|A = s_h - K_hA K_AA^-1 s_A      K_hh|A = K_hh - K_hA K_AA^-1 K_Ah
    T_h|A = s_h|A' K_hh|A^-1 s_h|A      (chi-square, as many degrees as h has sizes)

so that mistakes that mask each other are seen once one of them is accepted, and one
that was accepted only because of another shows up as no longer wanted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import chi_square_log_tail
from tieup.diagnose.evidence import Stack
from tieup.model.arrays import BoolArray, FloatArray

INVISIBLE = 1e-4  # share of a column that must remain after the accepted ones are taken out


@dataclass(frozen=True)
class Tested:
    """Tests of every hypothesis given the accepted ones, arrays (n,).

    ``statistic`` T, NaN where the evidence says nothing about it, and ``log_tail``, the
    logarithm of its p-value.
    """

    statistic: FloatArray
    log_tail: FloatArray


@dataclass(frozen=True)
class Conditional:
    """Scores (h,) and Gram matrix (h, h) given the accepted columns."""

    score: FloatArray
    gram: FloatArray


def condition(stack: Stack, accepted: tuple[int, ...]) -> Conditional:
    """Take the accepted hypotheses out of all columns."""
    if not accepted:
        return Conditional(stack.score, stack.gram)
    chosen = np.concatenate([np.arange(stack.span[a].start, stack.span[a].stop) for a in accepted])
    own = stack.gram[np.ix_(chosen, chosen)]
    cross = stack.gram[:, chosen]
    weights = np.linalg.lstsq(own, cross.T, rcond=1e-10)[0].T
    return Conditional(stack.score - weights @ stack.score[chosen], stack.gram - weights @ cross.T)


def judge_all(stack: Stack, accepted: tuple[int, ...] = ()) -> Tested:
    """Test every hypothesis given the accepted ones (these themselves get NaN)."""
    given = condition(stack, accepted)
    statistic = np.full(len(stack.span), np.nan)
    degrees = np.array([span.stop - span.start for span in stack.span])
    for q in np.unique(degrees):
        numbers = np.flatnonzero(degrees == q)
        index = np.array([stack.span[n].start for n in numbers])[:, None] + np.arange(q)
        own = given.gram[index[:, :, None], index[:, None, :]]
        before = np.diagonal(stack.gram)[index]
        statistic[numbers] = _statistics(own, before, given.score[index])
    statistic[list(accepted)] = np.nan
    tail = np.full(len(statistic), 0.0)
    seen = np.isfinite(statistic)
    tail[seen] = chi_square_log_tail(statistic[seen], degrees[seen])
    return Tested(statistic, tail)


def _statistics(own: FloatArray, before: FloatArray, score: FloatArray) -> FloatArray:
    """Return T (n,) for blocks (n, q, q); NaN where a direction is not visible any more."""
    size = np.sqrt(np.maximum(before, 1e-300))
    scaled = own / (size[:, :, None] * size[:, None, :])
    visible: BoolArray = np.asarray((before > 1e-8).all(axis=1))
    visible[visible] &= np.linalg.eigvalsh(scaled[visible])[:, 0] > INVISIBLE
    result = np.full(len(own), np.nan)
    solution = np.linalg.solve(own[visible], score[visible][:, :, None])[:, :, 0]
    result[visible] = np.einsum("nq,nq->n", solution, score[visible])
    return result


def estimate(stack: Stack, accepted: tuple[int, ...], which: int) -> tuple[FloatArray, FloatArray]:
    """Return the sizes (q,) of one accepted hypothesis and their covariance (q, q)."""
    others = tuple(a for a in accepted if a != which)
    given = condition(stack, others)
    span = stack.span[which]
    covariance: FloatArray = np.linalg.pinv(given.gram[span, span], hermitian=True)
    return covariance @ given.score[span], covariance
