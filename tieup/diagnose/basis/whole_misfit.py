"""How badly a solution fits as a whole: what explanations of gross mistakes are held against."""

from __future__ import annotations

from tieup.diagnose.basis.solve import Solved

EACH = 25.0  # price of a reading left out, in v'Pv: what a reading 5 sd off would add
CLEARLY = 200.0  # misfit in v'Pv beyond chance that says: something gross is still inside


def fits_badly(solved: Solved) -> bool:
    """Say whether what is left in fits so badly that more than single sights is wrong."""
    dof = max(solved.adjustment.dof, 1)
    return bool(solved.adjustment.weighted_sum > dof + CLEARLY + 10.0 * dof**0.5)


def misfit_cost(solved: Solved) -> float:
    """Return what does not fit: v'Pv beyond its mean, and a price for what had to be left out."""
    start = solved.network.start
    left_out = int(start.gross.sum()) + int(start.gross_station.sum())
    left_out += int(start.gross_control.sum())
    return solved.adjustment.weighted_sum - solved.adjustment.dof + EACH * left_out
