"""Test any alternative hypothesis on the factorisation that is already there.

An alternative says: the observations hold a bias y = A x + C b + e. With everything
whitened, v the residuals (adjusted minus observed) and R = I - A Q A':

    b = -(C' R C)^-1 C' v        T = v' C (C' R C)^-1 C' v        Q_b = (C' R C)^-1

T is chi-square with as many degrees as C has independent columns when there is no
bias. Only u = A'C and one solve per column are needed, so hundreds of hypotheses cost
less than the adjustment.

References: Baarda (1968); Teunissen, Testing theory: an introduction, the w-test and
the generalised likelihood ratio test for one alternative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray

BATCH = 4e5  # numbers moved through the factor at once


@dataclass(frozen=True)
class Bias:
    """Columns of C for h one-column vectors, whitened (divided by the sds).

    ``connections`` (c, 3, h) and ``control`` (P, 3, h), the latter only where control is
    weighted; ``links`` (l, h).
    """

    connections: FloatArray
    control: FloatArray
    links: FloatArray

    @property
    def count(self) -> int:
        """Return the number of columns h."""
        return int(self.connections.shape[2])


def no_bias(adjustment: Adjustment, count: int) -> Bias:
    """Return ``count`` zero columns to fill in."""
    return Bias(
        np.zeros((len(adjustment.connections), 3, count)),
        np.zeros((len(adjustment.position), 3, count)),
        np.zeros((len(adjustment.link_residual), count)),
    )


def project(adjustment: Adjustment, bias: Bias) -> Bias:
    """Return R C: what each bias leaves in the (whitened, negative) residuals."""
    problem, rows, connections = adjustment.problem, adjustment.rows, adjustment.connections
    prior, weight = problem.prior, problem.weight
    links = problem.network.links
    start, end = links.start[problem.links], links.end[problem.links]
    setup = np.zeros((len(adjustment.axis), 4, bias.count))
    point = prior.pushed(weight, bias.control)
    np.add.at(setup, connections.setup, _back(rows.by_setup, bias.connections))
    np.add.at(point, connections.point, _back(rows.by_mark, bias.connections))
    np.add.at(point, start, rows.link_start[:, :, None] * bias.links[:, None, :])
    np.add.at(point, end, rows.link_end[:, :, None] * bias.links[:, None, :])
    setup, point = elimination.solve(adjustment.system, setup, point)
    fitted = rows.by_setup @ setup[connections.setup] + rows.by_mark @ point[connections.point]
    along = np.einsum("lk,lkh->lh", rows.link_start, point[start])
    along += np.einsum("lk,lkh->lh", rows.link_end, point[end])
    return Bias(
        bias.connections - fitted, bias.control - prior.whitened(weight, point), bias.links - along
    )


def _back(rows: FloatArray, columns: FloatArray) -> FloatArray:
    """Return A'C row by row: (c, 3, u), (c, 3, h) -> (c, u, h)."""
    return np.asarray(rows.transpose(0, 2, 1) @ columns)


def gram(left: Bias, right: Bias) -> FloatArray:
    """Return the inner products (h, g) of two sets of columns."""
    return np.asarray(
        np.tensordot(left.connections, right.connections, axes=([0, 1], [0, 1]))
        + np.tensordot(left.control, right.control, axes=([0, 1], [0, 1]))
        + left.links.T @ right.links
    )


def score(adjustment: Adjustment, bias: Bias) -> FloatArray:
    """Return -C'v (h,): how far the residuals point along each column."""
    residual = adjustment.whitened
    control = whitened_control(adjustment)
    problem = adjustment.problem
    link = adjustment.link_residual / problem.network.links.sd[problem.links]
    return -(
        np.tensordot(bias.connections, residual, axes=([0, 1], [0, 1]))
        + np.tensordot(bias.control, control, axes=([0, 1], [0, 1]))
        + bias.links.T @ link
    )


def whitened_control(adjustment: Adjustment) -> FloatArray:
    """Return the whitened residuals (P, 3) of weighted control, 0 elsewhere."""
    problem = adjustment.problem
    return problem.prior.whitened(problem.weight, np.nan_to_num(adjustment.control_residual))


def place_shift(adjustment: Adjustment, chosen: list[IntArray]) -> Bias:
    """Return three columns (N, E, H in m) per entry of ``chosen`` (lists of connections).

    Each says: the mark of these connections lay elsewhere than the rest of the site has it.
    """
    bias = no_bias(adjustment, 3 * len(chosen))
    for number, connections in enumerate(chosen):
        columns = slice(3 * number, 3 * number + 3)
        bias.connections[connections, :, columns] = adjustment.rows.by_place[connections]
    return bias


@dataclass(frozen=True)
class Spoken:
    """The observations that some of the alternatives concern.

    Numbers of ``connections`` (n,), of ``points`` (p,) with weighted control and of ``links`` (l,).
    Columns C that hold nothing but these have q = 3 n + 3 p + l rows, in this order: the rest
    of a large site need not be carried about with them.
    """

    connections: IntArray
    points: IntArray
    links: IntArray

    def __len__(self) -> int:
        return 3 * (len(self.connections) + len(self.points)) + len(self.links)


def misclosure(adjustment: Adjustment, spoken: Spoken) -> FloatArray:
    """Return -v (q,): the whitened residuals of what is spoken of, observed minus adjusted."""
    residual = adjustment.whitened[spoken.connections]
    control = whitened_control(adjustment)[spoken.points]
    link = (adjustment.link_residual / adjustment.link_sd)[spoken.links]
    return -np.concatenate([residual.reshape(-1), control.reshape(-1), link])


