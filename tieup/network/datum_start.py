"""Put the grown block into the frame that the datum asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.errors import NetworkError
from tieup.geometry import wrap_half
from tieup.model.settings import Datum, LocalDatum
from tieup.network.assembly import Assembly
from tieup.network.gross_marks import GROSS
from tieup.network.heights import HeightState
from tieup.network.horizontal_blocks import HorizontalControl, HorizontalState
from tieup.network.rigid import consensus, fit_rigid

NEARBY = 1.0  # metres; control this close to the free block's marks is taken to agree
SETTLED_ON = 3.0  # times its sd: control that the block has settled on
TOO_CLOSE = 1e-3  # metres; a mark this near cannot carry an azimuth


def base_setup(plan: HorizontalState, labels: Sequence[str]) -> int:
    """Return the first setup of the block by its label, as people count: S9 before S10.

    What was read has no say: one cell more or less would throw the frame onto another setup.

    Raises
    ------
    NetworkError
        There is none.
    """
    reached = np.flatnonzero(np.isfinite(plan.axis)).tolist()
    if not reached:
        raise NetworkError(
            "no setup can be placed: without circle readings a setup needs three marks that have "
            "a place. Read directions at one setup, or name their column"
        )
    return int(min(reached, key=lambda setup: (len(labels[setup]), labels[setup])))


def move_plan(plan: HorizontalState, turn: complex, shift: complex) -> HorizontalState:
    """Return the block turned and shifted."""
    orientation = wrap_half(plan.orientation + np.angle(turn))
    return HorizontalState(turn * plan.axis + shift, orientation, turn * plan.position + shift)


def held_plan(plan: HorizontalState, anchors: HorizontalControl) -> HorizontalState:
    """Return the block as it stands on control, or split between marks that disagree.

    Settling sides with one of two marks that disagree, and nothing tells which is right:
    then all of them count alike.
    """
    reached = anchors.take(np.asarray(np.isfinite(plan.position[anchors.mark])))
    here = plan.position[reached.mark]
    within = np.abs(here - reached.place) <= GROSS + SETTLED_ON * reached.sd
    if np.count_nonzero(within) > 1 or len(here) < 2:
        return plan
    return move_plan(plan, *fit_rigid(reached.place, here, np.ones(len(here))))


def free_plan(
    plan: HorizontalState, labels: Sequence[str], anchors: HorizontalControl
) -> HorizontalState:
    """Put a free block near control if it has some, else on its base setup at 0, 0."""
    reached = np.isfinite(plan.position[anchors.mark])
    marks, place = anchors.mark[reached], anchors.place[reached]
    here = plan.position[marks]
    if len(marks) > 1:
        fit = consensus(marks, place, here, np.full(len(marks), NEARBY))
        if fit is not None:
            return move_plan(plan, fit.turn, fit.shift)
        return move_plan(plan, *fit_rigid(place, here, np.ones(len(marks))))
    base = base_setup(plan, labels)
    turn = complex(np.exp(-1j * plan.orientation[base]))
    if len(marks) == 1:
        return move_plan(plan, turn, complex(place[0] - turn * here[0]))
    return move_plan(plan, turn, complex(-turn * plan.axis[base]))


def turned_about(
    plan: HorizontalState, turn: complex, anchors: HorizontalControl
) -> HorizontalState:
    """Return the block turned about the middle of the anchors that it reaches, else about 0, 0."""
    here = plan.position[anchors.mark]
    here = here[np.isfinite(here)]
    middle = complex(here.mean()) if len(here) else 0.0j
    return plan if turn == 1.0 else move_plan(plan, turn, middle - turn * middle)


def local_plan(plan: HorizontalState, assembly: Assembly, local: LocalDatum) -> HorizontalState:
    """Put the block where the local mark has its coordinates and the azimuth is as stated.

    Raises
    ------
    NetworkError
        One of the two marks is not reached, or both are in one place.
    """
    here = _local_place(plan, assembly, local.point, "point")
    toward = _local_place(plan, assembly, local.toward, "toward")
    if abs(toward - here) < TOO_CLOSE:
        raise NetworkError(
            f"datum: local.toward {local.toward} lies on local.point {local.point} - "
            "a mark some way off is needed for the azimuth. Name another"
        )
    turn = complex(np.exp(1j * local.azimuth) * abs(toward - here) / (toward - here))
    origin = assembly.origin
    wanted = complex(local.northing - origin[0], local.easting - origin[1])
    return move_plan(plan, turn, wanted - turn * here)


def _local_place(plan: HorizontalState, assembly: Assembly, name: str, key: str) -> complex:
    if name in assembly.points:
        place = complex(plan.position[assembly.points.index(name)])
    elif name in assembly.labels:
        place = complex(plan.axis[assembly.labels.index(name)])
    else:
        raise NetworkError(
            f"datum: local.{key} {name} is neither a mark that was observed nor a setup - "
            "name one that was"
        )
    if not np.isfinite(place):
        raise NetworkError(
            f"datum: local.{key} {name} is not reached by the largest tied group of setups - "
            "name a mark or setup of that group, or shoot a tie to it"
        )
    return place


def height_frame(
    heights: HeightState, assembly: Assembly, datum: Datum, base: int
) -> tuple[int, float]:
    """Return the piece that has the frame's heights (-1: none) and the shift it needs (m).

    ``base`` is the setup that stands at height 0 where a free job knows no elevation.
    """
    known = np.flatnonzero(np.isfinite(assembly.control[:, 2]) & (heights.piece_mark == 0))
    if datum.kind == "control":
        return (0, 0.0) if len(known) else (-1, 0.0)
    if datum.local is not None:
        return _local_height(heights, assembly, datum.local)
    if len(known):
        return 0, float(np.median(assembly.control[known, 2] - heights.position[known]))
    return 0, -float(np.nan_to_num(heights.zero[base]))


def _local_height(heights: HeightState, assembly: Assembly, local: LocalDatum) -> tuple[int, float]:
    if local.point in assembly.points:
        mark = assembly.points.index(local.point)
        piece, height = heights.piece_mark[mark], heights.position[mark]
    else:
        setup = assembly.labels.index(local.point)
        piece, height = heights.piece_unit[setup], heights.zero[setup]
    if piece < 0:
        return -1, 0.0
    return int(piece), local.elevation - float(assembly.origin[2]) - float(height)
