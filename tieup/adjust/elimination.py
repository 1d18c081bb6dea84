"""Assemble the normal equations, marks eliminated onto the setups, and solve them.

For one mark with normal matrix M = L L' and coupling C_i to setup i (4 x 3):

    W_i = C_i L'^-1        reduced setups:  N_ij - W_i W_j'        right: b_i - W_i L^-1 b
    x_mark = L'^-1 (L^-1 b - sum W_i' x_i)

Turns of bases of bearings border that system (`tieup.adjust.turn_border`).

References: Ghilani, Adjustment Computations, partitioned (blocked) normal equations;
Helmert blocking.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust import multifrontal
from tieup.adjust.elimination_fronts import SIZE
from tieup.adjust.mark_elimination import Structure
from tieup.adjust.multifrontal import DEPENDENT, DependentUnknownError, Factor
from tieup.adjust.prior import Prior
from tieup.adjust.stacks import new_stack, product, sum_by, take, transposed
from tieup.adjust.turn_border import (
    NO_BASES,
    Bases,
    Border,
    Columns,
    UndeterminedTurnError,
    make_border,
    no_border,
)
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION


@dataclass(frozen=True)
class DesignRows:
    """Whitened design rows: each divided by the sd of its observation.

    ``by_setup`` (c, 3, 4), ``by_mark`` (c, 3, 3) for connections; ``link_start`` and
    ``link_end`` (l, 3) for links. Columns of held unknowns are 0, as are rows that
    were not observed. ``by_place`` (c, 3, 3) is ``by_mark`` with no column held: what a
    shift of the mark as this setup sees it would do to its observations. ``by_turn`` (b,) are
    those of the directions that turn with a basis of bearings by its turn.
    """

    by_setup: FloatArray
    by_mark: FloatArray
    by_place: FloatArray
    link_start: FloatArray
    link_end: FloatArray
    by_turn: FloatArray


@dataclass(frozen=True)
class Held:
    """Which unknowns stay at their value: ``setup`` (S, 4) and ``point`` (P, 3) or marks (m, 3)."""

    setup: BoolArray
    point: BoolArray


@dataclass(frozen=True)
class Eliminated:
    """The factored system: ``root`` (e, 3, 3) is L^-1 of each eliminated mark.

    ``weighted`` (i, 4, 3) is W of each incidence of an eliminated mark, ``border`` that of the
    turns.
    """

    structure: Structure
    root: FloatArray
    weighted: FloatArray
    factor: Factor
    border: Border

    @property
    def unknowns(self) -> int:
        """Return the number of unknowns u."""
        s = self.structure
        return SIZE * s.setups + 3 * len(s.marks) + self.border.bases.count


class UndeterminedMarkError(Exception):
    """Marks are not fixed by their observations; carries their point numbers."""

    def __init__(self, points: IntArray) -> None:
        super().__init__(f"points {points}")
        self.points = points


class UndeterminedSetupError(Exception):
    """A setup is not fixed by its observations; carries its number."""

    def __init__(self, setup: int) -> None:
        super().__init__(f"setup {setup}")
        self.setup = setup


def eliminate(
    structure: Structure,
    rows: DesignRows,
    weight: FloatArray,
    held: Held,
    prior: Prior | None = None,
    bases: Bases = NO_BASES,
) -> Eliminated:
    """Build and factor the reduced normal equations.

    ``weight`` (m, 3) are the weights (1/sd^2) of weighted control components, else 0;
    ``held`` is that of marks. ``prior`` are the correlated ones, in the numbers of marks.
    ``bases`` are the directions whose turn is an unknown as well.

    Raises
    ------
    UndeterminedMarkError, UndeterminedSetupError, UndeterminedTurnError
        Where the observations do not determine an unknown.
    """
    s, incidences = structure, structure.incidences
    normal = _mark_normals(s, rows, weight, held)
    between = _add_prior(normal, s, weight, prior)
    root = _inverse_roots(normal[: s.eliminated], s.marks)
    coupling = product(transposed(rows.by_setup), rows.by_mark)
    coupling = sum_by(coupling, incidences.of_connection, len(incidences))
    own = slice(0, incidences.own)
    weighted = product(coupling[own], transposed(take(root, incidences.mark[own])))
    diagonal = _setup_diagonal(s, rows, held)
    scale = np.ones((s.pattern.nodes, SIZE))
    scale[: s.setups] = np.diagonal(diagonal, axis1=1, axis2=2)
    scale[s.setups :, :3] = np.diagonal(normal[s.eliminated :], axis1=1, axis2=2)
    diagonal -= sum_by(product(weighted, transposed(weighted)), incidences.setup[own], s.setups)
    lower = _lower_blocks(s, weighted, coupling[incidences.own :], rows)
    np.add.at(lower, s.prior.block, turned(_padded(between), s.prior.turned))
    whole = np.concatenate([diagonal, _padded(normal[s.eliminated :])])
    whole[s.setups :, 3, 3] = 1.0
    try:
        factor = multifrontal.factorise(s.pattern, whole, lower, scale)
    except DependentUnknownError as error:
        raise _undetermined(s, error.node) from None
    plain = Eliminated(s, root, weighted, factor, no_border(s.setups, len(s.marks)))
    return _bordered(plain, rows, bases) if bases.count else plain


def _bordered(plain: Eliminated, rows: DesignRows, bases: Bases) -> Eliminated:
    """Return the system with the turns of ``bases`` unknown as well."""
    s, own = plain.structure, bases.rows
    border = make_border(
        bases,
        rows.by_turn,
        (s.setup[own], rows.by_setup[own, DIRECTION]),
        (s.mark[own], rows.by_mark[own, DIRECTION]),
        (s.setups, len(s.marks)),
        lambda setup, mark: _solve_inner(plain, setup, mark),
    )
    return replace(plain, border=border)


def _undetermined(structure: Structure, node: int) -> Exception:
    if node < structure.setups:
        return UndeterminedSetupError(node)
    kept = structure.marks[structure.eliminated :]
    return UndeterminedMarkError(kept[[node - structure.setups]])


def _padded(blocks: FloatArray) -> FloatArray:
    """Return blocks of setups or marks (n, r, c) filled up with 0 to the size of a node."""
    filled = np.zeros((len(blocks), SIZE, SIZE))
    filled[:, : blocks.shape[1], : blocks.shape[2]] = blocks
    return filled


def _mark_normals(
    structure: Structure, rows: DesignRows, weight: FloatArray, held: Held
) -> FloatArray:
    """Return the 3 x 3 normal matrix of every mark (m, 3, 3)."""
    normal = sum_by(
        product(transposed(rows.by_mark), rows.by_mark), structure.mark, len(structure.marks)
    )
    for component in range(3):
        normal[:, component, component] += np.where(
            held.point[:, component], 1.0, weight[:, component]
        )
    kept, links = normal[structure.eliminated :], structure.links
    for node, row in ((links.first, rows.link_start), (links.second, rows.link_end)):
        np.add.at(kept, node - structure.setups, row[:, :, None] * row[:, None, :])
    return normal


def _add_prior(
    normal: FloatArray, structure: Structure, weight: FloatArray, prior: Prior | None
) -> FloatArray:
    """Put correlated control in the place of its weights; return its blocks (q, 3, 3) by pairs."""
    first = structure.prior.first - structure.setups + structure.eliminated
    second = structure.prior.second - structure.setups + structure.eliminated
    if prior is None or not len(prior):
        return np.zeros((len(first), 3, 3))
    marks, row = np.unique(prior.point, return_inverse=True)
    whole = np.zeros((len(marks), 3, len(marks), 3))
    at = (row[:, None], prior.component[:, None], row, prior.component)
    whole[at] = prior.weight
    normal[prior.point, prior.component, prior.component] -= weight[prior.point, prior.component]
    index = np.arange(len(marks))
    normal[marks] += whole[index, :, index, :]
    one, two = np.searchsorted(marks, first), np.searchsorted(marks, second)
    return np.asarray(whole[one, :, two, :])


def _inverse_roots(normal: FloatArray, points: IntArray) -> FloatArray:
    """Return L^-1 (e, 3, 3) of each normal matrix L L'; names singular marks."""
    root = new_stack(len(normal), 3, 3)

    def pivot(value: FloatArray, component: int) -> FloatArray:
        scale = np.maximum(normal[:, component, component], 1e-300)
        bad = value <= DEPENDENT * scale
        if bad.any():
            raise UndeterminedMarkError(points[np.flatnonzero(bad)])
        return np.sqrt(value)

    a = pivot(normal[:, 0, 0], 0)
    b = normal[:, 1, 0] / a
    c = normal[:, 2, 0] / a
    d = pivot(normal[:, 1, 1] - b**2, 1)
    e = (normal[:, 2, 1] - b * c) / d
    f = pivot(normal[:, 2, 2] - c**2 - e**2, 2)
    root[:, 0, 0], root[:, 1, 1], root[:, 2, 2] = 1.0 / a, 1.0 / d, 1.0 / f
    root[:, 1, 0] = -b / (a * d)
    root[:, 2, 1] = -e / (d * f)
    root[:, 2, 0] = (b * e - c * d) / (a * d * f)
    return root


