"""Precision and reliability of everything in the system, from the selected inverse.

With the marks eliminated, for a mark seen from setups 1..d, V = [W_1' ... W_d'] Z (Z the
inverse on its setups), X = V [W_1' ... W_d']' + I:

    Q_mark = L'^-1 X L^-1          Q_mark,setup = -L'^-1 V

For the whitened rows [A_s A_m] of one connection the leverage A Q A' gives the redundancy
numbers, 1 - its diagonal. What turns of bases of bearings add comes last: with Z and C of
`tieup.adjust.turn_border` every covariance F Q F' grows by (F_x Z - F_t) C (F_x Z - F_t)'.

References: Baarda (1968), A testing procedure for use in geodetic networks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust import multifrontal
from tieup.adjust.elimination import DesignRows, Eliminated, turned
from tieup.adjust.mark_elimination import Structure
from tieup.adjust.stacks import new_stack, product, sum_by, take, transposed
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION


@dataclass(frozen=True)
class CrossCovariances:
    """Covariances ``block`` (k, 4, 4) of two of ``setups`` setups that see one eliminated mark.

    ``key`` (k,), ascending, is the number of the first setup times ``setups`` plus the second;
    each pair has one block, whose rows are those of the first.
    """

    setups: int
    key: IntArray
    block: FloatArray

    def of(self, pairs: IntArray) -> FloatArray:
        """Return the blocks (q, 4, 4) of ``pairs`` (q, 2) in their order, NaN where none is."""
        found = np.full((len(pairs), 4, 4), np.nan)
        if len(self.key):
            for turn, ends in ((False, pairs), (True, pairs[:, ::-1])):
                wanted = ends[:, 0] * self.setups + ends[:, 1]
                place = np.minimum(np.searchsorted(self.key, wanted), len(self.key) - 1)
                own = self.key[place] == wanted
                block = self.block[place[own]]
                found[own] = transposed(block) if turn else block
        return found


@dataclass(frozen=True)
class Spread:
    """Covariances in the held datum and leverages.

    ``setup`` (S, 4, 4), ``mark`` (m, 3, 3), ``leverage`` (c, 3, 3), ``mark_setup`` (c, 3, 4),
    ``link_leverage`` (l,), and what is ``between`` setups. Of the turns of g bases of bearings
    ``turn`` (g, g), with the setups ``setup_turn`` (S, 4, g), with the marks ``mark_turn``
    (m, 3, g).
    """

    setup: FloatArray
    mark: FloatArray
    leverage: FloatArray
    mark_setup: FloatArray
    link_leverage: FloatArray
    between: CrossCovariances
    turn: FloatArray
    setup_turn: FloatArray
    mark_turn: FloatArray


def spread(system: Eliminated, rows: DesignRows) -> Spread:
    """Compute covariances and leverages of the factored ``system`` with its ``rows``."""
    s = system.structure
    diagonal, lower = multifrontal.selected_inverse(system.factor)
    setup = _by_element(diagonal[: s.setups])
    mark, across = _eliminated_marks(system, setup, lower)
    mark = np.concatenate([mark, diagonal[s.setups :, :3, :3]])
    kept = turned(lower[s.kept.block], s.kept.turned)[:, :, :3]
    across = np.concatenate([across, transposed(kept)])
    mark_setup = take(across, s.incidences.of_connection)
    leverage = _leverage(s, rows, setup, mark, mark_setup)
    linked = _link_leverage(s, rows, diagonal, lower)
    return _with_turns(
        Spread(setup, mark, leverage, mark_setup, linked, _between(s, lower), *_turns(system)),
        system,
        rows,
    )


def _turns(system: Eliminated) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the covariances of the turns, with the setups and with the marks."""
    cofactor = system.border.cofactor
    setup, mark = system.border.response
    return cofactor, -setup @ cofactor, -mark @ cofactor


