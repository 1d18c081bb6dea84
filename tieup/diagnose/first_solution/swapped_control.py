"""Northing and easting in each other's column of the control list: of all marks, or of some.

A list swapped as a whole is the mirror image of the site. So is a site on which every
circle was read anticlockwise: the two fit alike, and both are named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_ROWS
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import NEAR, TURNED
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.kinds.misread import MIRRORED_CIRCLE
from tieup.diagnose.kinds.swapped_axes import SWAPPED_AXES, WHOLE_LIST
from tieup.errors import TieupError
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.control import Control
from tieup.model.network import Network
from tieup.model.settings import Datum
from tieup.network.rigid import ComplexArray, consensus

TELLING_MARKS, MOST_AGREE = 3, 0.7  # marks, and their share, that must fit the swapped list
ONE_MARK = 0.9  # cost by which it must fit better than the list as given
GROSS_SHARE = 0.25  # of the control marks seen: fewer are wrong one by one
NO_SWAP = 1.0  # m; northing and easting closer than this are not worth swapping
LEAST_MISFIT = 0.001  # m; a better fit than this says no more


@dataclass(frozen=True)
class Fitted:
    """How a control list fits a block of setups: marks offered and agreeing, cost, misfit (m)."""

    offered: int
    agreeing: int
    cost: float
    misfit: float


def resolve_axes(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Find control with swapped axes and solve without its plan coordinates."""
    start, case = solved.network.start, solved.case
    if case.control is None or not len(start.gross_control):
        return solved, []
    known = np.isfinite(solved.network.control[:, :2]).all(axis=1)
    missed = _missed(solved.network) & known
    if not missed.any():
        return solved, []
    if missed.sum() >= GROSS_SHARE * (known & start.plan_point).sum():
        whole = whole_list(case)
        if whole is not None:
            return whole
    gross = start.gross_control[:, :2].any(axis=1)
    mistake = _some_marks(case.control, solved.network, np.flatnonzero(gross).tolist())
    if mistake is None:
        return solved, []
    for name in mistake.points:
        case = case.without_control(name, (0, 1))
    return solve(case), [mistake]


def _missed(network: Network) -> BoolArray:
    """Tell which marks (P,) miss their coordinates: themselves, a station, half their sights."""
    start, sights = network.start, network.sights
    missed: BoolArray = np.asarray(start.gross_control[:, :2].any(axis=1))
    missed[network.station[start.gross_station[:, 0]]] = True
    count = len(missed)
    gross = np.bincount(sights.point, weights=start.gross.any(axis=1), minlength=count)
    return np.asarray(
        missed | (gross > 0) & (2 * gross >= np.bincount(sights.point, minlength=count))
    )


def whole_list(case: Case) -> tuple[Solved, list[Mistake]] | None:
    """Return the free solution of a case whose whole control list is swapped, or None."""
    control = case.control
    if control is None:
        return None
    try:
        solved = solve(_without_plan(case, control))
    except TieupError:
        return None
    as_given = fitted_list(solved.network, control, control.coordinates[:, :2])
    swapped = fitted_list(solved.network, control, control.coordinates[:, 1::-1])
    enough = max(TELLING_MARKS, MOST_AGREE * swapped.offered)
    if swapped.agreeing < enough or swapped.cost + ONE_MARK > as_given.cost:
        return None
    statistic = as_given.misfit / max(swapped.misfit, LEAST_MISFIT)
    mistake = replace(
        SWAPPED_AXES.mistake("", control.names, NO_ROWS),
        statistic=statistic,
        detail=WHOLE_LIST,
        rivals=(MIRRORED_CIRCLE.rival("", (), statistic),),
    )
    return solved, [mistake]


def _without_plan(case: Case, control: Control) -> Case:
    """Return the case as a free one that believes nothing of control but heights."""
    coordinates = control.coordinates.copy()
    coordinates[:, :2] = np.nan
    return replace(case, datum=Datum("free"), control=replace(control, coordinates=coordinates))


def fitted_list(network: Network, control: Control, plan: FloatArray) -> Fitted:
    """Fit plan coordinates (c, 2) of the control marks onto the marks of a free block."""
    numbers = {name: number for number, name in enumerate(network.point_names)}
    mark = np.array([numbers[name] for name in control.names], dtype=np.int64)
    reached = np.isfinite(plan).all(axis=1) & network.start.plan_point[mark]
    mark, plan = mark[reached], plan[reached]
    there: ComplexArray = network.start.position[mark, 0] + 1j * network.start.position[mark, 1]
    here: ComplexArray = plan[:, 0] + 1j * plan[:, 1]
    if len(mark) < TELLING_MARKS:
        return Fitted(len(mark), 0, float(len(mark)), np.nan)
    here = here - here.mean()
    tolerance = NEAR + TURNED * np.abs(here)
    fit = consensus(mark, here, there, tolerance)
    off = np.full(len(mark), np.inf)
    if fit is not None:
        off = np.abs(here - (fit.turn * there + fit.shift))
    return Fitted(
        len(mark),
        int((off <= tolerance).sum()),
        float((np.minimum(off / tolerance, 1.0) ** 2).sum()),
        float(np.sqrt((np.minimum(off, 1e3) ** 2).mean())),
    )


def _some_marks(control: Control, network: Network, gross: list[int]) -> Mistake | None:
    """Name the marks that lie where their coordinates say when swapped."""
    names, before, after = [], [], []
    for number in gross:
        name = network.point_names[number]
        given = control.coordinates[control.names.index(name), :2]
        found = (network.start.position[number] + network.origin)[:2]
        off = float(np.hypot(*(given[::-1] - found)))
        if off <= NEAR and abs(given[0] - given[1]) > NO_SWAP:
            names.append(name)
            before.append(float(np.hypot(*(given - found))))
            after.append(off)
    if not names:
        return None
    statistic = max(before) / max(*after, LEAST_MISFIT)
    return replace(SWAPPED_AXES.mistake("", names, NO_ROWS), statistic=statistic)
