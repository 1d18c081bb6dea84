"""Try each convention on one setup in closed form, and say which one it fits under."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.convention_signs import sexagesimal, steep
from tieup.diagnose.basis.single_setup_fit import (
    Agreement,
    Known,
    SingleSetupFit,
    agreement,
    known_without,
    marks_alone,
    readings_of,
    rows_of_setup,
    with_station,
)
from tieup.diagnose.basis.solve import assemble
from tieup.diagnose.first_solution.convention_claims import Claim
from tieup.diagnose.kinds.convention_catalogue import ALL, AS_STATED, Convention, every_convention
from tieup.diagnose.names.name_visits import SIDE
from tieup.errors import TieupError
from tieup.model.arrays import IntArray
from tieup.model.network import Network

TELLING_MARKS = 3  # two marks test one distance and nothing else
MOST_AGREE = 0.7  # share of the marks that must fit under the new convention
ONE_MARK = 0.9  # cost by which it must fit better than as stated: one mark decidedly out
AMBIGUOUS = 0.5  # cost within which a second convention fits as well
POLE = (0.9, 3.0)  # m; a pole is held at a height in here: common practice, no source


def claim_of(case: Case, network: Network, setup: int) -> Claim | None:
    """Return the one convention under which a setup fits, if as stated it does not."""
    known = known_without(network, case, setup)
    rows = _telling_rows(case, setup, known)
    before = agreement(_marks(case, network, setup, rows, AS_STATED), known)
    if before.cost < ONE_MARK:
        return None
    plain = _gives_itself_away(case, setup)
    fits: list[tuple[float, Convention, Agreement]] = []
    for convention in every_convention():
        after = agreement(_marks(case, network, setup, rows, convention), known)
        if _fits(convention, before, after, plain):
            fits.append((after.cost + _implausible(case, setup, convention), convention, after))
    if not fits:
        return None
    cost, convention, after = min(fits, key=lambda fit: fit[0])
    others = [c for c, rival, _ in fits if rival.right != convention.right]
    if others and min(others) < cost + AMBIGUOUS:
        return None
    return Claim(setup, convention, before, after, only_witness(network, setup, known))


def _telling_rows(case: Case, setup: int, known: Known) -> IntArray:
    """Return the rows of a setup to marks, side shots only where there are too few others.

    The numbers of side shots may begin again at each setup.
    """
    rows = rows_of_setup(case, setup)
    named = rows[case.shots.role[rows] != SIDE]
    marks = np.unique(case.shots.point[named])
    return named if np.isfinite(known.plan[marks]).sum() >= TELLING_MARKS else rows


def _marks(
    case: Case, network: Network, setup: int, rows: IntArray, convention: Convention
) -> SingleSetupFit:
    marks = marks_alone(case, rows, convention.change(readings_of(case, rows)))
    own = case.setups[setup]
    if not own.station:
        return marks
    height = own.instrument_height * (convention.factor if convention.heights else 1.0)
    return with_station(marks, network.point_names.index(own.station), height)


def _gives_itself_away(case: Case, setup: int) -> frozenset[str]:
    """Return the kinds of convention that the numbers of a setup show by themselves."""
    signs = {"vertical-angle-kind": steep(case), "angle-unit": sexagesimal(case)}
    return frozenset(kind for kind, sign in signs.items() if sign[setup])


def _fits(
    convention: Convention, before: Agreement, after: Agreement, plain: frozenset[str]
) -> bool:
    """Say whether a setup fits under a convention and decidedly not without."""
    if after.cost + ONE_MARK > before.cost or after.level < MOST_AGREE * after.levelled:
        return False
    if after.agreeing >= max(TELLING_MARKS, MOST_AGREE * after.offered):
        return True
    # Two marks test their distance: enough where it is off by just this factor in plan and
    # in height, or where the numbers show the convention by themselves.
    both = after.offered == after.agreeing == 2 and after.level == 2
    return both and (convention.factor != 1.0 or convention.kind in plain)


def _implausible(case: Case, setup: int, convention: Convention) -> float:
    """Return a small cost for pole heights that nobody would book, to decide between equals."""
    poles = case.shots.target_height[rows_of_setup(case, setup)]
    poles = poles[poles > 0.0] * (convention.factor if convention.heights else 1.0)
    typical = float(np.median(poles)) if len(poles) else 1.5
    return 0.0 if POLE[0] <= typical <= POLE[1] else 0.1


def claim_apart(case: Case, setup: int) -> Claim | None:
    """Return the same, tried against start values that the setup has no part in."""
    network = network_without(case, setup)
    return None if network is None else claim_of(case, network, setup)


def stands(case: Case, network: Network, setup: int) -> bool:
    """Say whether a setup fits as stated, on marks that more than one other vouches for."""
    known = known_without(network, case, setup)
    if (known.sources > 1).sum() < TELLING_MARKS:
        return False
    rows = _telling_rows(case, setup, known)
    return agreement(_marks(case, network, setup, rows, AS_STATED), known).cost < ONE_MARK


def network_without(case: Case, setup: int) -> Network | None:
    """Return the network of a case without a setup; None where nothing is left to place."""
    reduced = case.without(rows_of_setup(case, setup), ALL).without_station(setup)
    try:
        return assemble(reduced)[1]
    except TieupError:
        return None


def only_witness(network: Network, setup: int, known: Known) -> int:
    """Return the setup that alone speaks of the marks of another; -1 where there is more."""
    sights, start = network.sights, network.start
    own = np.flatnonzero(known.sources > 0)
    if (known.sources[own] > 1).any():
        return -1
    beside = np.isin(sights.point, own) & (sights.setup != setup) & start.plan_setup[sights.setup]
    witnesses = np.unique(sights.setup[beside])
    return int(witnesses[0]) if len(witnesses) == 1 else -1
