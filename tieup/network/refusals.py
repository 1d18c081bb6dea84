"""Say why a job cannot be solved at all, before or after growing."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from tieup.errors import NetworkError
from tieup.model.arrays import distinct_pairs
from tieup.model.observations import DIRECTION, DISTANCE
from tieup.model.settings import Datum
from tieup.network.assembly import Assembly
from tieup.network.block_growth import CONTROL, Block, Growth
from tieup.network.horizontal_blocks import HorizontalControl
from tieup.network.polar_sets import Ties

SOME = 5  # names shown as examples
BY_ANGLES = 3  # marks that fix a setup by directions alone


def refuse_before(assembly: Assembly, ties: Ties, anchors: HorizontalControl, datum: Datum) -> None:
    """Refuse a job that lacks what every solution needs.

    ``anchors`` are the marks that control knows in plan, or that vectors hang on those.

    Raises
    ------
    NetworkError
        Nothing sighted; control wanted but not there or not observed; no scale; a turn stated
        that vectors contradict.
    """
    refuse_two_turns(assembly, datum)
    if not np.isfinite(assembly.sights.value).any():
        raise NetworkError(
            "raw files: no reading can be used - a setup needs directions and distances. "
            "Check the columns of the raw files and the decisions that exclude rows"
        )
    if datum.kind == "control":
        _refuse_control(assembly, anchors)
    elif not len(assembly.vectors) and not np.isfinite(assembly.sights.value[:, DISTANCE]).any():
        raise NetworkError(
            f"datum: {datum.kind} - no distance was measured, so the scale is unknown. "
            "Measure distances, or use datum: control with two marks of known northing and easting"
        )
    elif len(assembly.labels) > 1 and not _any_shared(ties) and not len(assembly.vectors):
        raise NetworkError(
            f"{len(assembly.labels)} setups have no common marks: each sights only marks of its "
            "own. Shoot two or more marks from every setup and its neighbour, or check the point "
            "names: decisions: rename"
        )


def refuse_after(assembly: Assembly, growth: Growth, datum: Datum) -> None:
    """Refuse a job whose control ties no setup.

    Raises
    ------
    NetworkError
        Control fixes no turn, its marks disagree with the shots, or no scale is known.
    """
    if datum.kind != "control" or growth.blocks[CONTROL].poses:
        return
    control = growth.blocks[CONTROL]
    observed = sorted(_observed(assembly, control))
    names = [assembly.points[mark] for mark in observed]
    if len(observed) == 1:
        raise NetworkError(
            f"control: only {names[0]} is both observed and known in northing and easting, which "
            "fixes no turn. Sight a second such mark, or use datum: local with "
            f"point: {names[0]} and the azimuth toward another mark"
        )
    number, shared = _best_tied(growth, control)
    if number is None or len(shared) < 2:
        some = ", ".join(names[:SOME])
        raise NetworkError(
            f"control: no setup, nor any group of setups tied together, sights two of {some}; one "
            "mark fixes no turn. Sight a second control mark from one of them, tie the setups "
            "by shared marks, or use datum: local"
        )
    raise NetworkError(_disagreement(assembly, growth.blocks[number], control, shared))


def refuse_two_turns(assembly: Assembly, datum: Datum) -> None:
    """Refuse a stated azimuth beside vectors, which have the turn of the grid already.

    Raises
    ------
    NetworkError
        The datum is local and there are vectors or azimuths.
    """
    seen = assembly.sights
    aligned = seen.azimuth & (seen.basis < 0) & np.isfinite(seen.value[:, DIRECTION])
    if datum.kind == "local" and aligned.any():
        raise NetworkError(
            "datum: local turns the site to local.azimuth, and azimuths have a turn of their own. "
            "Use datum: control (one known mark is enough beside azimuths) or datum: free, or say "
            "azimuths: job or azimuths: file to give them an unknown turn"
        )
    if datum.kind == "local" and len(assembly.vectors):
        raise NetworkError(
            "datum: local turns the site to local.azimuth, and baselines have a turn of their own. "
            "Use datum: control (one known mark is enough beside baselines) or datum: free"
        )


def _refuse_control(assembly: Assembly, anchors: HorizontalControl) -> None:
    known = np.asarray(np.isfinite(assembly.control[:, :2]).all(axis=1))
    if not known.any():
        raise NetworkError(
            "datum: control - the control list has no mark with northing and easting. "
            "Give control.csv two such marks, or use datum: free or datum: local"
        )
    known[anchors.mark] = True
    seen = np.zeros(len(known), dtype=np.bool_)
    seen[assembly.sights.point] = True
    seen[assembly.station[assembly.station >= 0]] = True
    if (known & seen).any():
        return
    listed = ", ".join(assembly.points[mark] for mark in np.flatnonzero(known)[:SOME])
    shot = ", ".join(assembly.points[mark] for mark in np.flatnonzero(seen)[:SOME])
    raise NetworkError(
        f"control: none of its {int(known.sum())} marks with northing and easting ({listed}) is "
        f"observed; the raw files name {shot}. Check the spelling of the names, or rename: "
        "decisions: rename"
    )


def _any_shared(ties: Ties) -> bool:
    pairs, _ = distinct_pairs(ties.point, ties.setup)
    return bool((np.bincount(pairs[:, 0]) > 1).any())


def _observed(assembly: Assembly, control: Block) -> set[int]:
    stations = assembly.station[assembly.station >= 0]
    return control.places.keys() & {*assembly.sights.point.tolist(), *stations.tolist()}


def _best_tied(growth: Growth, control: Block) -> tuple[int | None, list[int]]:
    """Return the block that sees the most control marks, and those marks."""
    best: tuple[int | None, list[int]] = (None, [])
    for number, block in growth.blocks.items():
        if number != CONTROL:
            shared = sorted((block.places.keys() | block.rays.keys()) & control.places.keys())
            best = (number, shared) if len(shared) > len(best[1]) else best
    return best


def _disagreement(assembly: Assembly, block: Block, control: Block, shared: list[int]) -> str:
    """Say between which two marks control and the shots differ most."""
    gaps = []
    for one, two in combinations([mark for mark in shared if mark in block.places], 2):
        known = abs(control.best_place(one)[0] - control.best_place(two)[0])
        found = abs(block.best_place(one)[0] - block.best_place(two)[0])
        gaps.append((abs(known - found), one, two, known, found))
    names = ", ".join(assembly.points[mark] for mark in shared[:SOME])
    if not gaps and len(shared) >= BY_ANGLES:
        return (
            f"control: the readings to {names} place no setup. It may stand on the circle through "
            "the marks or in line with them, or a name or a reading is wrong. Measure a distance, "
            "or sight a mark off that circle"
        )
    if not gaps:
        return (
            f"control: the readings to {names} are too few to place any setup; angles alone need "
            "three marks, or an occupied known mark. Measure distances"
        )
    _, one, two, known, found = max(gaps)
    names = f"{assembly.points[one]} and {assembly.points[two]}"
    return (
        f"control: no two marks agree with the shots; {names} are {known:.3f} m apart by control "
        f"and {found:.3f} m by the shots. Check the coordinates, the point names and units.length; "
        "datum: free solves the shots without control"
    )
