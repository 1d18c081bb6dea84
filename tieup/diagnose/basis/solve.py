"""Solve one case: reduce, assemble, adjust. The step that the search repeats."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.adjust import adjust
from tieup.adjust.problem import Frame, held_frame, local_frame, minimal_frame
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.case import Case
from tieup.errors import AdjustmentError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.network import Links, Network, Start
from tieup.model.observations import Sights
from tieup.model.settings import Grid, Precision
from tieup.network.build import build_network
from tieup.reduce.grid import line_factors, links_on_grid, sights_on_grid, site_factor
from tieup.reduce.sights import Reduction, reduce_shots

MOST_SWINGING = 3  # sights that are left out one by one so that a solution settles


@dataclass(frozen=True)
class Solved:
    """A case with its reduction, network and adjustment in the job's own frame."""

    case: Case
    reduction: Reduction
    network: Network
    adjustment: Adjustment


@dataclass(frozen=True)
class Prepared:
    """What stands ready before ``case`` is solved: its reduction and its network.

    ``minimal`` is the minimally constrained fit of that network, None where it was not made.
    """

    case: Case
    reduction: Reduction
    network: Network
    minimal: Adjustment | None = None


def assemble(case: Case) -> tuple[Reduction, Network]:
    """Reduce the shots of a case and build its network with start values."""
    reduction = reduce_shots(case.shots, case.setups, case.precision, case.use)
    links = case.links.take(case.links_in_use)
    network = build_network(
        case.setups,
        case.points,
        reduction.sights,
        case.control,
        links_on_grid(links, site_factor(case.precision.grid)),
        case.datum,
        case.refraction,
        stored_places(case.shots, len(case.points)),
    )
    network = with_standing_control(network, case.precision)
    return reduction, on_grid(network, case.precision.grid)


def stored_places(shots: Shots, points: int) -> FloatArray:
    """Return the mean northing and easting (P, 2) in m that the field stored of each mark."""
    known = np.flatnonzero(np.isfinite(shots.field_coordinates[:, :2]).all(axis=1))
    count = np.bincount(shots.point[known], minlength=points)
    total = np.column_stack(
        [
            np.bincount(shots.point[known], shots.field_coordinates[known, axis], points)
            for axis in (0, 1)
        ]
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(count[:, None] > 0, total / count[:, None], np.nan))


def standing_marks(network: Network, precision: Precision) -> BoolArray:
    """Return the marks (P,) whose target stands all day."""
    stands = np.zeros(len(network.point_names), dtype=bool)
    stands[sorted(precision.standing.points)] = True
    seen = np.zeros(len(stands), dtype=bool)
    seen[network.sights.point] = True
    return np.asarray(seen & (stands | precision.standing.everywhere))


def setting_error(precision: Precision) -> FloatArray:
    """Return the sds (3,) in m of a target over its mark: N, E, H."""
    return np.array([precision.centring_target, precision.centring_target, precision.height_target])


def with_standing_control(network: Network, precision: Precision) -> Network:
    """Give the control of marks whose target stands all day the error of that target.

    What is sighted there is the target, one setting error off the mark in all setups.
    """
    stands = standing_marks(network, precision)
    if not stands.any():
        return network
    wider = np.hypot(network.control_sd, setting_error(precision))
    sd = np.where(stands[:, None] & np.isfinite(network.control), wider, network.control_sd)
    return replace(network, control_sd=sd)


def on_grid(network: Network, grid: Grid | None) -> Network:
    """Bring every sight and tape from the site's mean factor to that of its own line."""
    if grid is None:
        return network
    links, to_mark = network.links, network.start.position + network.origin
    taped = _own_factors(to_mark[links.start], to_mark[links.end], grid)
    sights = _on_own_lines(network, network.sights, grid)
    return replace(network, sights=sights, links=links_on_grid(links, taped))


def _on_own_lines(network: Network, sights: Sights, grid: Grid) -> Sights:
    """Bring the sights of a network from the site's mean factor to those of their own lines."""
    from_axis = network.start.axis + network.origin
    to_mark = network.start.position + network.origin
    along = _own_factors(from_axis[sights.setup], to_mark[sights.point], grid)
    return sights_on_grid(sights, along)


def _own_factors(here: FloatArray, there: FloatArray, grid: Grid) -> FloatArray:
    """Return the factors (n,) of lines over that of the site's middle; ends (n, 3) may be NaN."""
    middle = np.array(grid.centre)
    known = (np.where(np.isfinite(end), end, middle) for end in (here, there))
    return np.asarray(line_factors(grid, *known) / site_factor(grid))


def on_own_line(links: Links, place: FloatArray, grid: Grid | None) -> Links:
    """Return links as booked on the grid, each by its own line between ``place`` (P, 3)."""
    if grid is None:
        return links
    return links_on_grid(links, line_factors(grid, place[links.start], place[links.end]))


