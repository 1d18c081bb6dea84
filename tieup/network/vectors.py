"""Start values from observed vectors: where they hang marks on known ones, or on each other.

Vectors stand in the frame of the control: no turn is open, so northing and easting grow apart
from each other, as heights do (`tieup.network.heights`).
"""

from __future__ import annotations

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Vectors
from tieup.network.heights import Rises, grow_heights
from tieup.network.horizontal_blocks import Cloud, HorizontalControl, HorizontalState
from tieup.network.polar_sets import PLAIN, SURE
from tieup.network.rigid import ComplexArray

HUNG_WEIGHT = 0.9  # setups: one that disagrees with a vector is believed before it
TOO_SHORT = 1.0  # metres; a vector this short shows no turn


def vector_rises(vectors: Vectors, axis: int, known: FloatArray, known_sd: FloatArray) -> Rises:
    """Return one axis of vectors as rises: a unit each, ``known`` and ``known_sd`` (P,) in m."""
    units: IntArray = np.arange(len(vectors))
    none, sd = np.zeros(len(vectors)), vectors.sd[:, axis]
    return Rises(
        unit=np.concatenate([units, units]),
        mark=np.concatenate([vectors.start, vectors.end]),
        rise=np.concatenate([none, vectors.offset[:, axis]]),
        tolerance=np.concatenate([none + PLAIN / 2, PLAIN / 2 + SURE * sd]),
        sd=np.concatenate([sd, sd]),
        levelled=np.ones(len(vectors), dtype=np.bool_),
        elevation=known,
        elevation_sd=known_sd,
    )


def hung_places(
    vectors: Vectors, known: FloatArray, known_sd: FloatArray, held: bool
) -> tuple[ComplexArray, IntArray]:
    """Return where vectors place marks in plan (P,), NaN where not, and their piece (P,).

    ``known`` and ``known_sd`` (P, 2) are control. Piece 0 hangs on control where ``held``, else
    it is the largest; each of the others has a zero of its own; -1 where no vector reaches.
    """
    known = np.where(np.isfinite(known).all(axis=1, keepdims=True), known, np.nan)
    radiated = _radiated(vectors, np.isfinite(known[:, 0]))
    kept = vectors.take(~radiated)
    north, east = (
        grow_heights(vector_rises(kept, axis, known[:, axis], known_sd[:, axis]), held)
        for axis in (0, 1)
    )
    place, piece = north.position + 1j * east.position, north.piece_mark  # same pieces on both
    rest = vectors.take(radiated)
    place[rest.end] = place[rest.start] + rest.offset[:, 0] + 1j * rest.offset[:, 1]
    piece[rest.end] = piece[rest.start]
    return place, piece


def _radiated(vectors: Vectors, known: BoolArray) -> BoolArray:
    """Return the vectors (n,) to a mark that is not known and that no other one reaches.

    They tie nothing and hang on their start; one of each start stays, so that it has a piece.
    """
    reached = np.bincount(np.concatenate([vectors.start, vectors.end]), minlength=len(known))
    alone = (reached[vectors.end] == 1) & ~known[vectors.end]
    first = np.flatnonzero(alone)[np.unique(vectors.start[alone], return_index=True)[1]]
    alone[first] = False
    return np.asarray(alone)


def hung_anchors(
    vectors: Vectors, anchors: HorizontalControl, known: FloatArray, sd: FloatArray
) -> HorizontalControl:
    """Return ``anchors`` with the marks that vectors hang on them.

    ``known`` and ``sd`` (P, 3) are control in m.
    """
    if not len(vectors) or not len(anchors.mark):
        return anchors
    place, piece = hung_places(vectors, known[:, :2], sd[:, :2], held=True)
    marks = np.setdiff1d(np.flatnonzero(piece == 0), anchors.mark)
    near = PLAIN / 3.0 + SURE * float(vectors.sd[:, :2].max())
    return HorizontalControl(
        np.concatenate([anchors.mark, marks]),
        np.concatenate([anchors.place, place[marks]]),
        np.concatenate([anchors.sd, np.full(len(marks), near)]),
        np.concatenate([anchors.weight, np.full(len(marks), HUNG_WEIGHT)]),
    )


def clouds_of(vectors: Vectors, anchors: HorizontalControl, points: int) -> tuple[Cloud, ...]:
    """Return the groups of marks that vectors tie to each other and not to an anchor."""
    if not len(vectors):
        return ()
    nothing = np.full((points, 2), np.nan)
    place, piece = hung_places(vectors, nothing, nothing, held=False)
    near = PLAIN + SURE * float(vectors.sd[:, :2].max())
    found = []
    for number in range(int(piece.max(initial=-1)) + 1):
        own = np.flatnonzero(piece == number)
        if len(own) > 1 and not np.isin(own, anchors.mark).any():
            found.append(Cloud(own, place[own], near))
    return tuple(found)


def turned_to(plan: HorizontalState, vectors: Vectors) -> complex:
    """Return the turn that brings a free block to the direction of its vectors, 1 without any."""
    here = plan.position[vectors.end] - plan.position[vectors.start]
    there = vectors.offset[:, 0] + 1j * vectors.offset[:, 1]
    telling: BoolArray = (
        np.isfinite(here) & (np.abs(here) > TOO_SHORT) & (np.abs(there) > TOO_SHORT)
    )
    if not telling.any():
        return 1.0 + 0.0j
    each = there[telling] * here[telling].conjugate()
    middle = float(np.angle(each[np.argmax(np.abs(each))]))
    off = wrap_half(np.angle(each) - middle)
    return complex(np.exp(1j * (middle + np.median(off))))
