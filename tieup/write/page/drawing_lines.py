"""Lines on the plan: who sighted what, and the strings in their order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import IntArray
from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.page.drawing_points import RANK, DrawingPoints
from tieup.write.page.page_table import texts
from tieup.write.page.strings_view import string_lines

SUSPECT = 3.29  # residuals beyond this many sds come up once in a thousand
MOST_SIGHTS = 4000


@dataclass(frozen=True)
class Lines:
    """SVG paths: sights of marks, of them the suspect ones, sights of shots, and strings."""

    marks: str
    suspect: str
    shots: str
    strings: str


def lines_of(site: Reconciliation, starts: IntArray, places: DrawingPoints) -> Lines:
    """Draw the sights and strings among the points that are shown.

    ``starts`` says where each raw row begins in the observations.
    """
    observations = site.observations
    setups = np.asarray(observations["setup"], dtype=object)[starts].tolist()
    points = np.asarray(observations["point"], dtype=object)[starts].tolist()
    suspect = _suspect(observations, starts)
    sights: dict[tuple[int, int], bool] = {}
    for setup, point, odd in zip(setups, points, suspect, strict=True):
        stand = places.setups.get(setup, -1)
        number = places.point(point, setup) if stand >= 0 else -1
        if number >= 0:
            sights[stand, number] = sights.get((stand, number), False) or odd
    mark = [role in RANK for role in texts(site.coordinates, "role", places.rows)]
    return Lines(
        marks=_rays(places, [s for s, odd in sights.items() if not odd and mark[s[1]]]),
        suspect=_rays(places, [s for s, odd in sights.items() if odd]),
        shots=_rays(places, [s for s, odd in sights.items() if not odd and not mark[s[1]]]),
        strings=string_lines(site.strings, places),
    )


def _suspect(observations: Table, starts: IntArray) -> list[bool]:
    """Say of each raw row whether something of it was left out or stands out."""
    if not len(starts):
        return []
    w = np.asarray(observations["w"], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        odd = np.abs(w) > SUSPECT
    odd |= np.asarray(observations["status"]) == "excluded"
    found: list[bool] = np.logical_or.reduceat(odd, starts).tolist()
    return found


def _rays(places: DrawingPoints, sights: list[tuple[int, int]]) -> str:
    stands = [f"{x:.2f} {y:.2f}" for x, y in zip(places.setup_x, places.setup_y, strict=True)]
    return "".join(
        f"M{stands[setup]}L{places.at(point)}"
        for setup, point in sights[:MOST_SIGHTS]
        if "nan" not in stands[setup]
    )