def swinging_sights(solved: Solved) -> IntArray:
    """Return the numbers of the sights that are gross only because they kept it from settling."""
    gross = solved.network.start.gross
    if not gross.any():
        return np.zeros(0, dtype=np.int64)
    at_start = assemble(solved.case)[1].start.gross
    return np.flatnonzero((gross & ~at_start).any(axis=1))


def job_frame(case: Case, network: Network) -> Frame:
    """Return the frame that the job asks for."""
    if case.datum.kind == "control":
        return held_frame(network)
    if case.datum.kind == "local" and case.datum.local is not None:
        return local_frame(network, case.datum.local.point, case.datum.local.toward)
    return minimal_frame(network)


def solve(case: Case, prepared: Prepared | None = None) -> Solved:
    """Solve a case in the job's frame, gross readings, stations and values left out.

    A sight that alone keeps the solution from settling counts as gross: the network returned
    says so. What is ``prepared`` serves where it is of this very case.

    Raises
    ------
    NetworkError, AdjustmentError
        The data cannot be tied or solved.
    """
    if prepared is not None and prepared.case is case:
        reduction, network = prepared.reduction, prepared.network
    else:
        reduction, network = assemble(case)
    network, adjustment = settled_fit(network, case, lambda calm: job_frame(case, calm))
    return Solved(case, reduction, network, adjustment)


def reweighed(solved: Solved, precision: Precision) -> Solved:
    """Return a solution weighed otherwise; it starts from where it stands.

    Only where something misses its start is the start sought anew, for what misses it hangs on
    the weights.
    """
    case, network = replace(solved.case, precision=precision), solved.network
    if _misses(network.start) or standing_marks(network, precision).any():
        return solve(case)
    reduction = reduce_shots(case.shots, case.setups, precision, case.use)
    sights, before = reduction.sights, solved.reduction.sights
    if len(sights) != len(before) or (sights.point != before.point).any():
        return solve(case)
    found = solved.adjustment
    start = replace(
        network.start,
        axis=_where_known(found.axis, network.start.axis),
        orientation=_where_known(found.orientation, network.start.orientation),
        position=_where_known(found.position, network.start.position),
    )
    network = replace(network, sights=sights, start=start)
    if precision.grid is not None:
        network = replace(network, sights=_on_own_lines(network, sights, precision.grid))
    network, adjustment = settled_fit(network, case, lambda calm: job_frame(case, calm))
    return Solved(case, reduction, network, adjustment)


def _where_known(found: FloatArray, start: FloatArray) -> FloatArray:
    return np.where(np.isfinite(found), found, start)


def _misses(start: Start) -> bool:
    """Say whether anything misses its start."""
    parts = (start.gross, start.gross_station, start.gross_control, start.gross_link)
    return any(part.any() for part in parts)


def settled_fit(
    network: Network, case: Case, frame: Callable[[Network], Frame], most: int = MOST_SWINGING
) -> tuple[Network, Adjustment]:
    """Adjust a network; what keeps it swinging, up to ``most`` sights, is gross in that returned.

    ``frame`` gives the frame of the network that is left.

    Raises
    ------
    AdjustmentError
        Where no sight is to blame, or too many are.
    """
    calm = without_gross(network)
    try:
        return network, adjust(calm, case.precision, case.refraction, frame(calm))
    except AdjustmentError as error:
        if error.sight < 0 or not most:
            raise
        network = _with_gross(network, error.sight)
    return settled_fit(network, case, frame, most - 1)


def _with_gross(network: Network, sight: int) -> Network:
    """Return the network with all readings of one sight taken as gross."""
    gross = network.start.gross.copy()
    gross[sight] = np.isfinite(network.sights.value[sight])
    return replace(network, start=replace(network.start, gross=gross))


def minimal_fit(solved: Solved, prepared: Prepared | None = None) -> Adjustment | None:
    """Return the minimally constrained adjustment of a solved case: it tests the readings.

    The one of ``prepared`` serves where it is of this very case. None where the readings alone do
    not settle: without a distance only the heights of instruments and targets give the site a size.
    """
    if prepared is not None and prepared.minimal is not None and prepared.case is solved.case:
        return prepared.minimal
    try:
        return settled_fit(solved.network, solved.case, minimal_frame)[1]
    except AdjustmentError:
        return None


def without_gross(network: Network) -> Network:
    """Return the network without everything that misses its start grossly."""
    start = network.start
    value = np.where(start.gross, np.nan, network.sights.value)
    station, height = network.station, network.instrument_height
    if len(start.gross_station):
        station = np.where(start.gross_station[:, 0], -1, station)
        height = np.where(start.gross_station[:, 1], np.nan, height)
    control = network.control
    if len(start.gross_control):
        control = np.where(start.gross_control, np.nan, control)
    links = network.links
    if len(start.gross_link):
        links = links.take(~start.gross_link)
    return replace(
        network,
        sights=replace(network.sights, value=value),
        station=station,
        instrument_height=height,
        control=control,
        links=links,
    )
