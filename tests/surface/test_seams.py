"""Seams between two setups: a planted step is named as the seam's, sound ones are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.surface.grounds import certain, grid, lifted, surface_of
from tests.surface.seamed import dammed_channel, seamed_yard, uneven_yard
from tieup.surface.checks import critical
from tieup.surface.seams import SHARED, STANDS_OUT, Seam, bridging

YARDS = 150


def test_a_planted_step_of_10_mm_is_named() -> None:
    """In 98 % or more of the yards whose ground shows anything, with the right sign and size.

    Where a breakline runs along the seam itself, or the ground bends there, nothing is told.
    """
    rng = np.random.default_rng(1)
    named, tested, errors = 0, 0, []
    for _ in range(YARDS):
        yard = seamed_yard(rng, 0.010)
        (seam,) = yard.surface.seams
        tested += seam.tested
        named += seam.beyond > critical() and seam.step > 0
        if seam.tested:
            errors.append((seam.step - yard.step) / seam.sd)
    assert tested > 0.8 * YARDS
    assert named >= 0.98 * tested
    assert 0.7 < np.std(errors) < 1.2  # the sd is that of the estimate, or a little more


def test_sound_seams_are_left_alone() -> None:
    """No more than 2 % are called mistakes: 0.1 % by chance, the rest by the ground's own shape."""
    rng = np.random.default_rng(2)
    yards = [seamed_yard(rng, 0.0).surface.seams[0] for _ in range(YARDS)]
    assert sum(seam.beyond > critical() for seam in yards) <= 0.02 * YARDS


def test_a_step_of_80_mm_is_named_on_rough_ground() -> None:
    """80 mm in ground rough by up to 3 mm is no bend: named in 98 % of the yards or more."""
    rng = np.random.default_rng(4)
    seams = [uneven_yard(rng, 0.080, creased=False) for _ in range(YARDS)]
    assert sum(seam.beyond > critical() and seam.step > 0 for seam in seams) >= 0.98 * YARDS


@pytest.mark.parametrize("creased", [False, True])
def test_sound_seams_in_uneven_ground_are_left_alone(creased: bool) -> None:
    """Rough ground and creases that no breakline shows make no more than 2 % mistakes."""
    rng = np.random.default_rng(5)
    seams = [uneven_yard(rng, 0.0, creased=creased) for _ in range(YARDS)]
    assert sum(seam.beyond > critical() for seam in seams) <= 0.02 * YARDS


@pytest.mark.parametrize(("creased", "share"), [(False, 0.75), (True, 0.3)])
def test_10_mm_in_uneven_ground_is_named_where_anything_is_told(
    creased: bool, share: float
) -> None:
    """98 % or more of what is called a step or flush; of the rest it is said that nobody can tell.

    tests/bench/seam_steps.py counts more kinds of ground.
    """
    rng = np.random.default_rng(7)
    seams = [uneven_yard(rng, 0.010, creased=creased) for _ in range(YARDS)]
    tested = [seam for seam in seams if seam.tested]
    assert sum(seam.beyond > critical() and seam.step > 0 for seam in tested) >= 0.98 * len(tested)
    assert len(tested) > share * YARDS


def test_flush_is_said_only_where_10_mm_would_show() -> None:
    """A seam known to 1 mm is flush; one known to 3 mm is not, however small its step."""
    good = Seam((0, 1), np.zeros((0, 2), dtype=np.int64), 0.001, 0.001, 0.001, 0.0, 0.001)
    assert good.tested and good.clear == 0.0
    assert not replace(good, sd=0.003).tested
    assert not replace(good, rough=0.003).tested and not replace(good, kink=0.005).tested
    stepped = replace(good, step=0.010)
    assert stepped.tested and stepped.beyond == pytest.approx(0.010 / np.hypot(0.001, 0.001))
    assert not replace(stepped, rough=0.010 / STANDS_OUT).tested  # a ditch may be that


def test_a_large_step_is_named_whatever_the_heights_are_known_to() -> None:
    """1 m in a grid of 3 m, rough by 2 mm, with heights known to 0.1 mm."""
    rng = np.random.default_rng(6)
    plan = grid(9, 9, 3.0)
    setup = (plan[:, 1] > 13).astype(np.int64)
    place = lifted(plan, lambda n, e: 0.01 * n + 0.004 * e + 0.002 * rng.normal(size=len(plan)))
    place[:, 2] += setup
    (seam,) = surface_of(place, setup=setup, spread=certain(len(plan), 0.0001)).seams
    assert seam.beyond > critical() and seam.step == pytest.approx(1.0, abs=0.02)


def test_water_behind_a_step_is_the_seams() -> None:
    """A channel of 0.2 % over the seam: the step of 10 mm dams water up, which is told as its."""
    plan = grid(7, 14, 3.0)
    setup = (plan[:, 1] > 20).astype(np.int64)
    place = lifted(plan, lambda n, e: 0.004 * np.abs(n - 9) - 0.002 * e)
    place[:, 2] += 0.010 * setup
    flow_line = [[3 * 14 + i for i in range(14)]]
    found = surface_of(place, lines=flow_line, setup=setup, spread=certain(len(plan), 0.0005))
    assert found.seams[0].step == pytest.approx(0.010, abs=1e-9)
    assert len(found.drainage.ponds) and found.seam_ponds.all()


def test_a_dammed_channel_is_named_the_seams_and_not_a_pond() -> None:
    """10 mm in 150 channels that drain: the step is named, no pond is called the ground's (2 %)."""
    rng = np.random.default_rng(3)
    named = called = dammed = 0
    for _ in range(YARDS):
        found = dammed_channel(rng)
        named += found.seams[0].clear > critical()
        dammed += bool(found.seam_ponds.any())
        verdicts = found.drainage.places.verdict[: len(found.seam_ponds)]
        called += bool(((verdicts == "holds") & ~found.seam_ponds).any())
    assert named >= 0.98 * YARDS and called <= 0.02 * YARDS
    assert dammed > 0.6 * YARDS


def test_a_real_hollow_beside_a_step_is_not_the_seams() -> None:
    """50 mm deep: it is there without the step as well."""
    plan = grid(7, 14, 3.0)
    setup = (plan[:, 1] > 20).astype(np.int64)
    place = lifted(plan, lambda n, e: -0.02 * e)
    place[:, 2] += 0.010 * setup
    place[3 * 14 + 8, 2] -= 0.150
    found = surface_of(place, setup=setup, spread=certain(len(plan), 0.0005))
    assert len(found.drainage.ponds) == 1 and not found.seam_ponds.any()


def test_points_that_both_have_shot_are_no_seam() -> None:
    """Two halves that share a row of points have no triangle between setups, and no step."""
    plan = grid(5, 9)
    setup = np.sign(plan[:, 1] - 4).astype(np.int64)
    setup = np.where(setup == 0, SHARED, (setup + 1) // 2)
    found = surface_of(lifted(plan, lambda n, e: 0.02 * n), setup=setup)
    assert found.seams == () and not bridging(found.mesh, found.setup).any()
