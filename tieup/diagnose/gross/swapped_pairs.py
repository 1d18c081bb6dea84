"""Two gross sights of a setup that each arrived at the other's mark: their names were swapped."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.point_name import seen_instead
from tieup.diagnose.kinds.swapped_names import SWAPPED_NAMES, with_equal_setups
from tieup.model.arrays import IntArray


def swapped_pairs(solved: Solved, numbers: IntArray) -> list[Mistake]:
    """Return the pairs of gross sights of a setup that each arrived at the other's mark."""
    sights, case = solved.network.sights, solved.case
    names = {int(n): seen_instead(solved, int(n)) for n in numbers}
    own = {n: case.points[sights.point[n]] for n in names}
    found: list[Mistake] = []
    used: set[int] = set()
    for first in names:
        for second in names:
            if second <= first or {first, second} & used:
                continue
            same = sights.setup[first] == sights.setup[second]
            if same and names[first] == (own[second],) and names[second] == (own[first],):
                used |= {first, second}
                rows = np.flatnonzero(np.isin(solved.reduction.pointings.sight, [first, second]))
                label = case.setups[sights.setup[first]].label
                swap = SWAPPED_NAMES.of_pair(label, (own[first], own[second]), rows)
                found.append(with_equal_setups(solved, swap))
    return found
