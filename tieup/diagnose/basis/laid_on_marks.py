"""A solution where too little of the control list is left to hold the site.

Where two marks of a short list contradict each other, one of them goes, and what is left fixes no
turn. The site is then laid on the mark that is left and turned toward the one that went, as the
list has them: near the grid, and its shape its own. Where that cannot be either it floats.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Solved, solve
from tieup.errors import NetworkError
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.settings import Datum, LocalDatum


def solve_laid(case: Case) -> Solved:
    """Solve a case from which control was taken out, laid on its marks where they fix no frame.

    Raises
    ------
    NetworkError, AdjustmentError
        The readings cannot be tied or solved at all.
    """
    try:
        return solve(case)
    except NetworkError:
        if case.datum.kind != "control":
            raise
    local = _toward_another(case)
    if local is not None:
        try:
            return solve(replace(case, datum=Datum("local", local)))
        except NetworkError:  # azimuths or baselines have a turn of their own
            pass
    return solve(replace(case, datum=Datum("free")))


def _toward_another(case: Case) -> LocalDatum | None:
    """Return the frame of a mark that is believed and the farthest other one of the list."""
    if case.control is None or case.given is None:
        return None
    shot = {case.points[point] for point in np.unique(case.shots.point[case.use.any(axis=1)])}
    shot |= {setup.station for setup in case.setups if setup.station}
    believed = _places(case.control, shot, heights=True)
    listed = _places(case.given, shot, heights=False)
    if not believed:
        return None
    point, place = next(iter(believed.items()))
    others = {name: at[:2] - place[:2] for name, at in listed.items() if name != point}
    if not others:
        return None
    toward = max(others, key=lambda name: float(np.hypot(*others[name])))
    azimuth = float(np.arctan2(others[toward][1], others[toward][0]))
    northing, easting, elevation = place.tolist()
    return LocalDatum(point, northing, easting, elevation, toward, azimuth)


def _places(control: Control, shot: set[str], *, heights: bool) -> dict[str, FloatArray]:
    """Return the coordinates of listed marks that are shot and known, in the order of the list."""
    wanted = slice(0, 3 if heights else 2)
    return {
        name: place
        for name, place in zip(control.names, control.coordinates, strict=True)
        if name in shot and np.isfinite(place[wanted]).all()
    }
