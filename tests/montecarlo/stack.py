"""Adjust hundreds of draws of one site at once, laid side by side as one network.

The copies share nothing but the instrument, or not even that, and the package adjusts them in
one call; the numbering of copy i is that of the site plus i times its size. Start values are
those of the site without errors, so every draw is in the same frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tests.diagnose.cases import case_of
from tests.simulate import Site, Survey, simulate
from tieup.adjust.adjust import adjust
from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.adjust.problem import Frame, held_frame, minimal_frame
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.solve import assemble
from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.fieldbook import Shots
from tieup.model.network import Network
from tieup.model.observations import Sights
from tieup.model.settings import Instrument, Precision
from tieup.reduce.sights import Reduction, reduce_shots

STILL = Precision(
    instruments={"default": Instrument(1e-15, 1e-15, 1e-12, 0.0)},
    centring_instrument=0.0,
    centring_target=0.0,
    height_instrument=0.0,
    height_target=0.0,
)
REFRACTION = 0.13


@dataclass(frozen=True)
class Bias:
    """An error put into one component of one raw row of every draw, rad or m."""

    row: int
    kind: str
    size: float


@dataclass(frozen=True)
class Stack:
    """n draws of a site of S setups and P points, adjusted.

    ``truth_position`` (P, 3) and ``truth_axis`` (n, S, 3), ``truth_orientation`` (S,) in the
    numbering and the origin of the network.
    """

    network: Network
    reduction: Reduction
    adjustment: Adjustment
    tests: PointingTests
    copies: int
    truth_position: FloatArray
    truth_axis: FloatArray
    truth_orientation: FloatArray

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the points of one copy."""
        return self.network.point_names[: len(self.truth_position)]

    def number(self, name: str) -> int:
        """Return the number of a point in one copy."""
        return self.names.index(name)


