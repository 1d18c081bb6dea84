"""Take what a mistake contaminates out of the case.

Nothing is corrected: readings are left out, a doubted height or control value counts as
not known, a mark or a setup that moved becomes two. What is in all readings alike stays
in and is reported: leaving it out would leave nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.case import Case, new_name
from tieup.diagnose.mistake import Mistake
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.finding import STRING_STEP
from tieup.reduce.target_visits import shooting_order


def setup_number(case: Case, label: str) -> int:
    """Return the number of the setup with this label."""
    return next(n for n, setup in enumerate(case.setups) if setup.label == label)


def adapt(case: Case, mistake: Mistake) -> Case:
    """Return the case without what ``mistake`` contaminates."""
    if mistake.links:
        return case.without_links(mistake.links)
    match mistake.kind:
        case "instrument-height":
            return case.without_instrument_height(setup_number(case, mistake.setup))
        case "station-name":
            return case.without_station(setup_number(case, mistake.setup))
        case "control-coordinate":
            components = tuple("NEH".index(letter) for letter in mistake.detail)
            return case.without_control(mistake.points[0], components)
        case "mark-moved":
            return case.with_renamed(mistake.rows, mistake.instead[0])
        case "instrument-moved":
            number = setup_number(case, mistake.setup)
            return case.with_split_setup(number, from_row_on(case, number, int(mistake.rows[0])))
    return case.without(contaminated_rows(case, mistake), mistake.kinds)


def stays_in(mistake: Mistake) -> bool:
    """Say whether a mistake is in the whole site alike, or perhaps none: nothing is left out."""
    if mistake.kind in ("vertical-index", STRING_STEP):
        return True
    return mistake.kind in ("prism-constant", "distance-scale") and not mistake.setup


def from_row_on(case: Case, setup: int, row: int) -> IntArray:
    """Return all rows of a setup, side shots too, from ``row`` on in shooting order."""
    order = shooting_order(case.shots)
    return np.flatnonzero((case.shots.setup == setup) & (order >= order[row]))


def contaminated_rows(case: Case, mistake: Mistake) -> IntArray:
    """Return the rows that share the mistake, side shots that nothing tests included.

    A wrong pole height of a run of shots is in everything shot between the first and
    the last of the run with the same entry; a wrong constant in every distance of the setup.
    """
    shots = case.shots
    rows = mistake.rows
    if mistake.kind == "target-height" and len(np.unique(shots.point[rows])) > 1:
        setup, entry = shots.setup[rows[0]], shots.target_height[rows[0]]
        order = shooting_order(case.shots)
        inside = (order >= order[rows].min()) & (order <= order[rows].max())
        return np.flatnonzero((shots.setup == setup) & inside & (shots.target_height == entry))
    if mistake.kind in ("prism-constant", "distance-scale", "instrument-settled"):
        mask: BoolArray = np.isin(shots.setup, np.unique(shots.setup[rows]))
        if mistake.kind == "prism-constant" and mistake.detail:
            mask &= shots.target == mistake.detail
        return np.flatnonzero(mask)
    return rows


def without_index(case: Case, mistake: Mistake) -> Case:
    """Take an estimated vertical index off the zenith angles it is in."""
    shots = case.shots
    inside = np.isin(shots.setup, np.unique(shots.setup[mistake.rows]))
    sign = np.where(shots.zenith > np.pi, -1.0, 1.0)
    zenith = np.where(inside, shots.zenith - sign * mistake.size[0], shots.zenith)
    return replace(case, shots=replace(shots, zenith=zenith))


def as_mistake(case: Case, mistake: Mistake) -> Mistake:
    """Give a moved mark the name that its later self will have."""
    if mistake.kind != "mark-moved" or mistake.instead:
        return mistake
    first = mistake.detail.removeprefix("from ")
    name = f"{mistake.points[0]}@{first}"
    if name in case.points:
        name = new_name(name, "~", set(case.points))
    return replace(mistake, instead=(name,))
