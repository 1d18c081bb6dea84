"""The way a crew walks the site again: from the setup whose legs still stand back to the first.

The last setup comes first, its legs may still stand. Then in reverse order of setting up: a crew
sets up next to where it was, so the way back is short, and it needs no map of what stands between.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.reduce.visits import Visits


def walking_order(visits: Visits, setups: int) -> IntArray:
    """Return the numbers of the setups (S,), the one set up last first.

    By the clock where every setup has a time, else as recorded.
    """
    begun: FloatArray = np.full(setups, np.inf)
    shot = np.unique(visits.setup)
    np.minimum.at(begun, visits.setup, np.where(np.isnan(visits.time), np.inf, visits.time))
    if np.isfinite(begun[shot]).all():
        return np.lexsort((np.arange(setups), begun))[::-1]
    recorded: FloatArray = np.full(setups, np.inf)
    np.minimum.at(recorded, visits.setup, visits.first_row.astype(np.float64))
    return np.lexsort((np.arange(setups), recorded))[::-1]
