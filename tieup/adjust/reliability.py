"""Precision and reliability of everything in the system, from the selected inverse.

For the whitened rows A of one connection the leverage A Q A' gives the redundancy
numbers, 1 - its diagonal. With the marks eliminated, for a mark seen from setups 1..d,
V = [W_1' ... W_d'] Z (Z the inverse on its setups), X = V [W_1' ... W_d']' + I:

    Q_mark = L'^-1 X L^-1          Q_mark,setup = -L'^-1 V
    A Q A' = A_s Z A_s' - A_s V_s' U' - U V_s A_s' + U X U',   U = A_m L'^-1

References: Baarda (1968), A testing procedure for use in geodetic networks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import multifrontal
from tieup.adjust.elimination import Eliminated, Rows
from tieup.adjust.structure import MarkGroup, Structure
from tieup.model.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Spread:
    """Covariances in the held datum and leverages.

    ``setup`` (S, 4, 4), ``point`` (P, 3, 3) (0 outside the system), ``leverage`` (c, 3, 3),
    ``mark_setup`` (c, 3, 4), ``link_leverage`` (l,).
    """

    setup: FloatArray
    point: FloatArray
    leverage: FloatArray
    mark_setup: FloatArray
    link_leverage: FloatArray


def spread(system: Eliminated, rows: Rows, setup: IntArray, points: int) -> Spread:
    """Compute covariances and leverages of the factored ``system`` with its ``rows``.

    ``setup`` (c,) is the setup of each connection, ``points`` the number of points P.
    """
    s = system.structure
    diagonal, lower = multifrontal.selected_inverse(system.factor)
    incidences = len(s.incidence_setup)
    across = np.zeros((incidences, 3, 4))
    inner = np.zeros((len(s.eliminated), 3, 3))
    for group in s.groups:
        _mark_spread(system, group, diagonal, lower, across, inner)
    root = system.root.transpose(0, 2, 1)
    point = np.zeros((points, 3, 3))
    point[s.eliminated] = root @ inner @ system.root
    point[s.kept] = diagonal[s.setups :, :3, :3]

    own = s.incidence
    setup_part = rows.by_setup @ diagonal[setup]
    leverage = setup_part @ rows.by_setup.transpose(0, 2, 1)
    mark_setup = np.empty((len(own), 3, 4))
    kept = s.incidence_kept[own]
    free = ~kept
    mark = s.incidence_mark[own[free]]
    u = rows.by_mark[free] @ root[mark]
    cross = u @ across[own[free]] @ rows.by_setup[free].transpose(0, 2, 1)
    leverage[free] += u @ inner[mark] @ u.transpose(0, 2, 1) - cross - cross.transpose(0, 2, 1)
    mark_setup[free] = -root[mark] @ across[own[free]]
    if kept.any():
        _add_kept(s, rows, diagonal, lower, leverage, mark_setup, kept)
    return Spread(
        diagonal[: s.setups], point, leverage, mark_setup, _link_leverage(s, rows, diagonal, lower)
    )


def _mark_spread(
    system: Eliminated,
    group: MarkGroup,
    diagonal: FloatArray,
    lower: FloatArray,
    across: FloatArray,
    inner: FloatArray,
) -> None:
    """Fill ``across`` (V by incidence) and ``inner`` (X by mark) for one group of marks."""
    s = system.structure
    n, d = group.incidences.shape
    setups = s.incidence_setup[group.incidences]
    inverse = np.empty((n, d, 4, d, 4))
    for i in range(d):
        inverse[:, i, :, i, :] = diagonal[setups[:, i]]
    for pair, (i, j) in enumerate(zip(*group.pairs, strict=True)):
        block = lower[group.block[:, pair]]
        flip = group.flip[:, pair]
        block[flip] = block[flip].transpose(0, 2, 1)
        inverse[:, i, :, j, :] = block
        inverse[:, j, :, i, :] = block.transpose(0, 2, 1)
    weighted = system.weighted[group.incidences].reshape(n, 4 * d, 3)
    v = weighted.transpose(0, 2, 1) @ inverse.reshape(n, 4 * d, 4 * d)
    across[group.incidences] = v.reshape(n, 3, d, 4).transpose(0, 2, 1, 3)
    inner[group.marks] = v @ weighted + np.eye(3)


def _add_kept(
    s: Structure,
    rows: Rows,
    diagonal: FloatArray,
    lower: FloatArray,
    leverage: FloatArray,
    mark_setup: FloatArray,
    kept: BoolArray,
) -> None:
    """Complete the leverage of connections to kept marks."""
    place = np.full(len(s.incidence_setup), -1)
    place[s.coupled] = np.arange(len(s.coupled))
    number = place[s.incidence[kept]]
    between = lower[s.coupled_block[number]]
    flip = s.coupled_flip[number]
    between[flip] = between[flip].transpose(0, 2, 1)
    between = between[:, :, :3]
    by_setup, by_mark = rows.by_setup[kept], rows.by_mark[kept]
    cross = by_setup @ between @ by_mark.transpose(0, 2, 1)
    own = diagonal[s.incidence_mark[s.incidence[kept]], :3, :3]
    leverage[kept] += cross + cross.transpose(0, 2, 1) + by_mark @ own @ by_mark.transpose(0, 2, 1)
    mark_setup[kept] = between.transpose(0, 2, 1)


def _link_leverage(s: Structure, rows: Rows, diagonal: FloatArray, lower: FloatArray) -> FloatArray:
    """Return A Q A' of each link (l,)."""
    between = lower[s.link_block]
    between[s.link_flip] = between[s.link_flip].transpose(0, 2, 1)
    a, b = rows.link_start, rows.link_end

    def form(left: FloatArray, block: FloatArray, right: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("li,lij,lj->l", left, block[:, :3, :3], right))

    return (
        form(a, diagonal[s.link_start], a)
        + form(b, diagonal[s.link_end], b)
        + 2.0 * form(a, between, b)
    )
