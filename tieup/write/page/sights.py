"""Lines on the plan: who sighted what, and the strings as they were shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import IntArray
from tieup.model.reconciliation import Table
from tieup.write.page.grid import texts
from tieup.write.page.places import RANK, Places

SUSPECT = 3.29  # residuals beyond this many sds come up once in a thousand
MOST_SIGHTS = 4000


@dataclass(frozen=True)
class Lines:
    """SVG paths: sights of marks, of them the suspect ones, sights of shots, and strings."""

    marks: str
    suspect: str
    shots: str
    strings: str


def lines_of(observations: Table, coordinates: Table, starts: IntArray, places: Places) -> Lines:
    """Draw the sights and strings among the points that are shown.

    ``starts`` says where each raw row begins in the observations.
    """
    setups = np.asarray(observations["setup"], dtype=object)[starts].tolist()
    points = np.asarray(observations["point"], dtype=object)[starts].tolist()
    suspect = _suspect(observations, starts)
    sights: dict[tuple[int, int], bool] = {}
    chains: dict[tuple[str, str], list[int]] = {}
    strings = _by_place(coordinates, "string", places)
    for setup, point, odd in zip(setups, points, suspect, strict=True):
        number, stand = places.point(point, setup), places.setups.get(setup, -1)
        if number < 0:
            continue
        if stand >= 0:
            sights[stand, number] = sights.get((stand, number), False) or odd
        if strings[number]:
            chain = chains.setdefault((setup, strings[number]), [])
            if number not in chain[-1:]:
                chain.append(number)
    mark = [role in RANK for role in _by_place(coordinates, "role", places)]
    return Lines(
        marks=_rays(places, [s for s, odd in sights.items() if not odd and mark[s[1]]]),
        suspect=_rays(places, [s for s, odd in sights.items() if odd]),
        shots=_rays(places, [s for s, odd in sights.items() if not odd and not mark[s[1]]]),
        strings="".join(_polylines(places, chains)),
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


def _by_place(coordinates: Table, column: str, places: Places) -> list[str]:
    values = texts(coordinates, column)
    return [values[row] for row in places.rows.tolist()]


def _rays(places: Places, sights: list[tuple[int, int]]) -> str:
    stands = [f"{x:.2f} {y:.2f}" for x, y in zip(places.setup_x, places.setup_y, strict=True)]
    return "".join(
        f"M{stands[setup]}L{places.at(point)}"
        for setup, point in sights[:MOST_SIGHTS]
        if "nan" not in stands[setup]
    )


def _polylines(places: Places, chains: dict[tuple[str, str], list[int]]) -> Iterator[str]:
    """Draw each setup's part of a string; between setups it joins at points both have shot."""
    for chain in chains.values():
        if len(chain) > 1:
            yield "M" + "L".join(places.at(point) for point in chain)
