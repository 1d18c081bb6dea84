"""Quantities of booked heights: of the instrument, of the pole, and of elevations stored."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.reduce.groups import group_extreme, group_median
from tieup.reduce.measured import Collector, Measured
from tieup.reduce.quantities import sight_names

ENOUGH = 4  # shots with a stored elevation that say what a setup's own elevation was
UP = 2


def instrument_height(evidence: RawEvidence) -> Measured:
    """Return the booked instrument height (m) of each setup over a mark."""
    out = Collector("over a mark, and no instrument height is booked")
    for setup in evidence.fieldbook.setups:
        if setup.station:
            out.add(setup.label, setup.instrument_height)
    return out.done()


def instrument_height_kept(evidence: RawEvidence) -> Measured:
    """Return 1 for each setup over a mark booked as high as the one before, to the last digit.

    A height left over from the last setup looks like that; so, now and then, does a true one.
    """
    occupied = [setup for setup in evidence.fieldbook.setups if setup.station]
    out = Collector("fewer than two setups over marks")
    for before, setup in pairwise(occupied):
        same = setup.instrument_height == before.instrument_height
        out.add(setup.label, float(same and setup.instrument_height != 0.0))
    return out.done()


def target_height(evidence: RawEvidence) -> Measured:
    """Return the largest target height (m) of each setup."""
    shots = evidence.fieldbook.shots
    highest = group_extreme(shots.target_height, shots.setup, len(evidence.setups))
    out = Collector("")
    for label, value in zip(evidence.setups, highest.tolist(), strict=True):
        out.add(label, value)
    return out.done()


def target_height_changed(evidence: RawEvidence) -> Measured:
    """Return the largest minus the smallest target height (m) at one point from one setup.

    Only points pointed more than once, at heights that matter: with a zenith angle.
    """
    shots = evidence.fieldbook.shots
    rows = np.flatnonzero(np.isfinite(shots.zenith) & ~shots.repeated)
    keys = shots.setup[rows] * len(evidence.points) + shots.point[rows]
    own, first, group, count = np.unique(
        keys, return_index=True, return_inverse=True, return_counts=True
    )
    height = shots.target_height[rows]
    high = group_extreme(height, group, len(own))
    low = -group_extreme(-height, group, len(own))
    several = np.flatnonzero(count > 1)
    row = rows[first[several]]
    out = Collector("no point was pointed twice from one setup")
    names = sight_names(evidence, shots.setup[row], shots.point[row])
    for name, value in zip(names, (high - low)[several].tolist(), strict=True):
        out.add(name, value)
    return out.done()


def typed_elevation(evidence: RawEvidence) -> Measured:
    """Return stored minus measured elevation (m) of each shot, less what its setup shares.

    Stored elevation minus rise is the elevation of the instrument axis that the field had; it
    is one number for a setup. A shot that says another was typed, or measured otherwise.
    """
    shots = evidence.fieldbook.shots
    axis = shots.field_coordinates[:, UP] - evidence.rise
    setups = len(evidence.setups)
    common = group_median(axis, shots.setup, setups)
    known = np.isfinite(axis)
    count = np.bincount(shots.setup[known], minlength=setups)
    rows = np.flatnonzero(known & (count >= ENOUGH)[shots.setup])
    off = axis[rows] - common[shots.setup[rows]]
    stored = np.unique(shots.setup[np.isfinite(shots.field_coordinates[:, UP])])
    few = stored[count[stored] < ENOUGH]
    return Measured(
        off,
        sight_names(evidence, shots.setup[rows], shots.point[rows]),
        np.full(len(rows), np.nan),
        np.ones(len(rows)),
        missing=tuple(evidence.setups[s] for s in few.tolist()),
        reason=f"fewer than {ENOUGH} shots with a stored elevation" if len(few) or not len(rows)
        else "",
    )  # fmt: skip
