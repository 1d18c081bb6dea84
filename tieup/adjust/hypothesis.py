"""Test any alternative hypothesis on the factorisation that is already there.

An alternative says: the observations hold a bias y = A x + C b + e. With everything
whitened, v the residuals (adjusted minus observed) and R = I - A Q A':

    b = -(C' R C)^-1 C' v        T = v' C (C' R C)^-1 C' v        Q_b = (C' R C)^-1

T is chi-square with as many degrees as C has independent columns when there is no
bias. Only A'C and one solve per column are needed, so hundreds of hypotheses cost
less than the adjustment. C has rows at a few observations only, and A'C at a few unknowns.

References: Baarda (1968); Teunissen, Testing theory: an introduction, the w-test and
the generalised likelihood ratio test for one alternative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from scipy.sparse import coo_array, csr_array, vstack

from tieup.adjust.cofactors import Functions, cofactors, group_covariances, in_frame
from tieup.adjust.estimable import Information
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION


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


@dataclass(frozen=True)
class Bias:
    """Columns C of one alternative: at ``connections`` (n,) the ``values`` (n, 3, h), whitened."""

    connections: IntArray
    values: FloatArray

    @property
    def count(self) -> int:
        """Return the number of columns h."""
        return int(self.values.shape[2])


def everything(adjustment: Adjustment) -> Spoken:
    """Return all observations of an adjustment."""
    points = np.flatnonzero((adjustment.problem.weight > 0).any(axis=1))
    every: IntArray = np.arange(len(adjustment.connections))
    return Spoken(every, points, np.arange(len(adjustment.link_residual)))


def misclosure(adjustment: Adjustment, spoken: Spoken) -> FloatArray:
    """Return -v (q,): the whitened residuals of what is spoken of, observed minus adjusted."""
    residual = adjustment.whitened[spoken.connections]
    problem = adjustment.problem
    control = problem.prior.whitened(problem.weight, np.nan_to_num(adjustment.control_residual))
    control = control[spoken.points]
    link = (adjustment.link_residual / adjustment.link_sd)[spoken.links]
    return -np.concatenate([residual.reshape(-1), control.reshape(-1), link])


def design_matrix(adjustment: Adjustment, spoken: Spoken) -> FloatArray:
    """Return the whitened rows of A (q, u) that are spoken of, over all unknowns of the system.

    For small systems. Columns of held unknowns are 0.
    """
    return np.asarray(_design(adjustment, spoken).toarray())


def remaining(adjustment: Adjustment, spoken: Spoken, columns: FloatArray) -> FloatArray:
    """Return R C (q, h) of whitened ``columns`` (q, h), in the rows that are spoken of.

    The factor is asked for whichever are fewer, the columns or the rows.
    """
    design = _design(adjustment, spoken)
    if len(spoken) < columns.shape[1]:
        return columns - _fitted(adjustment, design, design) @ columns
    return columns - _fitted(adjustment, design, csr_array(columns.T) @ design)


def responses(adjustment: Adjustment, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return F C: what whitened ``columns`` (q, h) over `everything` do to the solution.

    Of setups (S, 4, h) and points (P, 3, h), in the frame.
    """
    design = _design(adjustment, everything(adjustment))
    solved = [part for _, part in cofactors(adjustment, csr_array(columns.T) @ design)]
    return in_frame(adjustment, np.concatenate(solved, axis=1))


def place_shift(adjustment: Adjustment, connections: IntArray) -> Bias:
    """Return the shift N, E, H (m) of the mark of ``connections`` (n,), as these see it."""
    return Bias(connections, adjustment.rows.by_place[connections])


def place_shifts(adjustment: Adjustment, connections: IntArray) -> Information:
    """Return what is known of the shift of the mark of each of ``connections`` (n,) alone.

    The leverages of the solution hold that already.
    """
    place = adjustment.rows.by_place[connections]
    across = place.transpose(0, 2, 1)
    seen = across @ place
    left = seen - across @ adjustment.leverage[connections] @ place
    push = -(across @ adjustment.whitened[connections][:, :, None])[:, :, 0]
    return Information(seen, left, push)


def informations(adjustment: Adjustment, alternatives: Sequence[Bias]) -> list[Information]:
    """Return what is known of the bias of each alternative, by asking the factor."""
    if not alternatives:
        return []
    connections = np.concatenate([bias.connections for bias in alternatives])
    edges = np.array([*accumulate((bias.count for bias in alternatives), initial=0)])
    rows = csr_array(_side_by_side(alternatives, edges).T @ sight_rows(adjustment, connections))
    spreads = group_covariances(adjustment, Functions(rows, csr_array((edges[-1],) * 2)), edges)
    misclosures, found = -adjustment.whitened, []
    for bias, spread in zip(alternatives, spreads, strict=True):
        values = bias.values.reshape(-1, bias.count)
        seen = values.T @ values
        push = values.T @ misclosures[bias.connections].reshape(-1)
        found.append(Information(seen, seen - spread, push))
    return found


def _side_by_side(alternatives: Sequence[Bias], edges: IntArray) -> csr_array:
    """Return all columns as one matrix, each alternative with rows of its own."""
    size = [3 * len(bias.connections) for bias in alternatives]
    width = np.repeat(np.diff(edges), size)
    start = np.concatenate([[0], np.cumsum(width)])
    column = np.arange(start[-1]) + np.repeat(np.repeat(edges[:-1], size) - start[:-1], width)
    value = np.concatenate([bias.values.ravel() for bias in alternatives])
    return csr_array((value, column, start), shape=(len(width), edges[-1]))


