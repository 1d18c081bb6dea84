"""The evidence of one solved site, ready to be asked about any mistake.

Joins the means' adjustment and the deviations within sights to one whitened space.
For hypotheses with columns C it gives R C, from which the Gram matrix K = C' R C, and the
scores s = -C' v: all that detection, estimation, comparison and separability need, however many
mistakes are combined afterwards. A mistake already accepted is taken out of the others
by conditioning on it (`tieup.diagnose.evidence.conditional_tests`), without solving again.

References: Teunissen, Testing theory; Baarda (1968).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tieup.adjust.hypothesis import Spoken, everything, misclosure, remaining
from tieup.adjust.pointings import SightResults, sight_results
from tieup.adjust.problem import Problem
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.observations import Pointings


@dataclass(frozen=True)
class Evidence:
    """A solved site. ``row_connection`` (m,): the system connection of each raw row or -1.

    ``within`` (m, 3) marks components in sights of two or more pointings and
    ``scaled`` (m, 3) their whitened deviations (mean minus observed), 0 elsewhere.
    """

    network: Network
    adjustment: Adjustment
    pointings: Pointings
    means: SightResults
    row_connection: IntArray
    within: BoolArray
    scaled: FloatArray
    spread: FloatArray


def gather(network: Network, adjustment: Adjustment, pointings: Pointings) -> Evidence:
    """Prepare the evidence of an adjustment of ``network`` and its rows."""
    sights = network.sights
    means = sight_results(adjustment, sights)
    taken = pointings.sight >= 0
    row = np.maximum(pointings.sight, 0)
    connection = np.where(taken, means.connection[row], -1)
    observed = taken[:, None] & np.isfinite(pointings.deviation)
    solved = observed & np.isfinite(means.residual[row])
    within = solved & (sights.count[row] > 1)
    spread = sights.pointing_sd[row]
    scaled = np.where(within, np.nan_to_num(pointings.deviation) / spread, 0.0)
    return Evidence(network, adjustment, pointings, means, connection, within, scaled, spread)


@dataclass(frozen=True)
class Alike:
    """Hypotheses of as many sizes q: their ``numbers`` (n,) and ``columns`` (n, q).

    ``block`` (n, q, q) is the part of K that is their own.
    """

    numbers: IntArray
    columns: IntArray
    block: FloatArray


@dataclass(frozen=True)
class Stack:
    """All columns against the evidence: ``columns`` C and ``remaining`` R C, (n, h).

    The n rows are those that some column speaks of; in all others C is 0. ``score`` (h,) is
    -C'v, ``whole`` (h,) the squares c'c; ``span`` the columns of each hypothesis and ``alike``
    their part of K = C'R C, the rest of which is only formed where it is needed.
    """

    columns: FloatArray
    remaining: FloatArray
    score: FloatArray
    whole: FloatArray
    span: tuple[slice, ...]
    alike: tuple[Alike, ...]

    def index(self, chosen: Sequence[int]) -> IntArray:
        """Return the column numbers of the chosen hypotheses."""
        if not chosen:
            return np.zeros(0, dtype=np.int64)
        return np.concatenate([np.arange(self.span[c].start, self.span[c].stop) for c in chosen])

    def cross(self, index: IntArray) -> FloatArray:
        """Return the columns (h, a) of K."""
        return self.columns.T @ self.remaining[:, index]

    def own(self, index: IntArray) -> FloatArray:
        """Return the square part (a, a) of K."""
        block = self.columns[:, index].T @ self.remaining[:, index]
        return 0.5 * (block + block.T)


def spans_of(hypotheses: Sequence[Hypothesis]) -> tuple[slice, ...]:
    """Return the columns of each hypothesis among all columns."""
    return side_by_side([hypothesis.degrees for hypothesis in hypotheses])


def side_by_side(sizes: Sequence[int]) -> tuple[slice, ...]:
    """Return where the columns of hypotheses of given ``sizes`` lie one after the other."""
    return tuple(slice(a, b) for a, b in pairwise(np.cumsum([0, *sizes]).tolist()))


def full_columns(evidence: Evidence, hypotheses: Sequence[Hypothesis]) -> FloatArray:
    """Return all whitened columns (q, h) over every observation, then every deviation."""
    columns = [column for hypothesis in hypotheses for column in hypothesis.columns]
    entries, spoken = _entries(columns), everything(evidence.adjustment)
    mean = _mean_part(evidence, columns, entries, spoken)
    return np.concatenate([mean, _within_part(evidence, columns, entries, evidence.within)])


def stack(evidence: Evidence, hypotheses: Sequence[Hypothesis]) -> Stack:
    """Evaluate all columns of ``hypotheses`` against the evidence."""
    columns = [column for hypothesis in hypotheses for column in hypothesis.columns]
    spans = spans_of(hypotheses)
    entries = _entries(columns)
    spoken = _spoken(evidence, columns, entries)
    mean = _mean_part(evidence, columns, entries, spoken)
    within = _within_of(evidence, entries)
    inside = _within_part(evidence, columns, entries, within)
    flat = np.concatenate([mean, inside])
    left = np.concatenate([remaining(evidence.adjustment, spoken, mean), inside])
    off = misclosure(evidence.adjustment, spoken)
    return Stack(
        columns=flat,
        remaining=left,
        score=mean.T @ off - inside.T @ evidence.scaled[within],
        whole=np.einsum("nh,nh->h", flat, flat),
        span=spans,
        alike=alike_of(flat, left, spans),
    )


def by_size(spans: Sequence[slice]) -> Iterator[tuple[IntArray, IntArray]]:
    """Give the numbers (n,) and columns (n, q) of the hypotheses of each number of sizes q."""
    first = np.array([span.start for span in spans], dtype=np.int64)
    size = np.array([span.stop for span in spans], dtype=np.int64) - first
    for q in np.unique(size).tolist():
        numbers = np.flatnonzero(size == q)
        yield numbers, first[numbers][:, None] + np.arange(q)


def own_parts(left: FloatArray, right: FloatArray, columns: IntArray) -> FloatArray:
    """Return the parts (n, q, q) of left'right that lie between ``columns`` (n, q)."""
    if columns.shape[1] == 1:
        one = columns[:, 0]
        return np.asarray(np.einsum("nh,nh->h", left, right)[one].reshape(-1, 1, 1))
    return np.asarray(left.T[columns] @ right.T[columns].transpose(0, 2, 1))


