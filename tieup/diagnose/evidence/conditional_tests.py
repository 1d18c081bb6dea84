"""Combine mistakes: test, accept, look back, all on one Gram matrix.

With mistakes A accepted, every other hypothesis h is tested given them:

    s_h|A = s_h - K_hA K_AA^-1 s_A      K_hh|A = K_hh - K_hA K_AA^-1 K_Ah
    T_h|A = s_h|A' K_hh|A^-1 s_h|A      (chi-square, as many degrees as h has sizes)

so that mistakes that mask each other are seen once one of them is accepted, and one
that was accepted only because of another shows up as no longer wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.diagnose.evidence.evidence import Stack
from tieup.model.arrays import BoolArray, FloatArray

DEPENDENT = 1e-8  # smallest eigenvalue of a scaled Gram matrix of mistakes that can be told apart
INVISIBLE = 1e-4  # share of a column that must remain after the accepted ones are taken out


@dataclass(frozen=True)
class Conditional:
    """Scores (h,) given the accepted columns, and what to take off K: weights @ cross'."""

    score: FloatArray
    weights: FloatArray
    cross: FloatArray


def condition(stack: Stack, accepted: Sequence[int]) -> Conditional:
    """Take the accepted hypotheses out of all columns."""
    chosen = stack.index(accepted)
    cross = stack.cross(chosen)
    solved = np.linalg.lstsq(stack.own(chosen), cross.T, rcond=1e-10)[0]
    weights: FloatArray = np.asarray(solved.T, dtype=np.float64)
    return Conditional(stack.score - weights @ stack.score[chosen], weights, cross)


def judge_all(stack: Stack, accepted: tuple[int, ...] = ()) -> FloatArray:
    """Test every hypothesis given the accepted ones.

    Returns
    -------
    T of each (n,), NaN where the evidence says nothing about it and for the accepted.
    """
    given = condition(stack, accepted)
    statistic = np.full(len(stack.span), np.nan)
    for alike in stack.alike:
        index = alike.columns
        own = alike.block - given.weights[index] @ given.cross[index].transpose(0, 2, 1)
        statistic[alike.numbers] = _statistics(own, stack.whole[index], given.score[index])
    statistic[list(accepted)] = np.nan
    return statistic


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
    chosen = stack.index(accepted)
    inverse: FloatArray = np.asarray(np.linalg.pinv(stack.own(chosen), hermitian=True), np.float64)
    place = np.isin(chosen, stack.index((which,)))
    sizes = inverse @ stack.score[chosen]
    return sizes[place], inverse[np.ix_(place, place)]


def explained(stack: Stack, chosen: Sequence[int]) -> float:
    """Return what a set explains of v'Pv; -inf where its parts cannot be told apart."""
    index = stack.index(chosen)
    own = stack.own(index)
    size = np.sqrt(np.maximum(np.diagonal(own), 1e-300))
    values, vectors = np.linalg.eigh(own / (size[:, None] * size))
    if values[0] < DEPENDENT:
        return -np.inf
    along = vectors.T @ (stack.score[index] / size)
    return float(np.sum(along**2 / values))
