"""How the readings of a large site scatter: variance components by connection.

The trace of W V_k W V_l over the whole site is taken connection by connection, from the leverages
that the selected inverse gives, and brought to the right total, which is the redundancy. With
thousands of checks the prior hardly counts, and one scoring step is near enough.

Reference: Förstner (1979), Koch (1999), variance components in the simplified form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.scatter import BY_WHOLE, Scatter, prior_weights, scatter_as_stated
from tieup.adjust.weights import noise_parts
from tieup.diagnose.evidence.evidence import Evidence
from tieup.model.arrays import FloatArray
from tieup.model.settings import Precision

CLIP = 3.0  # sds beyond which a reading has no more say; 0.27 % of normal ones are beyond
CLIPPED_SQUARE = 0.9923  # mean square of a normal variable clipped there
ROUNDS = 6


def block_scatter(
    evidence: Evidence, precision: Precision, *, clipped: bool = True
) -> Scatter | None:
    """Return the scatter of a large site, None where nothing is checked.

    ``clipped``: mistakes may still be in it; a reading far out counts as one at its limit.
    """
    blocks = _blocks_of(evidence, precision)
    if blocks is None:
        return None
    residual = _residuals(evidence.adjustment.whitened, blocks.kept, clipped=clipped)
    squares = np.einsum("ci,kcij,cj->k", residual, blocks.parts, residual)
    return _scored(
        squares / (CLIPPED_SQUARE if clipped else 1.0), blocks.shares, blocks.information
    )


def expected_block_scatter(evidence: Evidence, precision: Precision) -> Scatter | None:
    """Return what is expected of the scatter of a large site whose readings scatter as stated."""
    blocks = _blocks_of(evidence, precision)
    if blocks is None:
        return None
    return scatter_as_stated(blocks.shares, blocks.information)


@dataclass(frozen=True)
class _Blocks:
    """``kept`` (c, 3, 3) of each connection, ``parts`` (5, c, 3, 3), the groups' ``shares`` (5,).

    ``information`` (5, 5) is that of the logs of the factors.
    """

    kept: FloatArray
    parts: FloatArray
    shares: FloatArray
    information: FloatArray


def _blocks_of(evidence: Evidence, precision: Precision) -> _Blocks | None:
    adjustment = evidence.adjustment
    own = evidence.network.sights
    raw = noise_parts(adjustment.connections, own, precision, adjustment.axis, adjustment.position)
    noise = adjustment.noise
    kept = np.eye(3) - adjustment.leverage
    kept *= (noise.scale > 0)[:, :, None] & (noise.scale > 0)[:, None, :]
    total = float(np.trace(kept, axis1=1, axis2=2).sum())
    if total <= 0.0:
        return None
    parts = np.array([noise.whitened(noise.whitened(q).transpose(0, 2, 1)) for q in raw])
    shares = np.einsum("cij,kcji->k", kept, parts)
    products = kept @ parts
    information = 0.5 * np.einsum("kcij,lcji->kl", products, products)
    information *= 0.5 * total / max(information.sum(), 1e-12)
    return _Blocks(kept, parts, shares, information)


def _residuals(whitened: FloatArray, kept: FloatArray, *, clipped: bool) -> FloatArray:
    if not clipped:
        return whitened
    limit = CLIP * np.sqrt(np.maximum(np.diagonal(kept, axis1=1, axis2=2), 0.0))
    rough = float(np.median(np.abs(whitened[limit > 0]) / limit[limit > 0])) * CLIP / 0.6745
    limit = limit * max(rough, 1.0)
    return np.asarray(np.clip(whitened, -limit, limit))


def _scored(squares: FloatArray, shares: FloatArray, information: FloatArray) -> Scatter:
    """Find the factors at which each group's squares are what they should be.

    At factors theta the squares of a group fall by theta and the shares stay, near enough.
    """
    phi, weights = np.zeros(6), prior_weights()
    for _ in range(ROUNDS):
        factors = np.exp(BY_WHOLE @ phi)
        score = 0.5 * (squares / factors - shares)
        gradient = BY_WHOLE.T @ score - 0.5 * weights * (1.0 - np.exp(-phi))
        curvature = BY_WHOLE.T @ information @ BY_WHOLE
        curvature = curvature + np.diag(weights * np.maximum(0.5 * np.exp(-phi), 0.075))
        phi = phi + np.clip(np.linalg.solve(curvature, gradient), -1.0, 1.0)
    spread = BY_WHOLE @ np.linalg.inv(curvature) @ BY_WHOLE.T
    return Scatter(np.exp(BY_WHOLE @ phi), spread, shares, 0.0, information)