def _setup_diagonal(structure: Structure, rows: DesignRows, held: Held) -> FloatArray:
    """Return the 4 x 4 normal matrix of every setup (S, 4, 4)."""
    diagonal = sum_by(
        product(transposed(rows.by_setup), rows.by_setup), structure.setup, structure.setups
    )
    for component in range(SIZE):
        diagonal[:, component, component] += held.setup[:, component]
    return diagonal


def _lower_blocks(
    structure: Structure, weighted: FloatArray, coupling: FloatArray, rows: DesignRows
) -> FloatArray:
    """Sum all contributions to the lower off-diagonal blocks (b, 4, 4)."""
    pairs, kept, links = structure.pairs, structure.kept, structure.links
    row, column = take(weighted, pairs.first), take(weighted, pairs.second)
    blocks = -sum_by(product(row, transposed(column)), pairs.block, len(structure.pattern.row))
    link = rows.link_start[:, :, None] * rows.link_end[:, None, :]
    for coupled, values in ((kept, coupling), (links, link)):
        np.add.at(blocks, coupled.block, turned(_padded(values), coupled.turned))
    return blocks


def turned(blocks: FloatArray, turn: BoolArray) -> FloatArray:
    """Return blocks (n, k, k), transposed where ``turn`` (n,)."""
    return np.where(turn[:, None, None], transposed(blocks), blocks)


