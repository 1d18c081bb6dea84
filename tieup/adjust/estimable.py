"""From what the observations say of a bias to its size: solve for what shows, and no more.

A bias shows where, of what it would put into the observations, the residuals keep a share:
the smallest eigenvalue of left against seen, the same however the axes are turned. Where not all
of its parts show together, some of them may when the others are known to be nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray

TESTABLE = 1e-3  # smallest share of a bias that must stay visible in the residuals
APART = 1e12  # condition beyond which the parts of a bias are not told apart even by themselves


@dataclass(frozen=True)
class Information:
    """What is known of the biases b of t alternatives of q columns C each, or of one.

    ``seen`` C'C (t, q, q): information with everything else known. ``left`` C'RC (t, q, q): with
    everything else estimated. ``push`` -C'v (t, q): weighted misclosure; b = left^-1 push.
    """

    seen: FloatArray
    left: FloatArray
    push: FloatArray


def stacked(known: Sequence[Information], size: int) -> Information:
    """Return what is known of several biases of ``size`` q columns as of one stack."""
    shape = len(known), size, size
    return Information(
        np.array([one.seen for one in known]).reshape(shape),
        np.array([one.left for one in known]).reshape(shape),
        np.array([one.push for one in known]).reshape(shape[:2]),
    )


def estimates(
    info: Information,
    blocks: Sequence[IntArray],
    barred: Callable[[IntArray, IntArray], BoolArray] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the sizes (t, q) and covariances (t, q, q), NaN in what does not show.

    ``blocks`` are the parts to solve for together, in turn; ``barred`` says of a block and the
    alternatives (n,) in which it shows, in which of them (n,) it is not to be solved for.
    """
    size, covariance = np.full(info.push.shape, np.nan), np.full(info.left.shape, np.nan)
    for parts in blocks:
        rows = np.flatnonzero(np.isnan(size[:, parts]).all(axis=1))
        square = np.ix_(rows, parts, parts)
        rows = rows[estimable(info.seen[square], info.left[square])]
        if barred is not None:
            rows = rows[~barred(parts, rows)]
        inverse = np.linalg.inv(info.left[np.ix_(rows, parts, parts)])
        size[np.ix_(rows, parts)] = (inverse @ info.push[np.ix_(rows, parts)][:, :, None])[:, :, 0]
        covariance[np.ix_(rows, parts, parts)] = inverse
    return size, covariance


def estimable(seen: FloatArray, left: FloatArray) -> BoolArray:
    """Say which biases (t,) stay visible: by the smallest share that the residuals keep of them."""
    scale = np.diagonal(seen, axis1=1, axis2=2)
    unit = np.sqrt(1.0 / np.where(scale > 0, scale, 1.0))
    both = unit[:, :, None] * unit[:, None, :]
    measured: BoolArray = (scale > 0).all(axis=1) & (np.linalg.cond(both * seen) < APART)
    share = np.zeros(len(seen))
    root = np.linalg.inv(np.linalg.cholesky((both * seen)[measured]))
    kept = root @ (both * left)[measured] @ root.transpose(0, 2, 1)
    share[measured] = np.linalg.eigvalsh(kept)[:, 0]
    return np.asarray(share > TESTABLE)


def freed(
    info: Information, chosen: IntArray, free: Sequence[int], cross: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return left (n, q, q) and push (n, q) of the ``chosen`` (n,) with others set free.

    ``free`` are k alternatives that may be as large as they like, ``cross`` (t, q, k q) is B'RC
    of every alternative B with them.
    """
    columns = cross.shape[2]
    normal = cross[list(free)].reshape(columns, columns)
    inverse = np.linalg.pinv((normal + normal.T) / 2.0, rcond=TESTABLE, hermitian=True)
    own, pushed = cross[chosen], info.push[list(free)].reshape(-1)
    left = info.left[chosen] - own @ inverse @ own.transpose(0, 2, 1)
    return left, info.push[chosen] - own @ (inverse @ pushed)
