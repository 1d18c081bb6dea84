"""Set up one adjustment: what is observed, what is free, what takes no part.

Takes a network and the wanted frame, gives the connections, the held unknowns and
the frame's conditions. The same network serves the fit held to control and the
minimally constrained one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.observation_equations import Connections
from tieup.adjust.prior import Prior, make_prior
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.link_kinds import of_kind
from tieup.model.network import Network
from tieup.model.observations import DIRECTION, ZENITH


@dataclass(frozen=True)
class Frame:
    """Which frame to solve in.

    ``control`` (P, 3) and ``control_sd`` (P, 3) hold (sd 0) or weight components, NaN where
    they do not. What they leave open is closed by inner constraints over
    ``datum_points`` (P,) or, when ``local`` is given, by that mark and azimuth.
    ``reference_axis`` (S, 3), ``reference`` (P, 3): the values the constraints refer to.
    """

    control: FloatArray
    control_sd: FloatArray
    datum_points: BoolArray
    reference_axis: FloatArray
    reference: FloatArray
    local: LocalFrame | None = None


@dataclass(frozen=True)
class LocalFrame:
    """A mark (or, when ``is_setup``, a setup) that stays, and a mark kept on its azimuth."""

    point: int
    is_setup: bool
    toward: int


@dataclass(frozen=True)
class Problem:
    """One adjustment, ready to solve.

    ``solved_setup`` (S,), ``solved_point`` (P,) take part. ``held_setup`` (S, 4) and
    ``held_point`` (P, 3) do not move. ``weight`` (P, 3) is 1/sd^2 of weighted control.
    ``links`` (l,) are the rows of `Network.links` that take part. ``turned`` (S,) are the setups
    with a circle reading; the orientation of the others means nothing and stands still. ``prior``
    is the part of weighted control that is correlated.
    """

    network: Network
    frame: Frame
    connections: Connections
    links: IntArray
    solved_setup: BoolArray
    solved_point: BoolArray
    held_setup: BoolArray
    held_point: BoolArray
    weight: FloatArray
    turned: BoolArray
    prior: Prior

    @property
    def held_in_plan(self) -> BoolArray:
        """Return the marks (P,) that have a height alone."""
        return np.asarray(self.solved_point & ~self.network.start.plan_point)


def held_frame(network: Network) -> Frame:
    """Return the frame held to control (as weighted)."""
    known = np.isfinite(network.control)
    return Frame(
        network.control,
        np.where(known, network.control_sd, np.nan),
        np.asarray(known.all(axis=1)),
        network.start.axis,
        network.start.position,
    )


def minimal_frame(network: Network) -> Frame:
    """Return the minimally constrained frame: inner constraints over the control marks.

    Without control the constraints run over every mark that two or more setups see, or a vector.
    """
    nothing = np.full_like(network.control, np.nan)
    known: BoolArray = np.asarray(np.isfinite(network.control[:, :2]).all(axis=1))
    reference = np.where(np.isfinite(network.control), network.control, network.start.position)
    if not len(network.setup_labels):
        placed = network.start.plan_point
        touched = placed if placed.any() else levelled_only(network)
        parts = slice(2) if placed.any() else slice(2, 3)
        known = touched & np.isfinite(network.control[:, parts]).all(axis=1)
        known = known if known.any() else touched
    elif known.sum() < 2:
        known, reference = _shared(network), network.start.position
    return Frame(nothing, nothing, known, network.start.axis, reference)


def local_frame(network: Network, point: str, toward: str) -> Frame:
    """Return the frame that leaves ``point`` where the start has it, ``toward`` on its azimuth."""
    nothing = np.full_like(network.control, np.nan)
    names = network.point_names
    is_setup = point not in names
    number = (network.setup_labels if is_setup else names).index(point)
    local = LocalFrame(number, is_setup, names.index(toward))
    none = np.zeros(len(names), dtype=bool)
    return Frame(nothing, nothing, none, network.start.axis, network.start.position, local)


def _shared(network: Network) -> BoolArray:
    pairs, _ = distinct_pairs(network.sights.point, network.sights.setup)
    shared = np.bincount(pairs[:, 0], minlength=len(network.point_names)) > 1
    vectors = network.links.take(of_kind(network.links.kind, "is_vector"))
    shared[vectors.start] = shared[vectors.end] = True
    return np.asarray(shared & network.start.plan_point)


def make_problem(
    network: Network,
    frame: Frame,
    without_setup: BoolArray,
    without_point: BoolArray,
    without_basis: BoolArray | None = None,
) -> Problem:
    """Gather what takes part; ``without_*`` are masks of what was found undetermined.

    Azimuths of a basis of bearings whose turn is not determined take no part.
    """
    start = network.start
    solved_setup = start.plan_setup & ~without_setup
    placed = start.plan_point & ~without_point
    solved_point = placed | (levelled_only(network) & ~without_point)
    lost = np.isnan(start.turn) if without_basis is None else without_basis | np.isnan(start.turn)
    connections = _connections(network, solved_setup, placed, lost)
    solved_point &= _spoken_of(network, connections)
    known = np.isfinite(frame.control) & solved_point[:, None]
    fixed = known & (frame.control_sd == 0)
    weighted = known & (frame.control_sd > 0)
    held_point = fixed | ~solved_point[:, None]
    held_point[:, 2] |= ~start.height_point
    held_point[:, :2] |= ~placed[:, None]
    held_setup = np.repeat(~solved_setup[:, None], 4, axis=1)
    held_setup[:, 2] |= ~start.height_setup
    turned = _turned(connections, len(held_setup))
    held_setup[:, 3] |= ~turned
    weight = np.zeros(known.shape)
    weighing = np.nonzero(weighted & ~held_point)
    weight[weighing] = frame.control_sd[weighing] ** -2.0
    links, high = network.links, solved_point & start.height_point
    taking = ~links.in_plan | placed[links.start] & placed[links.end]
    taking &= ~links.in_height | high[links.start] & high[links.end]
    return Problem(
        network,
        frame,
        connections,
        np.flatnonzero(taking),
        solved_setup,
        solved_point,
        held_setup,
        held_point,
        weight,
        turned,
        make_prior(network.correlated, frame.control_sd, weight > 0),
    )


def _turned(connections: Connections, setups: int) -> BoolArray:
    """Return the setups (S,) of which some direction is read on the circle."""
    read = connections.turning & np.isfinite(connections.value[:, DIRECTION])
    return np.bincount(connections.setup[read], minlength=setups) > 0


def _spoken_of(network: Network, connections: Connections) -> BoolArray:
    """Return the points (P,) of which an observation or control still says anything."""
    spoken = np.asarray(np.isfinite(network.control).any(axis=1))
    spoken[connections.point] = True
    spoken[network.links.start] = True
    spoken[network.links.end] = True
    return spoken


def levelled_only(network: Network) -> BoolArray:
    """Return the marks (P,) that level runs reach and nothing places in plan."""
    links, start = network.links, network.start
    levels = ~links.in_plan
    touched = np.zeros(len(start.plan_point), dtype=np.bool_)
    touched[links.start[levels]] = True
    touched[links.end[levels]] = True
    return np.asarray(touched & start.height_point & ~start.plan_point)


def _connections(
    network: Network, solved_setup: BoolArray, solved_point: BoolArray, without_basis: BoolArray
) -> Connections:
    """Join sights and plumb lines of what is solved; drop zeniths that reach no height."""
    sights, start = network.sights, network.start
    value = sights.value
    level = start.height_setup[sights.setup] & start.height_point[sights.point]
    if not level.all():
        value = value.copy()
        value[~level, ZENITH] = np.nan
    lost = np.flatnonzero(sights.basis >= 0)
    lost = lost[without_basis[sights.basis[lost]]]
    if len(lost):
        value = value.copy()
        value[lost, DIRECTION] = np.nan
    takes = solved_setup[sights.setup] & solved_point[sights.point]
    takes &= _any_observed(value)
    every = np.arange(len(sights))
    seen = Connections(
        sights.setup,
        sights.point,
        value,
        sights.target_height,
        np.zeros(len(sights), bool),
        every,
        sights.level,
        sights.azimuth,
        sights.basis,
    )
    if not takes.all():
        seen = seen.take(takes)
    occupied = network.station >= 0
    occupied[occupied] &= solved_point[network.station[occupied]]
    setups = np.flatnonzero(occupied & solved_setup)
    return _with_plumb_lines(seen, network, setups) if len(setups) else seen


def _any_observed(value: FloatArray) -> BoolArray:
    """Return the rows (k, 3) with any value, column by column because that is faster."""
    observed = np.isfinite(value)
    return observed[:, 0] | observed[:, 1] | observed[:, 2]


def _with_plumb_lines(seen: Connections, network: Network, setups: IntArray) -> Connections:
    """Append the plumb lines of the occupied ``setups``."""
    start, station = network.start, network.station[setups]
    plumb = np.zeros((len(setups), 3))
    plumb[:, 2] = network.instrument_height[setups]
    both = start.height_setup[setups] & start.height_point[station]
    plumb[~both, 2] = np.nan
    return Connections(
        setup=np.concatenate([seen.setup, setups]),
        point=np.concatenate([seen.point, station]),
        value=np.concatenate([seen.value, plumb]),
        rise=np.concatenate([seen.rise, np.zeros(len(setups))]),
        plumb=np.concatenate([seen.plumb, np.ones(len(setups), bool)]),
        source=np.concatenate([seen.source, setups]),
        level=np.concatenate([seen.level, np.zeros(len(setups), bool)]),
        azimuth=np.concatenate([seen.azimuth, np.zeros(len(setups), bool)]),
        basis=np.concatenate([seen.basis, np.full(len(setups), -1)]),
    )