def adjust_draws(
    site: Site,
    precision: Precision,
    seed: int,
    copies: int,
    *,
    free: bool = False,
    bias: Bias | None = None,
    own_instruments: bool = False,
) -> list[Stack]:
    """Draw a site ``copies`` times and adjust the draws, a batch at a time.

    ``free``: minimally constrained, by inner constraints over the control marks of the site
    or all its shared ones, instead of held to control. ``bias`` spoils every draw alike.
    ``own_instruments``: collimation and index are estimated for each draw alone, which takes
    a part of its freedom, and more time.
    """
    rng = np.random.default_rng(seed)
    whole = case_of(simulate(_exact(site), STILL, rng), precision)
    _, base = assemble(whole)
    batch = 10 if free else 20  # the quickest sizes, measured
    batches = (
        [simulate(site, precision, rng) for _ in range(batch)] for _ in range(copies // batch)
    )
    return [
        _stack(surveys, precision, base, free=free, bias=bias, own_instruments=own_instruments)
        for surveys in batches
    ]


def _exact(site: Site) -> Site:
    """Return the site with control that has no errors but keeps being weighted."""
    marks = tuple(
        replace(m, control_sd=(0.0, 0.0, 0.0)) if m.control_sd is not None else m
        for m in site.marks
    )
    return replace(site, marks=marks)


def _stack(
    surveys: list[Survey],
    precision: Precision,
    base: Network,
    *,
    free: bool,
    bias: Bias | None,
    own_instruments: bool,
) -> Stack:
    first, copies = surveys[0], len(surveys)
    shots = _stacked_shots(surveys, len(base.setup_labels), len(base.point_names))
    if bias is not None:
        column = getattr(shots, bias.kind)
        column[bias.row :: len(first)] += bias.size
    setups, gear = first.setups * copies, precision.instruments
    if own_instruments:
        keys = [str(copy) for copy in range(copies)]
        setups = tuple(replace(s, instrument=key) for key in keys for s in first.setups)
        gear = dict.fromkeys(keys, gear["default"])
    use = np.ones((len(shots), 3), dtype=bool)
    own = replace(precision, instruments=gear).with_targets_standing()  # as they are drawn
    reduction = reduce_shots(shots, setups, own, use)
    network = _tiled(base, reduction.sights, surveys)
    frame = _frame(base, network, copies) if free else held_frame(network)
    adjustment = adjust(network, precision, REFRACTION, frame)
    position = dict(zip(first.truth.points, first.truth.position, strict=True))
    return Stack(
        network=network,
        reduction=reduction,
        adjustment=adjustment,
        tests=examine_pointings(adjustment, reduction.sights, reduction.pointings),
        copies=copies,
        truth_position=np.array([position[name] for name in base.point_names]) - base.origin,
        truth_axis=np.stack([survey.truth.axis for survey in surveys]) - base.origin,
        truth_orientation=first.truth.orientation,
    )


def _stacked_shots(surveys: list[Survey], setups: int, points: int) -> Shots:
    columns = {
        name: np.concatenate([getattr(survey.shots, name) for survey in surveys])
        for name in vars(surveys[0].shots)
    }
    copy = np.repeat(np.arange(len(surveys)), len(surveys[0]))
    columns["setup"] = columns["setup"] + setups * copy
    columns["point"] = columns["point"] + points * copy
    return Shots(**columns)


def _frame(base: Network, network: Network, copies: int) -> Frame:
    """Return the minimal frame with the datum marks that one copy alone would have."""
    own = minimal_frame(base)
    return replace(minimal_frame(network), datum_points=np.tile(own.datum_points, copies))


def _tiled(base: Network, sights: Sights, surveys: list[Survey]) -> Network:
    copies, points = len(surveys), len(base.point_names)
    shift = points * np.repeat(np.arange(copies), len(base.setup_labels))
    station = np.tile(base.station, copies)
    control, sd = _control(base, surveys)
    start = base.start
    axes = {
        name: np.tile(column, (copies, *[1] * (column.ndim - 1)))
        for name, column in vars(start).items()
        if name not in ("gross", "gross_link")
    }
    return replace(
        base,
        setup_labels=base.setup_labels * copies,
        point_names=base.point_names * copies,
        station=np.where(station >= 0, station + shift, -1),
        instrument_height=np.tile(base.instrument_height, copies),
        sights=sights,
        control=control,
        control_sd=sd,
        start=replace(start, gross=np.zeros((len(sights), 3), dtype=bool), **axes),
    )


def _control(base: Network, surveys: list[Survey]) -> tuple[FloatArray, FloatArray]:
    points = len(base.point_names)
    control = np.full((len(surveys), points, 3), np.nan)
    sd = control.copy()
    if surveys[0].control is not None:
        rows = [base.point_names.index(name) for name in surveys[0].control.names]
        for copy, survey in enumerate(surveys):
            assert survey.control is not None
            control[copy, rows] = survey.control.coordinates - base.origin
            sd[copy, rows] = survey.control.sd
    return control.reshape(-1, 3), sd.reshape(-1, 3)


def errors(stack: Stack) -> tuple[FloatArray, FloatArray]:
    """Return adjusted minus true: setups (n, S, 4) in m and rad, points (n, P, 3) in m.

    In a free frame the truth is first moved, as a whole, to where the frame's conditions
    put it: the inner constraints say that the datum marks as a whole neither shift nor turn.
    """
    n = stack.copies
    axis = stack.adjustment.axis.reshape(n, -1, 3)
    position = stack.adjustment.position.reshape(n, -1, 3)
    orientation = stack.adjustment.orientation.reshape(n, -1)
    true_axis, turn = stack.truth_axis, np.zeros(n)
    true_position: FloatArray = np.broadcast_to(stack.truth_position, position.shape)
    if stack.adjustment.defect:
        true_axis, true_position, turn = _into_frame(stack)
    setup = np.empty((*orientation.shape, 4))
    setup[:, :, :3] = axis - true_axis
    setup[:, :, 3] = wrap_half(orientation - stack.truth_orientation - turn[:, None])
    return setup, position - true_position


def _into_frame(stack: Stack) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Move the true site onto the frame's reference: shifts and turn of a least-squares fit.

    The fit of the true datum marks onto their reference places, in closed form: shift by
    the means, turn by the cross and dot products of what is left.
    """
    n, frame = stack.copies, stack.adjustment.problem.frame
    datum = frame.datum_points.reshape(n, -1)[0]
    reference = frame.reference.reshape(n, -1, 3)[:, datum]
    true = stack.truth_position[datum]
    target, source = reference.mean(axis=1), true.mean(axis=0)
    away, own = reference - target[:, None], true - source
    cross = (own[:, 0] * away[:, :, 1] - own[:, 1] * away[:, :, 0]).sum(axis=1)
    dot = (own[:, 0] * away[:, :, 0] + own[:, 1] * away[:, :, 1]).sum(axis=1)
    turn = np.arctan2(cross, dot)
    cos, sin = np.cos(turn), np.sin(turn)
    matrix = np.zeros((n, 3, 3))
    matrix[:, 0, 0], matrix[:, 0, 1] = cos, -sin
    matrix[:, 1, 0], matrix[:, 1, 1], matrix[:, 2, 2] = sin, cos, 1.0
    axis = (stack.truth_axis - source) @ matrix.transpose(0, 2, 1) + target[:, None]
    position = (stack.truth_position - source) @ matrix.transpose(0, 2, 1) + target[:, None]
    return axis, position, turn


def per_copy(stack: Stack, values: FloatArray) -> FloatArray:
    """Split an array over all copies into (n, ...)."""
    return values.reshape(stack.copies, -1, *values.shape[1:])


def kinds_of_w(stacks: list[Stack]) -> Iterator[tuple[str, FloatArray]]:
    """Yield the w of every kind of observation, (draws, observations of the kind)."""
    w = np.concatenate([per_copy(stack, stack.tests.w) for stack in stacks])
    for number, kind in enumerate(("direction", "zenith", "distance")):
        yield kind, _defined(w[:, :, number])
    means: dict[str, list[FloatArray]] = {"centring": [], "instrument height": []}
    for stack in stacks:
        own = stack.adjustment.standardised[stack.adjustment.connections.plumb]
        if len(own):
            means["centring"].append(per_copy(stack, own[:, :2]).reshape(stack.copies, -1))
            means["instrument height"].append(per_copy(stack, own[:, 2]))
    for name, parts in means.items():
        if parts:
            yield name, _defined(np.concatenate(parts))
    control = np.concatenate([per_copy(stack, _control_w(stack)) for stack in stacks])
    control = control.reshape(len(control), -1)
    if np.isfinite(control).any():
        yield "control", _defined(control)


def _control_w(stack: Stack) -> FloatArray:
    adjustment = stack.adjustment
    with np.errstate(invalid="ignore", divide="ignore"):
        sd = stack.network.control_sd * np.sqrt(adjustment.control_redundancy)
        return np.where(
            adjustment.control_redundancy > 1e-6, adjustment.control_residual / sd, np.nan
        )


def _defined(values: FloatArray) -> FloatArray:
    """Keep the columns that are defined in every draw."""
    return values[:, np.isfinite(values).all(axis=0)]


def roles(stack: Stack) -> TextArray:
    """Return of each point of one copy: control, tie, shot, or "" where it is held."""
    base = stack.names
    held = stack.adjustment.problem.held_point[: len(base)].all(axis=1)
    known = np.isfinite(stack.network.control[: len(base)]).all(axis=1)
    role = np.array(["shot" if name.isdigit() else "tie" for name in base], dtype=object)
    role[known] = "control"
    role[held] = ""
    return role


def chosen(mask: TextArray, role: str) -> IntArray:
    """Return the numbers of the points with a role."""
    return np.flatnonzero(mask == role)
