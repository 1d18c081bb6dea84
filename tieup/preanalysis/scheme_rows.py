"""A scheme as raw rows: so that a plan is asked about the same mistakes as a field book.

Every sight becomes as many rows as it has pointings, two of them in two faces. In each setup the
marks come first, then the points that one setup shoots, then every second look: as a crew works
that closes on its marks.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import DIRECTION, ZENITH, Pointings, Sights
from tieup.preanalysis.scheme import Scheme
from tieup.reduce.sights import Reduction
from tieup.reduce.target_visits import number_looks


def as_solved(scheme: Scheme, adjustment: Adjustment) -> Solved:
    """Return a solved scheme as a case with raw rows whose readings all fit."""
    network = adjustment.problem.network
    sights = network.sights
    sight, reading, face = _pointings(sights, _shooting_order(sights, adjustment))
    shots = _shots(sights, sight, reading, face)
    case = Case(
        shots=shots,
        setups=scheme.setups,
        points=scheme.points,
        use=np.isfinite(reading),
        control=scheme.control,
        given=scheme.control,
        booked=scheme.setups,
        links=scheme.links,
        precision=scheme.precision,
        datum=scheme.datum,
        refraction=scheme.refraction,
    )
    nothing = np.zeros(reading.shape)
    pointings = Pointings(sight, number_looks(shots), reading, 0.0 * reading, nothing)
    calm = np.zeros(len(sight), dtype=np.bool_)
    return Solved(case, Reduction(sights, pointings, (), (), calm), network, adjustment)


def _shooting_order(sights: Sights, adjustment: Adjustment) -> IntArray:
    """Return the numbers of the sights (k,) as they would be shot."""
    aside = adjustment.aside.connections
    alone = np.zeros(len(sights), dtype=np.bool_)
    alone[aside.source[~aside.plumb]] = True
    looks = np.zeros(len(sights))
    seen: dict[tuple[int, int], int] = {}
    for number, pair in enumerate(zip(sights.setup.tolist(), sights.point.tolist(), strict=True)):
        looks[number] = seen.get(pair, 0)
        seen[pair] = seen.get(pair, 0) + 1
    looks[alone] += 0.5
    return np.asarray(np.lexsort((np.arange(len(sights)), looks, sights.setup)))


def _pointings(sights: Sights, order: IntArray) -> tuple[IntArray, FloatArray, IntArray]:
    """Return sight (m,), reading (m, 3) and face (m,) of every pointing."""
    count = np.where(np.isfinite(sights.value), sights.count, 0)
    each = count.max(axis=1, initial=0)[order]
    sight = np.repeat(order, each)
    place = np.arange(len(sight)) - np.repeat(np.cumsum(each) - each, each)
    reading = np.where(place[:, None] < count[sight], sights.value[sight], np.nan)
    return sight, reading, 1 + place % 2


def _shots(sights: Sights, sight: IntArray, reading: FloatArray, face: IntArray) -> Shots:
    rows = len(sight)
    nothing, text = np.full(rows, np.nan), np.full(rows, "", dtype=object)
    zenith = reading[:, ZENITH]
    return Shots(
        file=np.zeros(rows, dtype=np.int64),
        line=np.arange(rows),
        setup=sights.setup[sight],
        point=sights.point[sight],
        direction=reading[:, DIRECTION] + np.where(face == 2, np.pi, 0.0),
        zenith=np.where(face == 2, 2.0 * np.pi - zenith, zenith),
        distance=reading[:, 2],
        target_height=sights.target_height[sight],
        face=face,
        round=np.ones(rows, dtype=np.int64),
        prism_constant=np.zeros(rows),
        temperature=nothing,
        pressure=nothing,
        time=nothing,
        role=text,
        target=text,
        code=text,
        string=text,
        note=text,
        field_coordinates=np.full((rows, 3), np.nan),
        repeated=np.zeros(rows, dtype=np.bool_),
    )
