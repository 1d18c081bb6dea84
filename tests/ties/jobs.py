"""From a simulated survey straight to a network that starts at the truth.

The tests of ties are about what the adjustment says afterwards, so they do without the search
for start values: every draw of a Monte-Carlo run begins at the true coordinates.
"""

from __future__ import annotations

import numpy as np

from tests.simulate import Survey, simulate
from tests.simulate.yards import fire_station
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.adjust.solution import Adjustment
from tieup.model.network import Links, Network, Start
from tieup.model.settings import Precision
from tieup.reduce.sights import Reduction, reduce_shots


def reduction_of(survey: Survey) -> Reduction:
    """Reduce every row of a survey."""
    book = survey.fieldbook
    use = np.ones((len(book.shots), 3), dtype=bool)
    precision = survey.precision.with_targets_standing()  # as they are drawn
    return reduce_shots(book.shots, book.setups, precision, use)


def network_of(survey: Survey, reduction: Reduction | None = None) -> Network:
    """Return the network of a survey, started at the truth."""
    reduction = reduction or reduction_of(survey)
    truth, control = survey.truth, survey.control
    names = list(dict.fromkeys([*survey.points, *truth.points]))
    number = {name: i for i, name in enumerate(names)}
    position = np.full((len(names), 3), np.nan)
    position[[number[name] for name in truth.points]] = truth.position
    given, sd = np.full((len(names), 3), np.nan), np.full((len(names), 3), np.nan)
    if control is not None:
        rows = [number[name] for name in control.names]
        given[rows], sd[rows] = control.coordinates, control.sd
    position = np.where(sd == 0.0, given, position)
    setups = survey.setups
    station = np.array([number[s.station] if s.station else -1 for s in setups], dtype=np.int64)
    seen = np.zeros(len(names), dtype=bool)
    seen[reduction.sights.point] = True
    seen[station[station >= 0]] = True
    empty = np.zeros(0, dtype=np.int64)
    return Network(
        setup_labels=tuple(s.label for s in setups),
        point_names=tuple(names),
        station=station,
        instrument_height=np.array([np.nan_to_num(s.instrument_height) for s in setups]),
        sights=reduction.sights,
        control=given,
        control_sd=sd,
        links=Links(np.zeros(0, dtype=object), empty, empty, np.zeros(0), np.zeros(0)),
        origin=np.zeros(3),
        start=Start(
            axis=truth.axis,
            orientation=truth.orientation,
            position=position,
            plan_setup=np.ones(len(setups), dtype=bool),
            height_setup=np.ones(len(setups), dtype=bool),
            plan_point=seen,
            height_point=seen,
            component=np.zeros(len(setups), dtype=np.int64),
            gross=np.zeros((len(reduction.sights), 3), dtype=bool),
        ),
    )


def solve(survey: Survey) -> Adjustment:
    """Adjust a survey held to its control."""
    network = network_of(survey)
    return adjust(network, survey.precision, survey.refraction, held_frame(network))


def simulated_yard(seed: int = 1) -> Survey:
    """Simulate a day at the fire station."""
    rng = np.random.default_rng(seed)
    return simulate(fire_station(rng), Precision(), rng)
