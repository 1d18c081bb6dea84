"""Every setup's word on every name: where it saw it, with which rows, for what purpose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.single_setup_fit import places_by_start
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.network import Network
from tieup.reduce.sights import Reduction

SIDE = "side"
MARK_ROLES = ("backsight", "foresight", "check")  # of what is meant to be shot again


@dataclass(frozen=True)
class NameVisits:
    """One entry a sight, (k,): ``setup``, ``point`` (as booked), ``place`` (k, 3) in m.

    ``place`` is NaN where the setup has no place in the start, or the sight no direction or no
    distance. ``side`` says that every row is a side shot, ``mute`` that no row has a role.
    ``code`` is that of the first row.
    """

    setup: IntArray
    point: IntArray
    place: FloatArray
    side: BoolArray
    mute: BoolArray
    code: TextArray


def visits_of(case: Case, reduction: Reduction, network: Network) -> NameVisits:
    """Return the visits of a case; names are those of ``case``, whatever the network calls them."""
    shots, sights = case.shots, network.sights
    rows = np.flatnonzero(reduction.pointings.sight >= 0)
    sight, count = reduction.pointings.sight[rows], len(sights)
    first = np.full(count, len(shots), dtype=np.int64)
    np.minimum.at(first, sight, rows)
    number = np.bincount(sight, minlength=count)

    def every(mask: BoolArray) -> BoolArray:
        return np.asarray(np.bincount(sight, weights=mask, minlength=count) == number)

    return NameVisits(
        setup=sights.setup,
        point=shots.point[first],
        place=places_by_start(sights, network, case.refraction),
        side=every(shots.role[rows] == SIDE),
        mute=every(shots.role[rows] == ""),
        code=shots.code[first],
    )
