"""The misclosures of a solved site: what its observations say of each other, free of unknowns.

For a day's job they are few, and every question about scatter and mistakes is answered on them
directly: with B an orthonormal basis of what the design A leaves open, t = B'y and the columns
of a hypothesis become B'C. Pointings of one visit add their deviations from their mean.

A job too large for that has no dense form (`misclosures_of` gives None).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.hypothesis import design_matrix, everything, misclosure
from tieup.adjust.scatter import Misclosures, Scatter
from tieup.adjust.solution import Adjustment
from tieup.adjust.weights import noise_parts
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.evidence.evidence import (
    Evidence,
    Stack,
    alike_of,
    by_size,
    full_columns,
    own_parts,
    side_by_side,
    spans_of,
)
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Precision

MOST = 1000  # observations that are taken in this form


@dataclass(frozen=True)
class Dense:
    """The ``misclosures`` of a site, and the ``basis`` (n, r) that brings columns to them.

    ``observed`` marks the rows (n of all) of the adjustment's observations and of the deviations
    within visits that are taken. ``volume`` is what the log likelihood of the readings has beside
    that of the misclosures: it differs where one field book is taken in two ways.
    """

    evidence: Evidence
    misclosures: Misclosures
    basis: FloatArray
    observed: BoolArray
    volume: float

    def columns(self, hypotheses: Sequence[Hypothesis]) -> Tested:
        """Bring the columns of ``hypotheses`` to the misclosures."""
        return self.brought(full_columns(self.evidence, hypotheses), spans_of(hypotheses))

    def brought(self, full: FloatArray, spans: tuple[slice, ...]) -> Tested:
        """Bring ``full`` columns (q, h) over every observation to the misclosures."""
        observed = full[self.observed]
        whole = np.einsum("nh,nh->h", observed, observed)
        return Tested(self.misclosures, self.basis.T @ observed, whole, spans)


@dataclass(frozen=True)
class Tested:
    """Columns (r, h) of hypotheses; ``whole`` (h,) their squares with nothing estimated."""

    misclosures: Misclosures
    columns: FloatArray
    whole: FloatArray
    span: tuple[slice, ...]

    def of(self, chosen: Sequence[int]) -> FloatArray:
        """Return the columns (r, a) of the chosen hypotheses."""
        parts = [self.columns[:, self.span[number]] for number in chosen]
        return np.concatenate([np.zeros((len(self.misclosures), 0)), *parts], axis=1)

    def stack(self, factors: FloatArray) -> Stack:
        """Return the columns against the misclosures, weighed with variance ``factors`` (5,)."""
        from scipy.linalg import solve_triangular

        root = np.linalg.cholesky(self.misclosures.covariance(factors))
        flat = solve_triangular(root, self.columns, lower=True, check_finite=False)
        off = solve_triangular(root, self.misclosures.t, lower=True, check_finite=False)
        return Stack(
            columns=flat,
            remaining=flat,
            score=flat.T @ off,
            whole=self.whole,
            span=self.span,
            alike=alike_of(flat, flat, self.span),
        )

    def freedom(
        self, factors: FloatArray, scatter: Scatter, numbers: IntArray | None = None
    ) -> FloatArray:
        """Return how well the variances of hypotheses' sizes are known: degrees (n,).

        With variance ``factors`` (5,); ``scatter`` says how well those are known. Of the chosen
        ``numbers``, all where there are none.
        """
        return scatter.freedom(self.shares(factors, numbers))

    def shares(self, factors: FloatArray, numbers: IntArray | None = None) -> FloatArray:
        """Return the shares (n, 5) of the groups in the variances of hypotheses' sizes.

        theta_k tr(N^-1 C'W V_k W C) / q with variance ``factors`` (5,).
        """
        from scipy.linalg import cho_factor, cho_solve

        chosen = np.arange(len(self.span)) if numbers is None else numbers
        own = self.of(chosen.tolist())
        root = cho_factor(self.misclosures.covariance(factors), lower=True, check_finite=False)
        pushed = cho_solve(root, own, check_finite=False)
        moved = [f * (p @ pushed) for f, p in zip(factors, self.misclosures.parts, strict=True)]
        shares = np.zeros((len(chosen), 5))
        spans = side_by_side([self.span[n].stop - self.span[n].start for n in chosen.tolist()])
        for own_numbers, columns in by_size(spans):
            normal = own_parts(own, pushed, columns)
            inverse = np.linalg.pinv(normal, rcond=1e-7, hermitian=True)
            for group in range(5):
                block = own_parts(pushed, moved[group], columns)
                shares[own_numbers, group] = np.sum(inverse * block, axis=(1, 2))
            shares[own_numbers] /= columns.shape[1]
        return shares


def misclosures_of(evidence: Evidence, precision: Precision) -> Dense | None:
    """Return the misclosures of a site solved with ``precision``, None of a large one.

    None also where nothing is checked.
    """
    adjustment = evidence.adjustment
    spoken = everything(adjustment)
    seen = _observed(adjustment)
    within = evidence.within
    if not seen.any() or seen.sum() + within.sum() > MOST:
        return None
    inner, size = _open_part(design_matrix(adjustment, spoken)[seen])
    contrasts = _contrasts(evidence)
    if inner.shape[1] + contrasts.shape[1] == 0:
        return None
    basis = np.zeros((len(inner) + len(contrasts), inner.shape[1] + contrasts.shape[1]))
    basis[: len(inner), : inner.shape[1]] = inner
    basis[len(inner) :, inner.shape[1] :] = contrasts
    off = misclosure(adjustment, spoken)[seen]
    t = basis.T @ np.concatenate([off, -evidence.scaled[within]])
    parts, known = _parts(evidence, precision, inner, seen)
    width = len(t)
    whole = np.zeros((5, width, width))
    whole[:, : inner.shape[1], : inner.shape[1]] = parts
    _, kinds = np.nonzero(within)
    for kind in range(3):
        own = contrasts[kinds == kind]
        whole[kind, inner.shape[1] :, inner.shape[1] :] = own.T @ own
    fixed = np.zeros((width, width))
    fixed[: inner.shape[1], : inner.shape[1]] = known
    observed = np.concatenate([seen, np.ones(int(within.sum()), dtype=bool)])
    volume = _log_scale(evidence) - size
    return Dense(evidence, Misclosures(t, whole, fixed), basis, observed, volume)


def _observed(adjustment: Adjustment) -> BoolArray:
    """Return which rows of `everything` are observed."""
    points = np.flatnonzero((adjustment.problem.weight > 0).any(axis=1))
    weighted = adjustment.problem.weight[points] > 0
    links = np.ones(len(adjustment.link_residual), dtype=bool)
    return np.concatenate([(adjustment.noise.scale > 0).ravel(), weighted.ravel(), links])


def _open_part(design: FloatArray) -> tuple[FloatArray, float]:
    """Return an orthonormal basis (n, r) of what ``design`` (n, u) leaves open.

    With it half the log of the determinant of A'A.
    """
    from scipy.linalg import qr

    moves = design[:, np.abs(design).max(axis=0, initial=0.0) > 0]
    whole, upper = qr(moves, check_finite=False)
    size = np.log(np.abs(np.diagonal(upper))).sum()
    return np.asarray(whole[:, moves.shape[1] :]), float(size)


def _log_scale(evidence: Evidence) -> float:
    """Return the log of the determinant that makes readings whitened means and deviations."""
    adjustment = evidence.adjustment
    scale = adjustment.noise.scale
    count = np.ones(scale.shape)
    own = np.flatnonzero(~adjustment.connections.plumb)
    count[own] = evidence.network.sights.count[adjustment.connections.source[own]]
    seen = scale > 0
    means = np.log(scale[seen]).sum() - 0.5 * np.log(np.maximum(count[seen], 1)).sum()
    rows, kinds = np.nonzero(evidence.within)
    group = evidence.pointings.sight[rows] * 3 + kinds
    _, first, times = np.unique(group, return_index=True, return_counts=True)
    spread = evidence.spread[rows, kinds][first]
    return float(means - ((times - 1) * np.log(spread)).sum())


def _contrasts(evidence: Evidence) -> FloatArray:
    """Return orthonormal contrasts (w, d) of the deviations within each visit and kind."""
    rows, kinds = np.nonzero(evidence.within)
    group = np.unique(evidence.pointings.sight[rows] * 3 + kinds, return_inverse=True)[1]
    group = group.reshape(-1)
    count = np.bincount(group) if len(group) else np.zeros(0, dtype=np.int64)
    basis = np.zeros((len(rows), len(rows) - len(count)))
    start = 0
    for number, size in enumerate(count.tolist()):
        own = np.flatnonzero(group == number)
        for step in range(1, size):
            basis[own[:step], start] = 1.0
            basis[own[step], start] = -float(step)
            basis[own, start] /= np.sqrt(step * (step + 1.0))
            start += 1
    return basis


def _parts(
    evidence: Evidence, precision: Precision, basis: FloatArray, seen: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return V_k (5, r, r) of the groups and V_0 (r, r) of what has sds of its own."""
    adjustment = evidence.adjustment
    connections, noise = adjustment.connections, adjustment.noise
    sights = evidence.network.sights
    raw = noise_parts(connections, sights, precision, adjustment.axis, adjustment.position)
    sights_of = 3 * len(connections)
    full = np.zeros((len(seen), basis.shape[1]))
    full[seen] = basis
    width = basis.shape[1]
    own = full[:sights_of].reshape(len(connections), 3, width)
    parts = np.empty((5, width, width))
    for group, covariance in enumerate(raw):
        left = noise.whitened(covariance)
        whitened = noise.whitened(left.transpose(0, 2, 1))
        moved = whitened @ own
        parts[group] = full[:sights_of].T @ moved.reshape(sights_of, width)
    rest = full[sights_of:]
    return parts, rest.T @ rest
