"""Walks round the setups."""

from __future__ import annotations

import numpy as np

from tests.simulate import random_site, simulate
from tests.simulate.mistakes.edit import shifted
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.model.settings import Instrument, Precision
from tieup.ties.closures import find_closures

NOISELESS = Precision({"default": Instrument(1e-12, 1e-12, 1e-9, 0.0)}, 0.0, 0.0, 0.0, 0.0)


def _closures(survey):
    reduction = reduction_of(survey)
    network = network_of(survey, reduction)
    result = adjust(network, Precision(), survey.refraction, held_frame(network))
    return find_closures(result, reduction.sights, survey.refraction)


def _survey(precision):
    rng = np.random.default_rng(7)
    site = random_site(rng, setups=5, ties=6, side_shots=0)
    return simulate(site, precision, np.random.default_rng(8))


def test_perfect_observations_close():
    """Without noise every walk closes to a hundredth of a millimetre and second."""
    found = _closures(_survey(NOISELESS))
    assert len(found) >= 3
    for closure in found:
        assert closure.plan < 1e-5 and abs(closure.height) < 1e-5
        assert abs(closure.turn) < 5e-8


def test_one_wrong_sight_opens_the_walks_through_its_setup():
    """A 0.5 m mistake at one mark: walks through that setup misclose, the others close."""
    survey = _survey(NOISELESS)
    name = survey.points[survey.shots.point[survey.rows("S3")[0]]]
    wrong = shifted(survey, survey.rows("S3", name), np.array([0.5, 0.0, 0.5]))
    clean, found = _closures(survey), _closures(wrong)
    assert [c.setups for c in clean] == [c.setups for c in found]
    opened = [c for c in found if c.plan > 1e-3]
    assert opened and all(2 in c.setups for c in opened)
    assert all(c.plan < 1e-5 for c in found if 2 not in c.setups)


def test_length_and_ratio_are_those_of_the_walk():
    """The length is the sum of the legs between the setups walked; control adds none."""
    survey = _survey(Precision())
    for closure in _closures(survey):
        places = [survey.truth.axis[s, :2] for s in closure.setups if s >= 0]
        legs = [np.hypot(*(a - b)) for a, b in zip(places, places[1:] + places[:1], strict=True)]
        assert abs(closure.length - sum(legs)) < 0.05  # m
        assert closure.ratio == closure.plan / closure.length
        assert closure.stations == len(places)
        assert closure.ratio < 1e-3
