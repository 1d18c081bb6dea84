"""Cheap signs that all readings of a setup follow another convention than the job states.

One pass over the rows, so that a clean day pays for looking with well under a millisecond.
A sign is no proof: what it points at is tried.
"""

from __future__ import annotations

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.observations import DISTANCE, ZENITH

FEWEST_TIES = 2  # without which a setup has nothing to disagree with
SETUP_WEIGHS = 4  # sights that a setup without a place counts for
GROSS_SHARE = 0.3  # of the ties of a setup: single mistakes are rarer
FEWEST_ANGLES = 8  # so many angles look like DDD.MMSS by accident once in 0.36**-8 = 3500 times
SLIPS = 0.02  # share of angles that rounding may carry over a minute or second of 60
STEEP = 0.7  # mean |cos z| beyond which "zenith angles" are those of a plumb line
TELLING_RISE = 0.05  # m; rises that scatter less say nothing about the sign of an angle


def suspicious_setups(case: Case, network: Network) -> IntArray:
    """Return the setups whose readings as a whole seem to mean something else."""
    strange = misplaced(network) | upside_down(network)
    strange |= steep(case) | sexagesimal(case)
    return np.flatnonzero(strange)


def misplaced(network: Network) -> BoolArray:
    """Tell which setups (S,) have many gross ties, or ties and yet no place.

    Where two setups alone speak of a mark and disagree, both sights count as gross.
    """
    start, sights = network.start, network.sights
    count = len(network.setup_labels)
    tie = shared_points(network)[sights.point]
    ties = np.bincount(sights.setup[tie], minlength=count)
    wrong = np.bincount(sights.setup[_disputed(network) & tie], minlength=count)
    if len(start.gross_station):
        wrong += start.gross_station.any(axis=1)
    many = (wrong > 0) & (wrong >= GROSS_SHARE * ties)
    return np.asarray((many | ~start.plan_setup) & (ties >= FEWEST_TIES))


def _disputed(network: Network) -> BoolArray:
    start, sights = network.start, network.sights
    gross: BoolArray = np.asarray(start.gross.any(axis=1))
    if len(start.gross_control):
        control: BoolArray = np.asarray(start.gross_control.any(axis=1))
        gross = gross | control[sights.point]
    if not gross.any():
        return np.asarray(gross)
    seen = np.bincount(sights.point, minlength=len(network.point_names))
    open_mark = (seen == 2) & ~np.isfinite(network.control).any(axis=1)
    open_mark &= np.bincount(sights.point, weights=gross, minlength=len(seen)) > 0
    return np.asarray(gross | open_mark[sights.point])


def unexplained(network: Network) -> int:
    """Count what does not fit the start: sights, control marks, stations, setups without place.

    A setup that was left out whole does not count.
    """
    start = network.start
    sighting = np.bincount(network.sights.setup, minlength=len(start.plan_setup)) > 0
    count = int(start.gross.any(axis=1).sum())
    count += SETUP_WEIGHS * int((sighting & ~start.plan_setup).sum())
    for gross in (start.gross_control, start.gross_station):
        count += int(gross.any(axis=1).sum())
    return count


def shared_points(network: Network) -> BoolArray:
    """Tell which points (P,) control, a second setup or an occupation also speaks of."""
    sights, count = network.sights, len(network.point_names)
    lowest = np.full(count, len(network.setup_labels), dtype=np.int64)
    highest = np.full(count, -1, dtype=np.int64)
    np.minimum.at(lowest, sights.point, sights.setup)
    np.maximum.at(highest, sights.point, sights.setup)
    shared = np.isfinite(network.control).any(axis=1) | (highest > lowest)
    shared[network.station[network.station >= 0]] = True
    return np.asarray(shared)


def upside_down(network: Network) -> BoolArray:
    """Tell which setups (S,) see marks fall where the others see them rise.

    The slope of the rises measured on the rises known is 1; -1 where the sign of the
    vertical angle is turned.
    """
    start, sights = network.start, network.sights
    known = start.height_setup[sights.setup] & start.height_point[sights.point]
    rows = np.flatnonzero(known & shared_points(network)[sights.point])
    setup, count = sights.setup[rows], len(network.setup_labels)
    seen = sights.value[rows, DISTANCE] * np.cos(sights.value[rows, ZENITH])
    seen = seen - sights.target_height[rows]
    there = start.position[sights.point[rows], 2]
    fine = np.isfinite(seen) & np.isfinite(there)
    setup, seen, there = setup[fine], seen[fine], there[fine]
    number = np.maximum(np.bincount(setup, minlength=count), 1)
    seen = seen - (np.bincount(setup, seen, count) / number)[setup]
    there = there - (np.bincount(setup, there, count) / number)[setup]
    square = np.bincount(setup, there**2, count)
    together = np.bincount(setup, seen * there, count)
    return np.asarray((square > number * TELLING_RISE**2) & (together < -0.5 * square))


def steep(case: Case) -> BoolArray:
    """Tell which setups (S,) look at nothing but zenith and nadir: elevation angles."""
    upright = np.where(case.use[:, ZENITH], np.abs(np.cos(case.shots.zenith)), np.nan)
    return _share(case, upright) > STEEP


def sexagesimal(case: Case) -> BoolArray:
    """Tell which setups (S,) have angles that never show minutes or seconds of 60 or more."""
    shots, count = case.shots, len(case.setups)
    wrong, given = np.zeros(count), np.zeros(count)
    for kind, angle in ((0, shots.direction), (1, shots.zenith)):
        rows = np.flatnonzero(case.use[:, kind] & np.isfinite(angle))
        setup = shots.setup[rows]
        wrong += np.bincount(setup, weights=~reads_packed(angle[rows]), minlength=count)
        given += np.bincount(setup, minlength=count)
    return np.asarray((given >= FEWEST_ANGLES) & (wrong <= SLIPS * given))


def reads_packed(angle: FloatArray) -> BoolArray:
    """Tell which angles (rad) could be DDD.MMSS when written in decimal degrees."""
    digits = np.rint(np.degrees(np.abs(angle)) * 1e8).astype(np.int64)
    return np.asarray(((digits // 10**6) % 100 < 60) & ((digits // 10**4) % 100 < 60))


def _share(case: Case, value: FloatArray) -> FloatArray:
    """Return the mean by setup (S,), 0 where there is nothing."""
    rows = np.flatnonzero(np.isfinite(value))
    setup, count = case.shots.setup[rows], len(case.setups)
    number = np.maximum(np.bincount(setup, minlength=count), 1)
    return np.asarray(np.bincount(setup, weights=value[rows], minlength=count) / number)