def alike_of(flat: FloatArray, remaining: FloatArray, spans: Sequence[slice]) -> tuple[Alike, ...]:
    """Return each hypothesis' own part of K, those of as many sizes together."""
    return tuple(
        Alike(numbers, columns, own_parts(flat, remaining, columns))
        for numbers, columns in by_size(spans)
    )


def with_misfit(tested: Stack, hypotheses: Sequence[Hypothesis], off: FloatArray) -> Stack:
    """Return the stack as if one sight, put back at its expected values, were off by ``off``.

    ``off`` (3,) in rad, rad, m. The hypotheses must hold one single reading for each component
    that is off: its column says how the misfit enters.
    """
    score = tested.score.copy()
    for number, hypothesis in enumerate(hypotheses):
        if hypothesis.reading >= 0:
            column = tested.index((number,))
            score += tested.cross(column)[:, 0] * off[hypothesis.reading]
    return replace(tested, score=score)


@dataclass(frozen=True)
class _Entries:
    """All biases of raw rows in all columns, flat: ``row``, ``column`` (e,), ``bias`` (e, 3)."""

    row: IntArray
    column: IntArray
    bias: FloatArray


def _entries(columns: Sequence[BiasColumn]) -> _Entries:
    lengths = [len(column.rows) for column in columns]
    return _Entries(
        np.concatenate([np.zeros(0, dtype=np.int64), *(c.rows for c in columns)]),
        np.repeat(np.arange(len(columns)), lengths),
        np.concatenate([np.zeros((0, 3)), *(c.bias for c in columns)]),
    )


def _spoken(evidence: Evidence, columns: Sequence[BiasColumn], entries: _Entries) -> Spoken:
    """Return the observations of the adjustment that any column speaks of."""
    connections = evidence.adjustment.connections
    seen = evidence.row_connection[entries.row]
    tilted = [setup for column in columns for setup, _, _ in column.plumb]
    over = np.flatnonzero(connections.plumb & np.isin(connections.source, tilted))
    points = [point for column in columns for point, _, _ in column.control]
    prior = evidence.adjustment.problem.prior
    if np.isin(points, prior.point).any():  # correlated coordinates are whitened all together
        points += prior.marks.tolist()
    links = [link for column in columns for link, _ in column.links]
    return Spoken(
        np.unique(np.concatenate([seen[seen >= 0], over])),
        np.unique(np.array(points, dtype=np.int64)),
        np.unique(np.array(links, dtype=np.int64)),
    )


