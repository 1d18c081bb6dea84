"""Points that nothing checks: polar points of their setup, with full covariance.

Their equations determine them exactly, so x_point follows from the setup's unknowns and
the sight: dx = T ds + J dl, with T = -B^-1 A, J = B^-1 (A, B the derivatives by setup and
mark). A full sight has both in closed form; a point without height and the like goes
through the equations.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.equations import Connections, linearise
from tieup.adjust.iterate import State
from tieup.adjust.solution import Aside
from tieup.adjust.stacks import chunks, new_columns, new_stack, product, transposed
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

MOST_ITERATIONS = 8
SETTLED = 1e-9  # m


def compute_aside(
    connections: Connections,
    sd: FloatArray,
    state: State,
    held_point: BoolArray,
    bend: float,
) -> tuple[Aside, FloatArray]:
    """Return the aside sights and the positions (a, 3) of their points.

    ``state`` holds adjusted setups and approximate points; ``held_point`` (P, 3) marks
    components that are not determined (a height without zenith angles).
    """
    count = len(connections)
    position, by_setup = new_columns(count, 3), new_stack(count, 3, 4)
    own = new_stack(count, 3, 3)
    by_setup[:, [0, 1, 2], [0, 1, 2]] = 1.0
    for part in chunks(count):
        position[part], inverse = _polar(connections, part, state, bend)
        by_setup[part, :, 3] = inverse[:, :, DIRECTION]
        own[part] = _noise(inverse, sd[part])
    partial = _partial(connections, held_point)
    if len(partial):
        some = connections.take(partial)
        position[partial], inverse, by_setup[partial] = _by_equations(some, state, held_point, bend)
        own[partial] = _noise(inverse, np.where(np.isfinite(some.value), sd[partial], 0.0))
    return Aside(connections, sd, by_setup, own), position


def _noise(inverse: FloatArray, sd: FloatArray) -> FloatArray:
    """Return what the sights' own errors do to their points: J S J' (n, 3, 3)."""
    noise = inverse * sd[:, None, :]
    return product(noise, transposed(noise))


def _partial(connections: Connections, held_point: BoolArray) -> IntArray:
    """Return the connections that are not sights of all three kinds to a free point."""
    full = ~connections.plumb
    for component in range(3):
        full &= np.isfinite(connections.value[:, component])
        full &= ~held_point[connections.point, component]
    return np.flatnonzero(~full)


def _polar(
    connections: Connections, part: slice, state: State, bend: float
) -> tuple[FloatArray, FloatArray]:
    """Return the points of full sights (n, 3) and their derivatives J (n, 3, 3).

    With the straight zenith angle t = z - bend D, D = s sin t, h = s cos t and
    q = 1 + bend h: dD/dz = h/q, dh/dz = -D/q, dD/ds = D/sq, dh/ds = (h/s + bend s)/q.
    """
    setup, value = connections.setup[part], connections.value[part]
    azimuth = value[:, DIRECTION] + state.orientation[setup]
    sine, cosine = _straight(value[:, ZENITH], value[:, DISTANCE], bend)
    slope = value[:, DISTANCE]
    plan, height = slope * sine, slope * cosine
    stretch = 1.0 / (1.0 + bend * height)
    position, inverse = new_columns(len(setup), 3), new_stack(len(setup), 3, 3)
    for component, toward in enumerate((np.cos(azimuth), np.sin(azimuth))):
        position[:, component] = plan * toward
        inverse[:, component, ZENITH] = height * stretch * toward
        inverse[:, component, DISTANCE] = sine * stretch * toward
    inverse[:, 0, DIRECTION] = -position[:, 1]
    inverse[:, 1, DIRECTION] = position[:, 0]
    inverse[:, 2, ZENITH] = -plan * stretch
    inverse[:, 2, DISTANCE] = (cosine + bend * slope) * stretch
    position[:, 2] = height - connections.rise[part]
    for component in range(3):
        position[:, component] += state.axis[setup, component]
    return position, inverse


def _straight(zenith: FloatArray, slope: FloatArray, bend: float) -> tuple[FloatArray, FloatArray]:
    """Return sine and cosine of t in t + bend s sin t = z, by one Newton step."""
    bent = bend * slope
    near = zenith - bent * np.sin(zenith)
    sine, cosine = np.sin(near), np.cos(near)
    away = (near + bent * sine - zenith) / (1.0 + bent * cosine)
    return sine - away * cosine, cosine + away * sine


def _by_equations(
    connections: Connections, state: State, held_point: BoolArray, bend: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the points of any sights (n, 3), J (n, 3, 3) and T (n, 3, 4)."""
    free = ~held_point[connections.point]
    observed = np.isfinite(connections.value)
    position = state.position.copy()
    for _ in range(MOST_ITERATIONS):
        linear = linearise(connections, state.axis, state.orientation, position, bend)
        inverse = _inverse(linear.by_mark, observed, free)
        misclosure = np.where(observed, linear.misclosure, 0.0)
        step = (inverse @ misclosure[:, :, None])[:, :, 0]
        position[connections.point] += step
        if np.abs(step).max(initial=0.0) < SETTLED:
            break
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = inverse @ np.where(observed[:, :, None], linear.by_mark, 0.0)
    by_setup[:, :, 3] = inverse[:, :, 0] * linear.turns[:, None]
    return position[connections.point], inverse, by_setup


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
