"""A scheme of sights whose readings are exact for where everything stands, and its solution.

Precision and reliability depend on the shape of a net and on its gear, not on its readings. So
the sights of a plan get the readings that fit their places without any misclosure, and the
site is solved by the same steps as a measured one: what it says of its precision is what
the field will find, as far as the gear keeps its word.

References: Ghilani, Adjustment Computations, computer simulation of a survey (pre-analysis).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.adjust import adjust
from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.problem import Frame, held_frame, local_frame, minimal_frame
from tieup.adjust.solution import Adjustment
from tieup.geometry import curvature_coefficient, wrap_full
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.network import Links, Network
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.model.settings import Datum, Precision
from tieup.network.build import build_network


@dataclass(frozen=True)
class Scheme:
    """What is sighted from where, and where everything stands.

    ``points`` are all names: sighted, occupied, in control or in a link. The values of
    ``sights`` and ``links`` say what is measured (NaN: not); how large they are plays no part.
    ``axis`` (S, 3), ``place`` (P, 3) in m and ``orientation`` (S,) in rad; NaN where unknown.
    """

    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    sights: Sights
    control: Control | None
    links: Links
    datum: Datum
    precision: Precision
    refraction: float
    axis: FloatArray
    orientation: FloatArray
    place: FloatArray

    @property
    def bend(self) -> float:
        """Return the coefficient of curvature and refraction (rad per m)."""
        return curvature_coefficient(self.refraction)

    def with_sights(self, sights: Sights) -> Scheme:
        """Return the scheme with other sights."""
        return replace(self, sights=sights)


def exact_readings(
    setup: IntArray,
    point: IntArray,
    target_height: FloatArray,
    places: tuple[FloatArray, FloatArray, FloatArray],
    bend: float,
) -> FloatArray:
    """Return direction, zenith angle (rad) and distance (m) of sights (k, 3), NaN where unknown.

    ``places`` are axis (S, 3), orientation (S,) and place of the marks (P, 3).
    """
    count = len(setup)
    sights = Connections(
        setup,
        point,
        np.zeros((count, 3)),
        target_height,
        np.zeros(count, dtype=np.bool_),
        np.arange(count),
    )
    reading = -linearise(sights, *places, bend).misclosure
    reading[:, DIRECTION] = wrap_full(np.nan_to_num(reading[:, DIRECTION])) + (
        0.0 * reading[:, DIRECTION]
    )
    return reading


def solve_scheme(scheme: Scheme) -> Adjustment:
    """Solve a scheme at its places.

    Raises
    ------
    NetworkError
        What is sighted cannot be tied into one site.
    """
    network = build_network(
        scheme.setups,
        scheme.points,
        _exact_sights(scheme),
        _control_in_place(scheme),
        _exact_links(scheme),
        scheme.datum,
        scheme.refraction,
    )
    network = _in_place(network, scheme)
    return adjust(network, scheme.precision, scheme.refraction, _frame(network, scheme.datum))


def _exact_sights(scheme: Scheme) -> Sights:
    """Return the sights with exact readings; those whose ends have no place drop out."""
    sights = scheme.sights
    places = (scheme.axis, scheme.orientation, scheme.place)
    ends, height = (sights.setup, sights.point), sights.target_height
    exact = exact_readings(*ends, height, places, scheme.bend)
    # An azimuth turns with no circle, and a level distance leaves the heights out.
    turned = exact[:, DIRECTION] + scheme.orientation[sights.setup]
    exact[:, DIRECTION] = np.where(sights.azimuth, turned, exact[:, DIRECTION])
    plan = exact[:, DISTANCE] * np.sin(exact[:, ZENITH])
    exact[:, DISTANCE] = np.where(sights.level, plan, exact[:, DISTANCE])
    return replace(sights, value=np.where(np.isfinite(sights.value), exact, np.nan))


def _control_in_place(scheme: Scheme) -> Control | None:
    """Return control at the scheme's places: what it knows counts, not how it misfits."""
    control = scheme.control
    if control is None:
        return None
    number = {name: i for i, name in enumerate(scheme.points)}
    place = scheme.place[[number[name] for name in control.names]].reshape(-1, 3)
    given = np.isfinite(control.coordinates)
    known = np.where(np.isfinite(place), place, control.coordinates)
    return replace(control, coordinates=np.where(given, known, np.nan))


def _exact_links(scheme: Scheme) -> Links:
    links = scheme.links
    exact, _ = links.predicted(scheme.place)
    return replace(links, value=np.where(np.isfinite(exact), exact, links.value))


def _in_place(network: Network, scheme: Scheme) -> Network:
    """Start where everything stands: what is found to be determined is kept, not where."""
    start = network.start

    def moved(found: FloatArray, here: FloatArray) -> FloatArray:
        return np.where(np.isfinite(found) & np.isfinite(here), here, found)

    return replace(
        network,
        start=replace(
            start,
            axis=moved(start.axis, scheme.axis - network.origin),
            orientation=moved(start.orientation, scheme.orientation),
            position=moved(start.position, scheme.place - network.origin),
            gross=np.zeros_like(start.gross),
            gross_station=np.zeros_like(start.gross_station),
            gross_control=np.zeros_like(start.gross_control),
            gross_link=np.zeros_like(start.gross_link),
        ),
    )


def _frame(network: Network, datum: Datum) -> Frame:
    if datum.kind == "control":
        return held_frame(network)
    if datum.local is not None:
        return local_frame(network, datum.local.point, datum.local.toward)
    return minimal_frame(network)


def places_of(scheme: Scheme, adjustment: Adjustment) -> tuple[FloatArray, FloatArray]:
    """Return where marks (P, 3) and instruments (S, 3) stand, solved or as the plan has them."""
    origin = adjustment.problem.network.origin
    place, axis = adjustment.position + origin, adjustment.axis + origin
    return (
        np.where(np.isfinite(place), place, scheme.place),
        np.where(np.isfinite(axis), axis, scheme.axis),
    )
