"""Points that nothing checks: polar points of their setup, with full covariance.

Their equations determine them exactly, so x_point follows from the setup's unknowns and
the sight: dx = T ds + J dl, with T = -B^-1 A, J = B^-1 (A, B the derivatives by setup and
mark). A full sight has both in closed form; a point without height and the like goes
through the equations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from tieup.adjust.evaluation import Unknowns
from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.stacks import chunks, new_columns, new_stack, product, put, take, transposed
from tieup.adjust.weights import connection_noise
from tieup.adjust.whitening import Whitening
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.model.settings import Precision

MOST_ITERATIONS = 8
SETTLED = 1e-9  # m


class Followed(NamedTuple):
    """How points follow from their sights: ``position`` (n, 3), T (n, 3, 4), J (n, 3, 3)."""

    position: FloatArray
    by_setup: FloatArray
    by_sight: FloatArray


@dataclass(frozen=True)
class Aside:
    """Connections that nothing checks, with how their points follow from the setups.

    ``connections`` (a,) and their ``noise``. ``state`` holds adjusted setups and
    approximate points; ``held_point`` (P, 3) marks components that are not determined (a
    height without zenith angles). Derivatives are not kept but found again when asked for:
    side shots are many, and few are ever asked about.
    """

    connections: Connections
    noise: Whitening
    state: Unknowns
    held_point: BoolArray
    bend: float

    @cached_property
    def by_setup(self) -> FloatArray:
        """Return the derivative of each point by its setup's unknowns (a, 3, 4)."""
        whole = new_stack(len(self.connections), 3, 4)
        for part in chunks(len(whole)):
            whole[part] = self.follow(part).by_setup
        return whole

    @cached_property
    def own(self) -> FloatArray:
        """Return the covariance (a, 3, 3) in m^2 that each point has from its sight itself."""
        whole = new_stack(len(self.connections), 3, 3)
        for part in chunks(len(whole)):
            whole[part] = self.scatter(part, self.follow(part))
        return whole

    def follow(self, part: slice) -> Followed:
        """Return how the points of a part of the connections follow."""
        some = self.connections.part(part)
        followed = _polar(some, self.state, self.bend)
        partial = _partial(some, self.held_point)
        if len(partial):
            rest = _by_equations(some.take(partial), self.state, self.held_point, self.bend)
            for array, values in zip(followed, rest, strict=True):
                array[partial] = values
        return followed

    @property
    def sd(self) -> FloatArray:
        """Return the sds (a, 3) of the observations in rad, rad, m."""
        return self.noise.sd

    def scatter(self, part: slice, followed: Followed) -> FloatArray:
        """Return J S J' (n, 3, 3) of a part: what the sights' own errors do to the points.

        J times the root of S, column by column: the distance leans on the zenith angle.
        """
        sd, scale, lean = self.noise.sd[part], self.noise.scale[part], self.noise.lean[part]
        seen = scale > 0
        rest = np.where(seen[:, DISTANCE], 1.0 / np.where(scale > 0, scale, 1.0)[:, DISTANCE], 0.0)
        noise = followed.by_sight * np.where(seen, sd, 0.0)[:, None, :]
        leaning = followed.by_sight[:, :, DISTANCE] * rest[:, None]
        noise[:, :, ZENITH] += leaning * lean[:, None]
        noise[:, :, DISTANCE] = leaning
        return product(noise, transposed(noise))


def compute_aside(
    aside: Aside,
    stated: tuple[Sights, Precision],
    setup_covariance: FloatArray,
    position: FloatArray,
    covariance: FloatArray,
) -> None:
    """Find the points aside: fill in their sds, ``position`` (P, 3) and ``covariance`` (P, 3, 3).

    ``stated`` are the sights with their precision, for the sds, which depend on where the
    points come to lie. ``setup_covariance`` (S, 4, 4) is that of the adjusted setups.
    """
    for part in chunks(len(aside.connections)):
        followed, some = aside.follow(part), aside.connections.part(part)
        own = replace(some, point=np.arange(len(some)))
        found = connection_noise(own, *stated, aside.state.axis, followed.position)
        aside.noise.sd[part], aside.noise.scale[part] = found.sd, found.scale
        aside.noise.lean[part] = found.lean
        along = product(followed.by_setup, take(setup_covariance, some.setup))
        carried = product(along, transposed(followed.by_setup)) + aside.scatter(part, followed)
        position[some.point] = followed.position
        put(covariance, some.point, carried)


