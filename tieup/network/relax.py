"""Let a joined block settle: least squares on all ties at once, false ones held off.

Growing adds up small errors along a chain of setups, and the last joint of a loop would
show them all. Here they spread over the loop, so that what still misses is a mistake
and not the accident of the order of joining. Every tie is an observation in metres;
its weight fades with its misfit, first over a wide scale, then over a narrow one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from tieup.model.arrays import FloatArray, IntArray

LEASH = 10.0  # metres; sd given to every unknown, so that what is open stays where it is
DENSE = 400  # unknowns solved as one full matrix
SETTLED = 0.02  # metres; a step this small leaves no second one worth taking
MOST_STEPS = 6

SCALES = (3.0, 1.0)  # times what good work stays within

State = TypeVar("State")


@dataclass(frozen=True)
class TieRows:
    """Linear equations in metres; r of them, each on one setup and one mark.

    ``by_setup`` (r, q) and ``by_mark`` (r, p) are derivatives of predicted minus observed,
    ``misfit`` (r,) its value at the present state, ``sd`` (r,) and ``scale`` (r,) what good
    work scatters and stays within. ``setup`` or ``mark`` is -1 where a row has none.
    """

    setup: IntArray
    mark: IntArray
    by_setup: FloatArray
    by_mark: FloatArray
    misfit: FloatArray
    sd: FloatArray
    scale: FloatArray


def stack(parts: Sequence[TieRows], number_setup: IntArray, number_mark: IntArray) -> TieRows:
    """Join equations given by setup and point into one set with numbered unknowns.

    ``number_setup`` (S,) and ``number_mark`` (P,) turn setups and points into unknowns, -1
    for those that take no part; rows without a misfit are dropped.
    """
    setup = np.concatenate([part.setup for part in parts])
    mark = np.concatenate([part.mark for part in parts])
    misfit = np.concatenate([part.misfit for part in parts])
    kept = np.flatnonzero(np.isfinite(misfit))
    setup, mark = setup[kept], mark[kept]
    return TieRows(
        np.where(setup >= 0, number_setup[setup], -1),
        np.where(mark >= 0, number_mark[mark], -1),
        np.concatenate([part.by_setup for part in parts])[kept],
        np.concatenate([part.by_mark for part in parts])[kept],
        misfit[kept],
        np.concatenate([part.sd for part in parts])[kept],
        np.concatenate([part.scale for part in parts])[kept],
    )


def relax(
    state: State,
    rows_at: Callable[[State], TieRows],
    moved: Callable[[State, FloatArray, FloatArray], State],
    setups: int,
    marks: int,
) -> State:
    """Return the state in which the equations have settled.

    ``rows_at`` gives the equations at a state, ``moved`` a state changed by the steps (S, q)
    and (P, p).
    """
    rows = rows_at(state)
    for number, scale in enumerate(SCALES):
        if number and not (np.abs(rows.misfit) > rows.scale).any():
            break  # a narrower scale would weigh nothing down
        for _ in range(MOST_STEPS):
            fade = 1.0 / (1.0 + (rows.misfit / (scale * rows.scale)) ** 2) ** 2
            step, by_setup, by_mark = solve(rows, fade / rows.sd**2, setups, marks)
            state = moved(state, by_setup, by_mark)
            rows = rows_at(state)
            if step < SETTLED:
                break
    return state


def solve(
    rows: TieRows, weight: FloatArray, setups: int, marks: int
) -> tuple[float, FloatArray, FloatArray]:
    """Solve one weighted step; return the largest move in any row's misfit and both steps."""
    q, p = rows.by_setup.shape[1], rows.by_mark.shape[1]
    unknowns = setups * q + marks * p
    columns = np.concatenate(
        [
            np.where(rows.setup[:, None] >= 0, rows.setup[:, None] * q + np.arange(q), -1),
            np.where(
                rows.mark[:, None] >= 0, setups * q + rows.mark[:, None] * p + np.arange(p), -1
            ),
        ],
        axis=1,
    )
    values = np.concatenate([rows.by_setup, rows.by_mark], axis=1)
    values = np.where(columns >= 0, values, 0.0) * np.sqrt(weight)[:, None]
    wanted = -rows.misfit * np.sqrt(weight)
    columns = np.maximum(columns, 0)
    solver = _dense if unknowns <= DENSE else _sparse
    step = solver(columns, values, wanted, unknowns)
    change = np.abs((values * step[columns]).sum(axis=1)) / np.sqrt(weight)
    by_setup, by_mark = step[: setups * q].reshape(-1, q), step[setups * q :].reshape(-1, p)
    return float(change.max(initial=0.0)), by_setup, by_mark


def _dense(columns: IntArray, values: FloatArray, wanted: FloatArray, unknowns: int) -> FloatArray:
    design = np.zeros((len(values), unknowns))
    np.add.at(design, (np.arange(len(values))[:, None], columns), values)
    normal = design.T @ design
    normal[np.diag_indices(unknowns)] += LEASH**-2
    return np.asarray(np.linalg.solve(normal, design.T @ wanted), dtype=np.float64)


def _sparse(columns: IntArray, values: FloatArray, wanted: FloatArray, unknowns: int) -> FloatArray:
    from scipy.sparse import csr_array, dia_array
    from scipy.sparse.linalg import splu

    width = columns.shape[1]
    starts = np.arange(0, len(values) * width + 1, width, dtype=np.int32)
    places = columns.ravel().astype(np.int32)  # scipy 1.11 factors no wider indices
    shape = (len(values), unknowns)
    design = csr_array((values.ravel(), places, starts), shape=shape)
    leash = dia_array((np.full((1, unknowns), LEASH**-2), [0]), shape=(unknowns, unknowns))
    normal = (design.T @ design + leash).tocsc()
    options = {"SymmetricMode": True}
    factor = splu(normal, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options)
    step: FloatArray = factor.solve(design.T @ wanted)
    return step
