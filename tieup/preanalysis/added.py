"""What one further look would do: at a mark not sighted yet, or at one that was.

A later look is a visit of its own: its target is set up again. It serves the next shots of a plan,
and the to-do list of a finished survey, whose scheme is `tieup.preanalysis.believed.scheme_of`.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.diagnose.certainty import Certainty
from tieup.errors import AdjustmentError, NetworkError
from tieup.model.arrays import FloatArray
from tieup.preanalysis.candidates import Candidates, candidate_sights, joined
from tieup.preanalysis.prospects import Prospects, prospects_of
from tieup.preanalysis.scheme import Scheme, places_of, solve_scheme


def with_look(scheme: Scheme, adjustment: Adjustment, setup: int, point: int) -> Scheme:
    """Return a scheme with one more look from a setup at a point, measured as its others are."""
    place, axis = places_of(scheme, adjustment)
    away = float(np.hypot(*(place[point] - axis[setup])[:2]))
    one = Candidates(np.array([setup]), np.array([point]), np.array([away]))
    return scheme.with_sights(joined(scheme.sights, candidate_sights(scheme, one)))


def after_look(
    scheme: Scheme,
    adjustment: Adjustment,
    setup: int,
    point: int,
    limits: FloatArray,
    certainty: Certainty | None = None,
) -> Prospects | None:
    """Return what a scheme would prove with one more look, None where that cannot be solved.

    ``adjustment`` is its solution so far, ``limits`` (2,) in m. With the `certainty` of what there
    is, the cost is one solution and one round of draws; compare with `prospects_of` before it.
    """
    whole = with_look(scheme, adjustment, setup, point)
    try:
        solved = solve_scheme(whole)
    except (NetworkError, AdjustmentError):
        return None
    return prospects_of(whole, solved, limits, certainty)