def _partial(connections: Connections, held_point: BoolArray) -> IntArray:
    """Return the connections that are not sights of all three kinds to a free point."""
    full = connections.turning & ~connections.level
    for component in range(3):
        full &= np.isfinite(connections.value[:, component])
        full &= ~held_point[connections.point, component]
    return np.flatnonzero(~full)


def _polar(connections: Connections, state: Unknowns, bend: float) -> Followed:
    """Return how the points of full sights follow.

    With the straight zenith angle t = z - bend D, D = s sin t, h = s cos t and
    q = 1 + bend h: dD/dz = h/q, dh/dz = -D/q, dD/ds = D/sq, dh/ds = (h/s + bend s)/q.
    """
    setup, value = connections.setup, connections.value
    count = len(setup)
    azimuth = value[:, DIRECTION] + state.orientation[setup]
    slope = value[:, DISTANCE]
    sine, cosine = _straight(value[:, ZENITH], slope, bend)
    plan, height = slope * sine, slope * cosine
    stretch = 1.0 / (1.0 + bend * height)
    position, inverse = new_columns(count, 3), new_stack(count, 3, 3)
    for component, toward in enumerate((np.cos(azimuth), np.sin(azimuth))):
        position[:, component] = plan * toward
        inverse[:, component, ZENITH] = height * stretch * toward
        inverse[:, component, DISTANCE] = sine * stretch * toward
    inverse[:, 0, DIRECTION] = -position[:, 1]
    inverse[:, 1, DIRECTION] = position[:, 0]
    inverse[:, 2, ZENITH] = -plan * stretch
    inverse[:, 2, DISTANCE] = (cosine + bend * slope) * stretch
    position[:, 2] = height - connections.rise
    by_setup = new_stack(count, 3, 4)
    for component in range(3):
        position[:, component] += state.axis[setup, component]
        by_setup[:, component, component] = 1.0
    by_setup[:, :, 3] = inverse[:, :, DIRECTION]
    return Followed(position, by_setup, inverse)


def _straight(zenith: FloatArray, slope: FloatArray, bend: float) -> tuple[FloatArray, FloatArray]:
    """Return sine and cosine of t in t + bend s sin t = z, by one Newton step."""
    bent = bend * slope
    near = zenith - bent * np.sin(zenith)
    sine, cosine = np.sin(near), np.cos(near)
    away = (near + bent * sine - zenith) / (1.0 + bent * cosine)
    return sine - away * cosine, cosine + away * sine


def _by_equations(
    connections: Connections, state: Unknowns, held_point: BoolArray, bend: float
) -> Followed:
    """Return how the points of sights of any kind follow."""
    free = ~held_point[connections.point]
    observed = np.isfinite(connections.value)
    position = state.position[connections.point]
    own = replace(connections, point=np.arange(len(connections)))
    for _ in range(MOST_ITERATIONS):
        places = state.axis, state.orientation, position
        linear = linearise(own, *places, bend, state.turn)
        inverse = _inverse(linear.by_mark, observed, free)
        misclosure = np.where(observed, linear.misclosure, 0.0)
        step = (inverse @ misclosure[:, :, None])[:, :, 0]
        position += step
        if np.abs(step).max(initial=0.0) < SETTLED:
            break
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = inverse @ linear.by_mark
    by_setup[:, :, 3] = inverse[:, :, 0] * linear.turns[:, None]
    return Followed(position, by_setup, inverse)


def _inverse(by_mark: FloatArray, observed: BoolArray, free: BoolArray) -> FloatArray:
    """Invert the derivative by the mark on its free components and observed rows.

    A held component takes the row that is not observed: there are as many of one as
    of the other in an aside sight.
    """
    matrix = np.where(observed[:, :, None], by_mark, 0.0) * free[:, None, :]
    idle, stuck = np.cumsum(~observed, axis=1), np.cumsum(~free, axis=1)
    takes = (idle[:, :, None] == stuck[:, None, :]) & ~observed[:, :, None] & ~free[:, None, :]
    matrix[takes] = 1.0
    inverse = np.linalg.inv(matrix)
    return inverse * free[:, :, None] * observed[:, None, :]