def _with_turns(found: Spread, system: Eliminated, rows: DesignRows) -> Spread:
    """Return what was found with every turn known, with what unknown ones add."""
    s, border = system.structure, system.border
    if not border.bases.count:
        return found
    of_setup, of_mark = border.response
    reach = rows.by_setup @ of_setup[s.setup] + rows.by_mark @ of_mark[s.mark]
    reach[border.bases.rows, DIRECTION, border.bases.basis] -= border.by_turn
    ends = s.linked
    first, second = np.divmod(found.between.key, s.setups)
    along = np.einsum("li,lig->lg", rows.link_start, of_mark[ends[:, 0]])
    along += np.einsum("li,lig->lg", rows.link_end, of_mark[ends[:, 1]])

    def added(left: FloatArray, right: FloatArray) -> FloatArray:
        return np.asarray(left @ border.cofactor @ right.transpose(0, 2, 1))

    return replace(
        found,
        setup=found.setup + added(of_setup, of_setup),
        mark=found.mark + added(of_mark, of_mark),
        leverage=found.leverage + added(reach, reach),
        mark_setup=found.mark_setup + added(of_mark[s.mark], of_setup[s.setup]),
        between=replace(
            found.between, block=found.between.block + added(of_setup[first], of_setup[second])
        ),
        link_leverage=found.link_leverage + np.einsum("lg,gh,lh->l", along, border.cofactor, along),
    )


def _between(s: Structure, lower: FloatArray) -> CrossCovariances:
    """Return the blocks of the selected inverse between setups that share an eliminated mark."""
    numbers, once = np.unique(s.pairs.block, return_index=True)
    of = s.incidences.setup
    key = of[s.pairs.first[once]] * s.setups + of[s.pairs.second[once]]
    order = np.argsort(key)
    return CrossCovariances(s.setups, key[order], lower[numbers[order]])


def _by_element(stack: FloatArray) -> FloatArray:
    """Return the stack in the layout of `tieup.adjust.stacks`."""
    copy = new_stack(*stack.shape)
    copy[:] = stack
    return copy


def _eliminated_marks(
    system: Eliminated, setup: FloatArray, lower: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return covariances of eliminated marks (e, 3, 3) and with their setups (i, 3, 4)."""
    s, pairs = system.structure, system.structure.pairs
    own = s.incidences.own
    mark, of = s.incidences.mark[:own], s.incidences.setup[:own]
    weighted = transposed(system.weighted)
    between = take(_by_element(lower), pairs.block)
    v = product(weighted, take(setup, of))
    v += sum_by(product(take(weighted, pairs.second), transposed(between)), pairs.first, own)
    v += sum_by(product(take(weighted, pairs.first), between), pairs.second, own)
    inner = sum_by(product(v, system.weighted), mark, s.eliminated)
    inner += np.eye(3)
    root = transposed(system.root)
    return product(product(root, inner), system.root), -product(take(root, mark), v)


def _leverage(
    s: Structure, rows: DesignRows, setup: FloatArray, mark: FloatArray, mark_setup: FloatArray
) -> FloatArray:
    """Return A Q A' (c, 3, 3): A Q first by the setup's columns, then by the mark's."""
    by_setup, by_mark = rows.by_setup, rows.by_mark
    along = product(by_setup, take(setup, s.setup)) + product(by_mark, mark_setup)
    leverage = product(along, transposed(by_setup))
    along = product(by_setup, transposed(mark_setup)) + product(by_mark, take(mark, s.mark))
    return leverage + product(along, transposed(by_mark))


def _link_leverage(
    s: Structure, rows: DesignRows, diagonal: FloatArray, lower: FloatArray
) -> FloatArray:
    """Return A Q A' of each link (l,)."""
    between = turned(lower[s.links.block], s.links.turned)
    a, b = rows.link_start, rows.link_end

    def form(left: FloatArray, block: FloatArray, right: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("li,lij,lj->l", left, block[:, :3, :3], right))

    return (
        form(a, diagonal[s.links.first], a)
        + form(b, diagonal[s.links.second], b)
        + 2.0 * form(a, between, b)
    )