def design_matrix(adjustment: Adjustment, spoken: Spoken) -> FloatArray:
    """Return the whitened rows of A (q, u) that are spoken of, over all unknowns of the system.

    For small systems. Columns of held unknowns are 0.
    """
    structure, design = adjustment.system.structure, _design(adjustment, spoken)
    setups, marks = structure.setups, len(structure.marks)
    setup = np.zeros((len(spoken), setups, 4))
    seen = len(design.setup)
    setup[np.arange(seen), design.setup] = design.by_setup
    mark = np.zeros((len(spoken), marks + 1, 3))
    for end in (0, 1):
        mark[np.arange(len(spoken)), design.mark[:, end]] += design.by_mark[:, end]
    tied = design.tied
    mark[tied.row[:, None], tied.mark, tied.component] += tied.root
    free = ~adjustment.held.point[structure.marks]
    setup *= ~adjustment.held.setup
    mark = mark[:, :marks] * free
    rows = len(spoken)
    return np.hstack([setup.reshape(rows, 4 * setups), mark.reshape(rows, 3 * marks)])


def remaining(adjustment: Adjustment, spoken: Spoken, columns: FloatArray) -> FloatArray:
    """Return R C (q, h) of whitened ``columns`` (q, h), in the rows that are spoken of.

    The factor is asked for whichever are fewer, the columns or the rows.
    """
    if len(spoken) < columns.shape[1]:
        return columns - _fitted(adjustment, spoken, np.eye(len(spoken))) @ columns
    return columns - _fitted(adjustment, spoken, columns)


@dataclass(frozen=True)
class _Tied:
    """Rows (d,) of correlated control: ``root`` (d, k) by ``mark`` and ``component`` (k,)."""

    row: IntArray
    root: FloatArray
    mark: IntArray
    component: IntArray


@dataclass(frozen=True)
class _Design:
    """Rows of A: those of connections at a setup (3 n,), all at two marks (q, 2).

    ``mark`` is the number of a mark in the system, behind the last one where it is in none.
    Those of correlated control are at many marks: ``tied``.
    """

    setup: IntArray
    by_setup: FloatArray
    mark: IntArray
    by_mark: FloatArray
    tied: _Tied


def _design(adjustment: Adjustment, spoken: Spoken) -> _Design:
    rows, structure = adjustment.rows, adjustment.system.structure
    seen, links = spoken.connections, adjustment.problem.network.links
    own = adjustment.problem.links[spoken.links]
    root = np.sqrt(adjustment.problem.weight[spoken.points])
    number = np.full(len(adjustment.position), len(structure.marks))
    number[structure.marks] = np.arange(len(structure.marks))
    point = np.repeat(np.concatenate([adjustment.connections.point[seen], spoken.points]), 3)
    ends = np.column_stack([links.start[own], links.end[own]])
    mark = number[np.concatenate([np.column_stack([point, point]), ends])]
    by_mark = np.zeros((len(spoken), 2, 3))
    by_mark[: len(point), 0] = np.concatenate(
        [rows.by_mark[seen].reshape(-1, 3), (root[:, :, None] * np.eye(3)).reshape(-1, 3)]
    )
    by_mark[len(point) :, 0] = rows.link_start[spoken.links]
    by_mark[len(point) :, 1] = rows.link_end[spoken.links]
    setup = np.repeat(adjustment.connections.setup[seen], 3)
    tied = _tied(adjustment, spoken, number)
    by_mark[tied.row] = 0.0
    return _Design(setup, rows.by_setup[seen].reshape(-1, 4), mark, by_mark, tied)


def _tied(adjustment: Adjustment, spoken: Spoken, number: IntArray) -> _Tied:
    """Return the rows of correlated control among the ``spoken`` ones."""
    prior = adjustment.problem.prior
    told = np.flatnonzero(np.isin(prior.point, spoken.points))
    place = np.searchsorted(spoken.points, prior.point[told])
    row = 3 * (len(spoken.connections) + place) + prior.component[told]
    return _Tied(row, prior.root[told], number[prior.point], prior.component)


def _fitted(adjustment: Adjustment, spoken: Spoken, columns: FloatArray) -> FloatArray:
    """Return A Q A' C (q, h), some columns at a time."""
    structure, design = adjustment.system.structure, _design(adjustment, spoken)
    marks, seen = len(structure.marks), len(design.setup)
    size = len(structure.incidences) + marks + structure.setups
    step = max(int(BATCH / size), 1)
    fitted = np.empty_like(columns)
    for start in range(0, columns.shape[1], step):
        part = columns[:, start : start + step]
        setup = np.zeros((structure.setups, 4, part.shape[1]))
        mark = np.zeros((marks + 1, 3, part.shape[1]))
        np.add.at(setup, design.setup, design.by_setup[:, :, None] * part[:seen, None, :])
        for end in (0, 1):
            values = design.by_mark[:, end, :, None] * part[:, None, :]
            np.add.at(mark, design.mark[:, end], values)
        tied = design.tied
        np.add.at(mark, (tied.mark, tied.component), tied.root.T @ part[tied.row])
        setup, mark[:marks] = elimination.solve_marks(adjustment.system, setup, mark[:marks])
        mark[marks] = 0.0
        own = np.zeros(part.shape)
        own[:seen] = np.einsum("qu,quh->qh", design.by_setup, setup[design.setup])
        for end in (0, 1):
            own += np.einsum("qu,quh->qh", design.by_mark[:, end], mark[design.mark[:, end]])
        own[tied.row] += tied.root @ mark[tied.mark, tied.component]
        fitted[:, start : start + step] = own
    return fitted
