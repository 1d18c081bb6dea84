"""Mark what misses the start by so much that it cannot enter the first solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.network.assembly import Assembly

GROSS = 0.10  # metres at the target; what stays below is found by testing residuals
GROSS_SDS = 30.0  # times the stated sd of a pointing
UNEVEN = 0.02  # of a distance that is taken as level
SETUP_NEEDS = 3  # plan observations without which a setup has no place


@dataclass(frozen=True)
class StartValues:
    """Start values in the frame: ``axis`` (S, 3), ``orientation`` (S,), ``position`` (P, 3).

    ``height_setup`` (S,), ``height_point`` (P,): heights that belong to the frame.
    """

    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    height_setup: BoolArray
    height_point: BoolArray


def sight_misfits(assembly: Assembly, placed: StartValues, bend: float) -> FloatArray:
    """Return how far each sight component misses the start, (k, 3) in m at the target.

    A direction by its chord, a zenith angle by its arc; NaN where not observed or reached.
    """
    sights = assembly.sights
    ray = placed.position[sights.point] - placed.axis[sights.setup]
    ray[:, 2] += sights.target_height
    level, length = np.hypot(ray[:, 0], ray[:, 1]), np.sqrt((ray**2).sum(axis=1))
    zero = np.where(sights.azimuth, 0.0, placed.orientation[sights.setup])
    turn = np.arctan2(ray[:, 1], ray[:, 0]) - zero
    turned = wrap_half(turn - sights.value[:, DIRECTION])
    tilt = np.arctan2(level, ray[:, 2]) + bend * level - sights.value[:, ZENITH]
    in_frame = placed.height_setup[sights.setup] == placed.height_point[sights.point]
    return np.column_stack(
        [
            2.0 * np.abs(np.sin(0.5 * turned)) * level,
            np.where(in_frame, np.abs(tilt) * length, np.nan),
            np.abs(np.where(sights.level, level, length) - sights.value[:, DISTANCE]),
        ]
    )


def sight_limits(assembly: Assembly, placed: StartValues) -> FloatArray:
    """Return the misfit beyond which a component is gross, (k, 3) in m."""
    sights = assembly.sights
    ray = placed.position[sights.point] - placed.axis[sights.setup]
    length = np.sqrt((ray**2).sum(axis=1))
    sd = np.nan_to_num(sights.pointing_sd)
    reach = np.column_stack([length, length, np.ones(len(length))])
    limit: FloatArray = np.maximum(GROSS, GROSS_SDS * sd * reach)
    level = ~(placed.height_setup[sights.setup] & placed.height_point[sights.point])
    level &= ~sights.level
    limit[:, DISTANCE] += np.where(level, UNEVEN * length, 0.0)
    return limit


def gross_sights(assembly: Assembly, placed: StartValues, bend: float) -> BoolArray:
    """Mark gross components (k, 3), but leave every setup what places it.

    A sight that misses in direction and in distance is of another mark: its zenith angle
    is marked with them.
    """
    misfit = sight_misfits(assembly, placed, bend)
    gross = misfit > sight_limits(assembly, placed)
    if gross.any():
        _keep_setups(assembly, placed, gross, misfit)
    elsewhere = gross[:, DIRECTION] & (gross[:, DISTANCE] | ~np.isfinite(misfit[:, DISTANCE]))
    gross[elsewhere] |= np.isfinite(assembly.sights.value[elsewhere])
    return gross


def gross_stations(assembly: Assembly, placed: StartValues) -> BoolArray:
    """Mark occupied marks (S, 2) that the axis misses in plan, and in height."""
    over = assembly.station >= 0
    gap = placed.axis - placed.position[assembly.station]
    plan = np.hypot(gap[:, 0], gap[:, 1]) > GROSS
    height = np.abs(gap[:, 2] - assembly.instrument_height) > GROSS
    height &= placed.height_setup & placed.height_point[assembly.station]
    return np.asarray(over[:, None] & np.column_stack([plan, height | plan]))


def gross_links(assembly: Assembly, placed: StartValues) -> BoolArray:
    """Mark links (l,) that miss the start; of a vector all three components together."""
    links = assembly.links
    found, _ = links.predicted(placed.position)
    in_frame = placed.height_point[links.end] & placed.height_point[links.start]
    miss = np.abs(found - links.value) > np.maximum(GROSS, GROSS_SDS * links.sd)
    miss &= in_frame | ~links.in_height
    return np.isin(links.booked, links.booked[miss])


def gross_control(assembly: Assembly, placed: StartValues) -> BoolArray:
    """Mark control coordinates (P, 3) that miss the start; all of plan misses together."""
    limit = np.maximum(GROSS, GROSS_SDS * np.nan_to_num(assembly.control_sd))
    miss: BoolArray = np.asarray(np.abs(placed.position - assembly.control) > limit)
    miss[:, 2] &= placed.height_point
    plan = np.asarray(miss[:, :2].any(axis=1))[:, None] & np.isfinite(assembly.control[:, :2])
    return np.column_stack([plan, miss[:, 2]])


def _keep_setups(
    assembly: Assembly, placed: StartValues, gross: BoolArray, misfit: FloatArray
) -> None:
    """Give setups back what places them: all directions, and distances but the longest.

    With too little left the mistake cannot be told from the truth, so the setup stands on
    as much as it needs and on nothing that could pull at the marks.
    """
    sights = assembly.sights
    setups = len(placed.axis)
    shared = _shared(assembly)[sights.point]
    seen = np.isfinite(misfit) & shared[:, None]
    good = seen & ~gross
    standing = (assembly.station >= 0)[:, None] & ~gross_stations(assembly, placed)

    def per_setup(mask: BoolArray) -> IntArray:
        return np.bincount(sights.setup[mask], minlength=setups)

    directed, measured = per_setup(good[:, DIRECTION]), per_setup(good[:, DISTANCE])
    enough = directed + measured + 2 * standing[:, 0] >= SETUP_NEEDS
    touched = per_setup(gross[:, DIRECTION] | gross[:, DISTANCE]) > 0
    for setup in np.flatnonzero(touched & ~(enough & (directed > 0))).tolist():
        rows = np.flatnonzero((sights.setup == setup) & seen.any(axis=1))
        gross[rows, DIRECTION] = gross[rows, DISTANCE] = False
        far = rows[seen[rows, DISTANCE]]
        if len(far) > 1:
            gross[far[np.argmax(sights.value[far, DISTANCE])], DISTANCE] = True


def _shared(assembly: Assembly) -> BoolArray:
    """Tell which marks something beside one setup places, shape (P,)."""
    pairs, _ = distinct_pairs(assembly.sights.point, assembly.sights.setup)
    seen = np.bincount(pairs[:, 0], minlength=len(assembly.points))
    seen += assembly.known
    seen[assembly.station[assembly.station >= 0]] += 1
    return seen > 1
