"""Whether a setup would prove anything once a further sight is shot: the shape and the tests.

The shape: three marks, a free station's not in one line with it, and without distances not on
one circle with it. The tests: a mistake at one of its marks at least must show, in plan and in
height, as in `tieup.ties.marks`; here from Q+ = Q - H H' (`tieup.preanalysis.update`).
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.estimable import Information
from tieup.geometry import azimuth
from tieup.model.arrays import FloatArray
from tieup.ties.free_station_precision import danger
from tieup.ties.setup_geometry import NEAR_LINE, ON_CIRCLE, fan
from tieup.ties.shifts import solve_shifts

ENOUGH = 3  # marks that a setup needs to prove more than a distance


def shape_proves(offset: FloatArray, *, occupied: bool, ranged: bool) -> bool:
    """Say whether marks at these offsets (k, 2) in m can prove a setup.

    ``occupied``: it stands over one more mark. ``ranged``: distances are measured.
    """
    if len(offset) + occupied < ENOUGH:
        return False
    bearing = azimuth(offset[:, 0], offset[:, 1])
    off_line = fan(2.0 * bearing) / 2.0 >= NEAR_LINE
    return occupied or (off_line and (ranged or danger(offset) >= ON_CIRCLE))


def any_tested(groups: list[tuple[FloatArray, FloatArray]], *, level: bool) -> bool:
    """Say whether a mistake at any mark of a setup shows, in plan and (``level``) in height.

    Parameters
    ----------
    groups
        For each mark: the whitened rows (n, 7) of all that joins it to the setup, and the
        covariance (7, 7) of setup and mark.
    """
    seen, left = np.zeros((len(groups), 3, 3)), np.zeros((len(groups), 3, 3))
    for i, (rows, covariance) in enumerate(groups):
        place = rows[:, 4:]
        seen[i] = place.T @ place
        across = place.T @ rows
        left[i] = seen[i] - across @ covariance @ across.T
    shifts = solve_shifts(Information(seen, left, np.zeros((len(groups), 3))))
    plan = np.isfinite(shifts.covariance[:, 0, 0]).any()
    height = np.isfinite(shifts.covariance[:, 2, 2]).any()
    return bool(plan and (height or not level))
