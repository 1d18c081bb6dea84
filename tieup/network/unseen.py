"""Known marks that nobody sighted and that are correlated with others: they move with those."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.model.network import Start
from tieup.network.assembly import Assembly


def with_correlated(assembly: Assembly, start: Start) -> Start:
    """Return the start with the marks of correlated control that it does not place.

    They stand where control has them, in height too where any height belongs to the frame.
    """
    marks = assembly.correlated.marks
    known = np.isfinite(assembly.control[marks])
    unseen = ~start.plan_point[marks] & known[:, :2].all(axis=1)
    marks, known = marks[unseen], known[unseen]
    if not len(marks):
        return start
    position, plan = start.position.copy(), start.plan_point.copy()
    height = start.height_point.copy()
    in_frame = known[:, 2] & bool(start.height_point.any())
    position[marks] = np.where(known, assembly.control[marks], 0.0)
    plan[marks], height[marks] = True, in_frame
    return replace(start, position=position, plan_point=plan, height_point=height)
