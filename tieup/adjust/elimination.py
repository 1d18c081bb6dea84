"""Assemble the normal equations, marks eliminated onto the setups, and solve them.

For one mark with normal matrix M = L L' and coupling C_i to setup i (4 x 3):

    W_i = C_i L'^-1        reduced setups:  N_ij - W_i W_j'        right: b_i - W_i L^-1 b
    x_mark = L'^-1 (L^-1 b - sum W_i' x_i)

References: Ghilani, Adjustment Computations, partitioned (blocked) normal equations;
Helmert blocking.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import multifrontal
from tieup.adjust.multifrontal import DEPENDENT, SIZE, DependentUnknownError, Factor
from tieup.adjust.structure import MarkGroup, Structure
from tieup.model.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Rows:
    """Whitened design rows: each divided by the sd of its observation.

    ``by_setup`` (c, 3, 4), ``by_mark`` (c, 3, 3) for connections; ``link_start`` and
    ``link_end`` (l, 3) for links. Columns of held unknowns are 0, as are rows that
    were not observed. ``by_place`` (c, 3, 3) is ``by_mark`` with no column held: what a
    shift of the mark as this setup sees it would do to its observations.
    """

    by_setup: FloatArray
    by_mark: FloatArray
    by_place: FloatArray
    link_start: FloatArray
    link_end: FloatArray


@dataclass(frozen=True)
class Held:
    """Which unknowns stay at their value: ``setup`` (S, 4) and ``point`` (P, 3)."""

    setup: BoolArray
    point: BoolArray


@dataclass(frozen=True)
class Eliminated:
    """The factored system: ``root`` (e, 3, 3) is L^-1 of each mark, ``weighted`` (i, 4, 3) W.

    ``weighted`` of an incidence with a kept mark is 0.
    """

    structure: Structure
    root: FloatArray
    weighted: FloatArray
    factor: Factor


class UndeterminedMarkError(Exception):
    """A mark is not fixed by its observations; carries its point number."""

    def __init__(self, point: int) -> None:
        super().__init__(f"point {point}")
        self.point = point


def eliminate(structure: Structure, rows: Rows, weight: FloatArray, held: Held) -> Eliminated:
    """Build and factor the reduced normal equations.

    ``weight`` (P, 3) are the weights (1/sd^2) of weighted control components, else 0.

    Raises
    ------
    UndeterminedMarkError, DependentUnknownError
        Where the observations do not determine an unknown.
    """
    normal = _mark_normals(structure, rows, weight, held)
    root = _inverse_roots(normal[structure.eliminated], structure.eliminated)
    coupling = np.zeros((len(structure.incidence_setup), SIZE, 3))
    np.add.at(coupling, structure.incidence, _transposed_product(rows.by_setup, rows.by_mark))
    weighted = np.zeros_like(coupling)
    own = ~structure.incidence_kept
    weighted[own] = coupling[own] @ root[structure.incidence_mark[own]].transpose(0, 2, 1)
    diagonal = _setup_diagonal(structure, rows, held)
    scale = np.ones((structure.pattern.nodes, SIZE))
    scale[: structure.setups] = np.diagonal(diagonal, axis1=1, axis2=2)[: structure.setups]
    scale[structure.setups :, :3] = np.diagonal(normal[structure.kept], axis1=1, axis2=2)
    diagonal[structure.setups :, :3, :3] = normal[structure.kept]
    diagonal[structure.setups :, 3, 3] = 1.0
    _subtract_by_node(diagonal, structure.incidence_setup, weighted)
    lower = _lower_blocks(structure, weighted, coupling, rows)
    factor = multifrontal.factorise(structure.pattern, diagonal, lower, scale)
    return Eliminated(structure, root, weighted, factor)


def _transposed_product(left: FloatArray, right: FloatArray) -> FloatArray:
    """Return left' right for stacks of matrices."""
    return np.asarray(left.transpose(0, 2, 1) @ right)


def _mark_normals(structure: Structure, rows: Rows, weight: FloatArray, held: Held) -> FloatArray:
    """Return the 3 x 3 normal matrix of every point (P, 3, 3)."""
    points = len(weight)
    normal = np.zeros((points, 3, 3))
    normal[:, [0, 1, 2], [0, 1, 2]] = np.where(held.point, 1.0, weight)
    point_of_incidence = np.where(
        structure.incidence_kept,
        _point_of(structure.kept, structure.incidence_mark - structure.setups),
        _point_of(structure.eliminated, structure.incidence_mark),
    )
    point = point_of_incidence[structure.incidence]
    products = _transposed_product(rows.by_mark, rows.by_mark).reshape(-1, 9)
    flat = normal.reshape(-1, 9)
    for element in range(9):
        flat[:, element] += np.bincount(point, weights=products[:, element], minlength=points)
    for node, row in ((structure.link_start, rows.link_start), (structure.link_end, rows.link_end)):
        np.add.at(
            normal, structure.kept[node - structure.setups], row[:, :, None] * row[:, None, :]
        )
    return normal


def _point_of(points: IntArray, number: IntArray) -> IntArray:
    """Look up point numbers, tolerating numbers of the other kind (masked by the caller)."""
    if not len(points):
        return np.zeros_like(number)
    return points[np.clip(number, 0, len(points) - 1)]