def cross_information(
    adjustment: Adjustment, bias: Bias, connections: IntArray, values: FloatArray
) -> FloatArray:
    """Return B'RC (n, g, h) of one alternative C with B given row by row, (n, 3, g)."""
    rows = csr_array(
        bias.values.reshape(-1, bias.count).T @ sight_rows(adjustment, bias.connections)
    )
    fitted = _fitted(adjustment, sight_rows(adjustment, connections), rows)
    own = np.zeros((len(connections), 3, bias.count))
    place = {int(row): i for i, row in enumerate(connections)}
    for row, value in zip(bias.connections.tolist(), bias.values, strict=True):
        if row in place:
            own[place[row]] = value
    return np.asarray(values.transpose(0, 2, 1) @ (own - fitted.reshape(own.shape)))


def _fitted(adjustment: Adjustment, design: csr_array, rows: csr_array) -> FloatArray:
    """Return A Q F' (q, f) of rows of A and rows F of functions."""
    fitted = np.empty((design.shape[0], rows.shape[0]))
    for span, solved in cofactors(adjustment, rows):
        fitted[:, span] = design @ solved
    return fitted


def _design(adjustment: Adjustment, spoken: Spoken) -> csr_array:
    """Return the rows of A (q, u) that are spoken of, with 0 for held unknowns."""
    structure, held, rows = adjustment.system.structure, adjustment.held, adjustment.rows
    cut, marks = 4 * structure.setups, len(structure.marks)
    number = np.full(len(adjustment.position), marks)
    number[structure.marks] = np.arange(marks)
    known = spoken.points[number[spoken.points] < marks]  # the others are no unknowns
    root = np.sqrt(adjustment.problem.weight[known]) * ~held.point[known]
    control_row = 3 * np.flatnonzero(number[spoken.points] < marks)[:, None] + np.arange(3)
    ends = structure.linked[spoken.links]
    link_row = np.broadcast_to(
        3 * len(spoken.points) + np.arange(len(ends))[:, None], (len(ends), 3)
    )
    tied_row, tied_column, tied_root, single = _tied(adjustment, spoken, number)
    parts = [
        (root * single[known], control_row, number[known]),
        (rows.link_start[spoken.links], link_row, ends[:, 0]),
        (rows.link_end[spoken.links], link_row, ends[:, 1]),
    ]
    row = np.concatenate([*(part[1].ravel() for part in parts), tied_row])
    columns = [(3 * part[2][:, None] + np.arange(3)).ravel() for part in parts]
    column = cut + np.concatenate([*columns, tied_column])
    value = np.concatenate([*(part[0].ravel() for part in parts), tied_root])
    shape = 3 * len(spoken.points) + len(ends), adjustment.system.unknowns
    rest = coo_array((value, (row, column)), shape=shape)
    return csr_array(vstack([sight_rows(adjustment, spoken.connections), rest], format="csr"))


def _tied(
    adjustment: Adjustment, spoken: Spoken, number: IntArray
) -> tuple[IntArray, IntArray, FloatArray, BoolArray]:
    """Return the rows of correlated control: row, column among the marks, value.

    Beside them stands which coordinates (P, 3) have a weight of their own instead.
    """
    prior, held = adjustment.problem.prior, adjustment.held
    single = np.ones(adjustment.problem.weight.shape, dtype=np.bool_)
    single[prior.point, prior.component] = False
    told = np.flatnonzero(np.isin(prior.point, spoken.points))
    row = 3 * np.searchsorted(spoken.points, prior.point[told]) + prior.component[told]
    column = 3 * number[prior.point] + prior.component
    value = prior.root[told] * ~held.point[prior.point, prior.component]
    shape = value.shape
    return (
        np.broadcast_to(row[:, None], shape).ravel(),
        np.broadcast_to(column, shape).ravel(),
        value.ravel(),
        single,
    )


def sight_rows(adjustment: Adjustment, connections: IntArray) -> csr_array:
    """Return the rows of A (3n, u) of connections, with 0 for held unknowns."""
    structure, rows = adjustment.system.structure, adjustment.rows
    first = 4 * structure.setup[connections], 3 * structure.mark[connections] + 4 * structure.setups
    column = np.concatenate(
        [first[0][:, None] + np.arange(4), first[1][:, None] + np.arange(3)], axis=1
    )
    value = np.concatenate([rows.by_setup[connections], rows.by_mark[connections]], axis=2)
    bases = adjustment.system.border.bases
    if bases.count:
        of_turn = np.zeros((len(adjustment.connections), 3))
        of_turn[bases.rows, DIRECTION] = rows.by_turn
        basis = np.maximum(adjustment.connections.basis[connections], 0)
        column = np.column_stack([column, adjustment.system.unknowns - bases.count + basis])
        value = np.concatenate([value, of_turn[connections][:, :, None]], axis=2)
    count, width = 3 * len(connections), value.shape[2]
    return csr_array(
        (value.ravel(), np.repeat(column, 3, axis=0).ravel(), width * np.arange(count + 1)),
        shape=(count, adjustment.system.unknowns),
    )
