"""Build the network of a job: numbering, connections, start values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.geometry import curvature_coefficient, wrap_full
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.network import Links, Network, Start
from tieup.model.observations import Sights
from tieup.model.settings import Datum
from tieup.network.assembly import Assembly, assemble
from tieup.network.basis_turns import network_of_bases
from tieup.network.block_growth import CONTROL, Growth
from tieup.network.datum_start import (
    base_setup,
    free_plan,
    height_frame,
    held_plan,
    local_plan,
    move_plan,
    turned_about,
)
from tieup.network.gross_marks import (
    StartValues,
    gross_control,
    gross_links,
    gross_sights,
    gross_stations,
)
from tieup.network.heights import HeightState, gather_rises, grow_heights, rises_of_ties
from tieup.network.horizontal_blocks import HorizontalControl, HorizontalState, grow_plan, state_of
from tieup.network.horizontal_start import (
    HorizontalSights,
    line_anchors,
    line_clouds,
    plan_sights,
    put_near,
    start_of_plan,
    turned_to_azimuths,
    with_plain_setups,
)
from tieup.network.link_starts import start_of_lines
from tieup.network.polar_sets import Ties, level_parts, make_ties
from tieup.network.refusals import refuse_after, refuse_before
from tieup.network.robust_refinement import settle_plan
from tieup.network.side_shots import shift_pieces, side_heights, side_shots, stand_ins
from tieup.network.unseen import with_correlated
from tieup.network.vectors import clouds_of, hung_anchors, turned_to


def build_network(
    setups: tuple[Setup, ...],
    points: tuple[str, ...],
    sights: Sights,
    control: Control | None,
    links: Links | None,
    datum: Datum,
    refraction: float,
    rough: FloatArray | None = None,
) -> Network:
    """Assemble a job and find start values that false shots do not spoil.

    Parameters
    ----------
    setups, points
        What ``sights`` and ``links`` index. Names that only control or an occupied setup
        has are added behind ``points``.
    control, links
        None or empty where there are none.
    datum
        Where the frame comes from. Control ties setups together only when it is the datum.
    refraction
        Coefficient k.
    rough
        Shape (n, 2): rough northings and eastings (m) of the first ``points``, NaN where there are
        none; they only tell a net of distances from its mirror image.

    Returns
    -------
    Network, coordinates less its ``origin``.

    Raises
    ------
    NetworkError
        No solution at all is possible; the message says what is missing.
    """
    assembly = assemble(setups, points, sights, control, links, datum)
    if not setups:
        return _network(assembly, start_of_lines(assembly, datum))
    bend = curvature_coefficient(refraction)
    if not sights.bases:
        return _true_network(assembly, datum, bend, rough)

    def build(true: Sights) -> Network:
        return _true_network(replace(assembly, sights=true), datum, bend, rough)

    horizontal = level_parts(sights, bend)[0]
    return network_of_bases(assembly, horizontal, build, floats=datum.kind != "control")


def _true_network(
    assembly: Assembly, datum: Datum, bend: float, rough: FloatArray | None
) -> Network:
    """Return the network of a job whose azimuths run from grid north, or have been turned so."""
    sights = assembly.sights
    level = level_parts(sights, bend)
    ties = make_ties(sights, assembly.station, assembly.instrument_height, assembly.known, level)
    held = datum.kind == "control"
    anchors = assembly.anchors if held else assembly.anchors.take(np.zeros(0, np.int64))
    anchors = hung_anchors(assembly.vectors, anchors, assembly.control, assembly.control_sd)
    refuse_before(assembly, ties, anchors, datum)
    seen = plan_sights(assembly, level[0], rough)
    if seen.alone:
        plan = _placed_plan(start_of_plan(seen, anchors, datum), seen, ties, anchors, datum)
        component = np.where(np.isfinite(plan.axis), 0, 1)
    else:
        plan, component = _grown_plan(seen, ties, anchors, datum)
    start = _start(assembly, plan, ties, level, component, datum, bend)
    return _network(assembly, with_correlated(assembly, start) if held else start)


def _grown_plan(
    seen: HorizontalSights, ties: Ties, anchors: HorizontalControl, datum: Datum
) -> tuple[HorizontalState, IntArray]:
    """Return the solved block, settled and in its frame, and the component of each setup (S,)."""
    assembly, setups = seen.assembly, len(seen.plain)
    anchors = line_anchors(seen, anchors)
    clouds = clouds_of(assembly.vectors, anchors, len(assembly.points))
    clouds = (*clouds, *line_clouds(seen, anchors))
    growth = grow_plan(ties.without_azimuths(~seen.plain), anchors, setups, clouds)
    refuse_after(assembly, growth, datum)
    component = _components(growth, setups, ties)
    plan = _block(growth, component, len(assembly.points))
    if _floats(seen, datum):
        plan = move_plan(plan, turned_to_azimuths(plan, seen), 0.0j)
    plan = with_plain_setups(plan, seen)
    component[seen.plain & np.isfinite(plan.axis)] = 0
    return _placed_plan(plan, seen, ties, anchors, datum), component


def _network(assembly: Assembly, start: Start) -> Network:
    return Network(
        setup_labels=assembly.labels,
        point_names=assembly.points,
        station=assembly.station,
        instrument_height=assembly.instrument_height,
        sights=assembly.sights,
        control=assembly.control,
        control_sd=assembly.control_sd,
        links=assembly.links,
        origin=assembly.origin,
        start=start,
        correlated=assembly.correlated,
    )


def _components(growth: Growth, setups: int, ties: Ties) -> IntArray:
    """Number the blocks (S,): 0 the one with control, else the largest; then by size."""
    count = np.bincount(ties.setup, minlength=setups)
    reach = np.bincount(ties.setup, weights=np.nan_to_num(ties.horizontal), minlength=setups)

    def rank(number: int) -> tuple[bool, int, int, float, int]:
        members = list(growth.blocks[number].poses)
        tied, far = int(count[members].sum()), float(reach[members].sum())
        return number != CONTROL, -len(members), -tied, -far, number

    component = np.full(setups, -1, dtype=np.int64)
    filled = [number for number, block in growth.blocks.items() if block.poses]
    for place, number in enumerate(sorted(filled, key=rank)):
        component[list(growth.blocks[number].poses)] = place
    return component


def _block(growth: Growth, component: IntArray, points: int) -> HorizontalState:
    """Return the block that is solved."""
    solved = int(np.flatnonzero(component == 0)[0])
    block = next(block for block in growth.blocks.values() if solved in block.poses)
    return state_of(block, len(component), points)


def _placed_plan(
    plan: HorizontalState,
    seen: HorizontalSights,
    ties: Ties,
    anchors: HorizontalControl,
    datum: Datum,
) -> HorizontalState:
    """Return a plan settled and in its frame."""
    assembly = seen.assembly
    if not seen.alone:  # settling turns about free circles
        plan = (
            move_plan(plan, turned_to_azimuths(plan, seen), 0.0j) if _floats(seen, datum) else plan
        )
    plan = settle_plan(plan, ties, anchors)
    if datum.kind == "control":
        return held_plan(plan, anchors)
    if datum.local is not None:
        return local_plan(plan, assembly, datum.local)
    if seen.oriented:
        return put_near(plan, assembly.anchors)
    plan = free_plan(plan, assembly.labels, assembly.anchors)
    return turned_about(plan, turned_to(plan, assembly.vectors), assembly.anchors)


def _floats(seen: HorizontalSights, datum: Datum) -> bool:
    return seen.oriented and datum.kind != "control"


def _heights(
    assembly: Assembly,
    plan: HorizontalState,
    ties: Ties,
    datum: Datum,
    bend: float,
) -> tuple[HeightState, int]:
    """Return the heights of marks that tie, in the frame, and the piece that belongs to it."""
    held = datum.kind == "control"
    carried = rises_of_ties(ties, assembly.sights, plan, bend)
    rises = gather_rises(
        ties,
        carried,
        assembly.levels(np.isfinite(plan.position)),
        assembly.levelled & np.isfinite(plan.axis),
        assembly.control[:, 2],
        assembly.control_sd[:, 2],
    )
    heights = grow_heights(rises, held)
    known, shift = height_frame(heights, assembly, datum, base_setup(plan, assembly.labels))
    return shift_pieces(heights, known, shift), known


def _start(
    assembly: Assembly,
    plan: HorizontalState,
    ties: Ties,
    level: tuple[FloatArray, FloatArray],
    component: IntArray,
    datum: Datum,
    bend: float,
) -> Start:
    heights, known = _heights(assembly, plan, ties, datum, bend)
    plan = side_shots(assembly, plan, level[0])
    # Azimuths place side shots with the plan itself: what has a place and no height yet wants one.
    open_ = np.isfinite(plan.position) & ~np.isfinite(heights.position)
    heights = side_heights(assembly, heights, level[1], open_)
    placed = _placed(assembly, plan, heights, known)
    missing = np.zeros(placed.position.shape, dtype=np.bool_)
    if datum.kind == "control":
        missing = gross_control(assembly, placed)
        held = np.isfinite(assembly.control) & ~missing
        held[:, 2] &= placed.height_point
        placed = replace(placed, position=np.where(held, assembly.control, placed.position))
    return Start(
        axis=placed.axis,
        orientation=placed.orientation,
        position=placed.position,
        plan_setup=np.isfinite(plan.axis),
        height_setup=placed.height_setup,
        plan_point=np.isfinite(plan.position),
        height_point=placed.height_point,
        component=component,
        gross=gross_sights(assembly, placed, bend),
        gross_station=gross_stations(assembly, placed),
        gross_control=missing,
        gross_link=gross_links(assembly, placed),
    )


def _placed(
    assembly: Assembly, plan: HorizontalState, heights: HeightState, known: int
) -> StartValues:
    """Join plan and height; a height belongs to the frame if its piece is the known one."""
    zero, position = stand_ins(assembly, plan, heights)
    setups = len(assembly.labels)
    in_frame = known >= 0
    return StartValues(
        axis=np.column_stack([plan.axis.real, plan.axis.imag, zero]),
        orientation=wrap_full(plan.orientation),
        position=np.column_stack([plan.position.real, plan.position.imag, position]),
        height_setup=in_frame & (heights.piece_unit[:setups] == known) & np.isfinite(plan.axis),
        height_point=in_frame & (heights.piece_mark == known),
    )
