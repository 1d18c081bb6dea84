"""Turn horizontal and vertical distances into the slope distance and zenith angle behind them.

Some instruments and exports give the parts of a shot instead of the shot. The vertical
distance runs from the instrument axis to the prism, up positive. A horizontal distance alone
stays one: an observation in plan, at the height of the setup.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def merge_level_distances(values: dict[str, NDArray[Any]]) -> None:
    """Replace horizontal and vertical distance (m) by zenith (rad) and slope distance (m).

    What was observed as such goes first: a zenith angle is computed only where there is none,

        z = atan2(h, v),  in face 2 the reading 2 pi - z

    and a slope distance only where there is none, s = h / sin z. Where the zenith angle is
    wanting the distance is horizontal, and its row is marked ``level``.
    """
    level, rise = values.pop("horizontal_distance"), values.pop("vertical_distance")
    known = ~np.isnan(level)
    angle = np.arctan2(level, rise)
    reading = np.where(values["face"] == 2.0, 2.0 * np.pi - angle, angle)
    values["zenith"] = np.where(np.isnan(values["zenith"]), reading, values["zenith"])
    wanted = known & np.isnan(values["distance"])
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = level / np.abs(np.sin(values["zenith"]))
    values["level"] = wanted & np.isnan(values["zenith"])
    values["distance"] = np.where(wanted, slope, values["distance"])
    values["distance"] = np.where(values["level"], level, values["distance"])
