"""Two stories of a site that nothing known holds are compared in one frame."""

from __future__ import annotations

import numpy as np

from tests.bench.days import draw_day
from tests.bench.outcomes import reconciled
from tests.bench.spoils import Spoil, spoiled
from tests.bench.worlds import world_of
from tieup.diagnose.proof.disputes import _in_one_frame


def test_a_free_site_with_two_stories_keeps_its_shape() -> None:
    """11 mm in the first direction of a free site, or a knock of the first setup: same places.

    The story of the knock has a frame that is turned by many degrees; laid side by side as they
    come, the middle of both was 30 m off.
    """
    day = draw_day(world_of("stated"), 1, 1652)
    assert day.free
    outcome = reconciled(spoiled(day, Spoil("reading", 0, "T2", (1,), 0), -0.011193))
    assert any(found.rivals for found in outcome.noticed)
    errors = np.array(list(outcome.errors().values()))
    assert np.abs(errors).max() < 0.02  # m
    proof = outcome.column("proof")
    assert sum(word == "disputed" for word in proof.values()) < 10


def test_what_is_in_dispute_does_not_pull_the_frame() -> None:
    """Three of ten points lie elsewhere in the other story: the seven agree to 0.1 mm after."""
    rng = np.random.default_rng(4)
    here = rng.uniform(0.0, 80.0, (10, 3))
    turn, shift = 0.7, np.array([500.0, -20.0, 3.0])
    cosine, sine = np.cos(turn), np.sin(turn)
    there = here @ np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]]) + shift
    there[:3] += rng.normal(0.0, 0.2, (3, 3))
    sd = np.full(3, 1e-3)
    laid = _in_one_frame([((a, sd), (b, sd)) for a, b in zip(here, there, strict=True)])
    off = np.array([pair[1][0] - pair[0][0] for pair in laid])
    assert np.abs(off[3:]).max() < 1e-4
    assert np.linalg.norm(off[:3], axis=1).min() > 0.05