def solve(system: Eliminated, right: Columns) -> Columns:
    """Solve the normal equations for right-hand sides; return corrections of the same shapes."""
    return system.border.solved(_solve_inner(system, right.setup, right.mark), right)


def _solve_inner(
    system: Eliminated, right_setup: FloatArray, right_mark: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Solve for setups (S, 4, q) and marks (m, 3, q) with every turn known."""
    s, incidences = system.structure, system.structure.incidences
    mark, setup = incidences.mark[: incidences.own], incidences.setup[: incidences.own]
    half = product(system.root, right_mark[: s.eliminated])
    onto_setups = sum_by(product(system.weighted, take(half, mark)), setup, s.setups)
    reduced = np.concatenate([right_setup - onto_setups, _padded_rows(right_mark[s.eliminated :])])
    nodes = multifrontal.solve(system.factor, reduced)
    back = product(transposed(system.weighted), take(nodes, setup))
    half -= sum_by(back, mark, s.eliminated)
    marks = np.concatenate([product(transposed(system.root), half), nodes[s.setups :, :3]])
    return nodes[: s.setups], marks


def _padded_rows(blocks: FloatArray) -> FloatArray:
    return np.concatenate([blocks, np.zeros((len(blocks), 1, blocks.shape[2]))], axis=1)


__all__ = [
    "Bases",
    "Columns",
    "DesignRows",
    "Eliminated",
    "Held",
    "UndeterminedMarkError",
    "UndeterminedSetupError",
    "UndeterminedTurnError",
    "eliminate",
    "solve",
    "turned",
]
