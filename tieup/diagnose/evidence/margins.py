"""The smallest mistake that is noticed 8 times in 10, in units of its own sd.

A mistake is noticed where its test passes the level of the job, 0.01 over the number M of its
hypotheses, with the scatter judged by the larger of stated and estimated and known to df degrees:

    delta0 = t(1 - 0.005 / M; df) kappa + FOUND

kappa is 1 after the readings, when the scatter that they are judged by is known. Before them it
can only be larger than stated, and by how much hangs on df. Of several sizes at once delta0 is
that of their weakest direction, the root of the non-centrality of F.

The normal value of 80 % is 0.8416. A mistake has more tests than its own: of the pole, of the
mark, of the next reading of the sight, which look nearly the same. One of them or another notices
5 % more, so that less is enough: `tests.bench.smallest` counts it.

References: Baarda (1968), internal reliability; Bonferroni; Satterthwaite (1946) for df.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import f_critical, noncentrality_beyond, student_critical
from tieup.diagnose.evidence.thresholds import FALSE_ALARM
from tieup.model.arrays import FloatArray, IntArray

POWER = 0.80
FOUND = 0.70  # sds above the threshold; 8 in 10 are then noticed, by its own test or by another
WIDER = 0.35  # simulated: what max(1, scatter) adds to a threshold, over the root of df


def planned_margin(freedom: FloatArray | float) -> FloatArray:
    """Return kappa, what a threshold is multiplied by before the readings.

    The scatter that they will be judged by is not known yet, and it can only be larger than stated.
    """
    return np.asarray(1.0 + WIDER / np.sqrt(np.asarray(freedom)))


def noticed_size(family: int, freedom: FloatArray | float, *, planned: bool = False) -> FloatArray:
    """Return delta0 of mistakes of one size, in sds.

    ``family`` is the number of hypotheses of the job, ``freedom`` the degrees to which the variance
    of the mistake is known; ``planned``: nothing is measured yet.
    """
    critical = student_critical(0.5 * FALSE_ALARM / max(family, 1), freedom)
    return critical * (planned_margin(freedom) if planned else 1.0) + FOUND


def noticed_sizes(
    family: int, freedom: FloatArray, degrees: IntArray, *, planned: bool = False
) -> FloatArray:
    """Return delta0 (n,) of mistakes of ``degrees`` (n,) sizes along their weakest direction."""
    result = noticed_size(family, freedom, planned=planned)
    several = np.flatnonzero(degrees > 1)
    q, known = degrees[several].astype(np.float64), freedom[several]
    critical = q * f_critical(FALSE_ALARM / max(family, 1), q, known)
    if planned:
        critical = critical * planned_margin(known) ** 2
    result = np.array(result, dtype=np.float64)
    result[several] = np.sqrt(noncentrality_beyond(critical, POWER, q))
    return result