def _mean_part(
    evidence: Evidence, columns: Sequence[BiasColumn], entries: _Entries, spoken: Spoken
) -> FloatArray:
    """Return the columns (q, h) as biases of the means that are ``spoken`` of, whitened."""
    adjustment, width = evidence.adjustment, len(columns)
    seen = spoken.connections
    own, plumb = adjustment.connections.source[seen], adjustment.connections.plumb[seen]
    count = np.ones((len(seen), 3))
    count[~plumb] = np.maximum(evidence.network.sights.count[own[~plumb]], 1)
    connection = evidence.row_connection[entries.row]
    inside = connection >= 0
    place = np.searchsorted(seen, connection[inside]) * width + entries.column[inside]
    means = np.empty((len(seen), 3, width))
    for kind in range(3):
        bias = entries.bias[inside, kind]
        total = np.bincount(place, weights=bias, minlength=len(seen) * width)
        means[:, kind] = total.reshape(-1, width) / count[:, kind, None]
    stands = {int(own[i]): int(i) for i in np.flatnonzero(plumb)}
    for number, column in enumerate(columns):
        for setup, component, value in column.plumb:
            if setup in stands:
                means[stands[setup], component, number] += value
    means = adjustment.noise.of(seen).whitened(means)
    return np.concatenate([means.reshape(-1, width), *_given_part(adjustment, columns, spoken)])


def _given_part(
    adjustment: Adjustment, columns: Sequence[BiasColumn], spoken: Spoken
) -> tuple[FloatArray, FloatArray]:
    """Return the columns as biases of weighted control (3 p, h) and of links (l, h), whitened."""
    width = len(columns)
    control = np.zeros((len(spoken.points), 3, width))
    links = np.zeros((len(spoken.links), width))
    problem = adjustment.problem
    root = np.sqrt(problem.weight)
    for number, column in enumerate(columns):
        for point, component, value in column.control:
            row = int(np.searchsorted(spoken.points, point))
            control[row, component, number] += value * root[point, component]
        for link, value in column.links:
            row = int(np.searchsorted(spoken.links, link))
            links[row, number] += value / adjustment.link_sd[link]
    if len(problem.prior) and np.isin(problem.prior.point, spoken.points).all():
        _tie(control, problem, spoken.points)
    return control.reshape(-1, width), links


def _tie(control: FloatArray, problem: Problem, points: IntArray) -> None:
    """Whiten the columns of correlated control (p, 3, h), of ``points`` (p,), all together."""
    prior = problem.prior
    at = np.searchsorted(points, prior.point), prior.component
    scale = np.sqrt(problem.weight[prior.point, prior.component])
    control[at] = prior.root @ (control[at] / scale[:, None])


def _within_of(evidence: Evidence, entries: _Entries) -> BoolArray:
    """Mark the components (m, 3) in sights of two or more pointings that any column speaks of."""
    sight = evidence.pointings.sight
    asked = np.zeros(len(evidence.network.sights) + 1, dtype=bool)
    asked[sight[entries.row]] = True  # the last one stands for rows in no sight
    return evidence.within & asked[sight][:, None]


def _within_part(
    evidence: Evidence, columns: Sequence[BiasColumn], entries: _Entries, within: BoolArray
) -> FloatArray:
    """Return the columns as biases of the deviations (w, h), whitened and centred by sight."""
    rows, kinds = np.nonzero(within)
    width = len(columns)
    if not len(rows):
        return np.zeros((0, width))
    place = np.full(within.shape, -1)
    place[rows, kinds] = np.arange(len(rows))
    at = place[entries.row]
    result = np.zeros(len(rows) * width)
    for kind in range(3):
        inside = at[:, kind] >= 0
        index = at[inside, kind] * width + entries.column[inside]
        result += np.bincount(index, weights=entries.bias[inside, kind], minlength=len(result))
    biases = result.reshape(-1, width)
    group = np.unique(evidence.pointings.sight[rows] * 3 + kinds, return_inverse=True)[1]
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    means = np.add.reduceat(biases[order], starts, axis=0) / np.bincount(group)[:, None]
    centred: FloatArray = (biases - means[group]) / evidence.spread[rows, kinds][:, None]
    return centred