def _inverse_roots(normal: FloatArray, points: IntArray) -> FloatArray:
    """Return L^-1 (e, 3, 3) of each normal matrix L L'; names the first singular mark."""
    root = np.zeros_like(normal)
    scale = np.maximum(np.diagonal(normal, axis1=1, axis2=2), 1e-300)

    def pivot(value: FloatArray, component: int) -> FloatArray:
        bad = value <= DEPENDENT * scale[:, component]
        if bad.any():
            raise UndeterminedMarkError(int(points[np.flatnonzero(bad)[0]]))
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


def _setup_diagonal(structure: Structure, rows: Rows, held: Held) -> FloatArray:
    diagonal = np.zeros((structure.pattern.nodes, SIZE, SIZE))
    setup = structure.incidence_setup[structure.incidence]
    products = _transposed_product(rows.by_setup, rows.by_setup).reshape(-1, SIZE * SIZE)
    flat = diagonal[: structure.setups].reshape(-1, SIZE * SIZE)
    for element in range(SIZE * SIZE):
        flat[:, element] = np.bincount(
            setup, weights=products[:, element], minlength=structure.setups
        )
    setups = np.arange(structure.setups)
    for component in range(SIZE):
        diagonal[setups, component, component] += held.setup[:, component]
    return diagonal


def _subtract_by_node(diagonal: FloatArray, node: IntArray, weighted: FloatArray) -> None:
    products = (weighted @ weighted.transpose(0, 2, 1)).reshape(-1, SIZE * SIZE)
    flat = diagonal.reshape(-1, SIZE * SIZE)
    for element in range(SIZE * SIZE):
        flat[:, element] -= np.bincount(node, weights=products[:, element], minlength=len(flat))


def _lower_blocks(
    structure: Structure, weighted: FloatArray, coupling: FloatArray, rows: Rows
) -> FloatArray:
    """Sum all contributions to the lower off-diagonal blocks (b, 4, 4)."""
    values, blocks = [], []
    for group in structure.groups:
        values.append(-_pair_products(group, weighted).reshape(-1, SIZE, SIZE))
        blocks.append(group.block.ravel())
    kept = np.zeros((len(structure.coupled), SIZE, SIZE))
    kept[:, :, :3] = coupling[structure.coupled]
    values.append(_flipped(kept, structure.coupled_flip))
    blocks.append(structure.coupled_block)
    link = np.zeros((len(structure.link_block), SIZE, SIZE))
    link[:, :3, :3] = rows.link_start[:, :, None] * rows.link_end[:, None, :]
    values.append(_flipped(link, structure.link_flip))
    blocks.append(structure.link_block)
    return sum_by_index(np.concatenate(values), np.concatenate(blocks), len(structure.pattern.row))


def _pair_products(group: MarkGroup, weighted: FloatArray) -> FloatArray:
    """Return W_i W_j' of every pair of a group's marks, turned into the block's sense."""
    first, second = group.pairs
    block = weighted[group.incidences]
    upper = np.where(group.flip[..., None, None], block[:, second], block[:, first])
    under = np.where(group.flip[..., None, None], block[:, first], block[:, second])
    return np.asarray(upper @ under.transpose(0, 1, 3, 2))


def _flipped(blocks: FloatArray, flip: BoolArray) -> FloatArray:
    return np.where(flip[:, None, None], blocks.transpose(0, 2, 1), blocks)


def sum_by_index(values: FloatArray, index: IntArray, size: int) -> FloatArray:
    """Sum blocks (n, 4, 4) by ``index`` (n,) into shape (size, 4, 4)."""
    total = np.zeros((size, SIZE, SIZE))
    if not len(index):
        return total
    order = np.argsort(index, kind="stable")
    ranked = index[order]
    starts = np.flatnonzero(np.concatenate([[True], ranked[1:] != ranked[:-1]]))
    total[ranked[starts]] = np.add.reduceat(values[order], starts, axis=0)
    return total


def solve(
    system: Eliminated, right_setup: FloatArray, right_point: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Solve the normal equations for right-hand sides (S, 4, q) and (P, 3, q).

    Returns corrections of the same shapes; 0 for points outside the system.
    """
    s = system.structure
    columns = right_setup.shape[2]
    reduced = np.zeros((s.pattern.nodes, SIZE, columns))
    reduced[: s.setups] = right_setup
    reduced[s.setups :, :3] = right_point[s.kept]
    half = system.root @ right_point[s.eliminated]
    own = np.flatnonzero(~s.incidence_kept)
    np.subtract.at(
        reduced,
        s.incidence_setup[own],
        system.weighted[own] @ half[s.incidence_mark[own]],
    )
    nodes = multifrontal.solve(system.factor, reduced)
    np.subtract.at(
        half,
        s.incidence_mark[own],
        system.weighted[own].transpose(0, 2, 1) @ nodes[s.incidence_setup[own]],
    )
    points = np.zeros(right_point.shape)
    points[s.eliminated] = system.root.transpose(0, 2, 1) @ half
    points[s.kept] = nodes[s.setups :, :3]
    return nodes[: s.setups], points


__all__ = [
    "DependentUnknownError",
    "Eliminated",
    "Held",
    "Rows",
    "UndeterminedMarkError",
    "eliminate",
    "solve",
]
