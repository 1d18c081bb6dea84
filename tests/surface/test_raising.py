"""By how much to raise what does not drain: raised by that it does, by less it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from tests.surface.grounds import CONFIDENCE, certain, grid, lifted, surface_of
from tests.surface.seamed import dammed_channel
from tests.surface.yards import draw_yard
from tieup.model.arrays import FloatArray
from tieup.surface.drainage import drainage_of
from tieup.surface.raising import SLACK, STEP
from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import Surface, SurfaceGround, build_surface


def verdict_of(surface: Surface, up: FloatArray) -> str:
    """Return the verdict of a surface with its vertices raised."""
    place = surface.mesh.place + np.outer(up, [0.0, 0.0, 1.0])
    mesh = replace(surface.mesh, place=place)
    return drainage_of(mesh, surface.spread, surface.drainage.outlet, CONFIDENCE).verdict


@pytest.mark.slow
def test_raised_by_what_is_told_every_yard_drains_and_by_less_none_does() -> None:
    """200 yards of every kind, ponds of many points among them; one point lower is too low."""
    rng = np.random.default_rng(1)
    ponds, raised, wide = 0, 0, 0
    for _ in range(200):
        yard = draw_yard(rng)
        ground = SurfaceGround(yard.measured, yard.spread, yard.setup, inlets=yard.inlets.tolist())
        found = build_surface(ground, CONFIDENCE)
        up = found.raises.up
        assert np.isfinite(up).all() and verdict_of(found, up) == "drains"
        low = np.flatnonzero(up > 0.0)
        assert (len(low) == 0) == (found.drainage.verdict == "drains")
        for vertex in rng.permutation(low)[:3].tolist():
            less = up.copy()
            less[vertex] -= STEP + SLACK + 1e-6
            assert verdict_of(found, less) != "drains"
        raised += len(low)
        ponds += len(found.drainage.ponds)
        wide += any(len(found.raises.together(own)) > 1 for own in found.drainage.ponds.lowest)
    assert ponds > 30 and raised > 100 and wide > 3


def test_a_single_low_spot_is_raised_over_its_lowest_neighbour() -> None:
    """8 mm deep, six neighbours, 1 mm each: 8 mm + z(1 - 0.025 / 6) sqrt(2) mm (scipy)."""
    place = lifted(grid(7, 7, 5.0), lambda n, e: 0.02 * n + 0.0001 * e)
    place[24, 2] = place[17, 2] - 0.008
    found = surface_of(place)
    around = int((found.mesh.edges == 24).any(axis=1).sum())
    wanted = 0.008 + norm.isf(0.025 / around) * np.sqrt(2) * 0.001
    up = found.raises.up
    assert 0.0 <= up[24] - wanted <= STEP + SLACK
    assert np.flatnonzero(up > 0).tolist() == [24] == found.raises.together(24).tolist()


def test_a_trough_rises_step_by_step_to_its_way_out() -> None:
    """A level floor of five points behind one spill: each next one by one proof of a fall more."""
    plan = np.array([[n, e] for e in range(7) for n in (-1.0, 0.0, 1.0)])
    place = lifted(plan, lambda n, e: np.where(n == 0, 0.0, 1.0))
    place[[1, 19], 2] = 1.0, 0.1  # the middle of both ends: a wall, and the spill
    found = surface_of(place, lines=[[1 + 3 * i for i in range(7)]])
    up = found.raises.up[[16, 13, 10, 7, 4]]
    assert (np.diff(up) > 0.001).all() and up[0] > 0.1
    assert verdict_of(found, found.raises.up) == "drains"
    assert found.raises.together(4).tolist() == [4, 7, 10, 13, 16]


def test_what_has_no_way_out_is_not_to_be_raised() -> None:
    """Walls all around (a hole's edge lets nothing over): to raise the ground is no cure."""
    square = [[0, 0], [0, 9], [9, 9], [9, 0]]
    place = [*([n, e, 1.0] for n, e in square), [4, 4, 0.9], [5, 5, 0.9]]
    found = surface_of(place)
    closed = replace(found, drainage=drainage_of(
        found.mesh, found.spread, np.zeros(6, dtype=bool), CONFIDENCE
    ))  # fmt: skip
    assert np.isnan(closed.raises.up).all() and not len(closed.raises.together(4))


def test_water_behind_a_seams_step_is_not_to_be_raised() -> None:
    """The step is a mistake of the survey: no word of the ground that it dams up."""
    rng = np.random.default_rng(2)
    seen = 0
    for _ in range(30):
        found = dammed_channel(rng)
        ponds = found.drainage.ponds
        for own in ponds.lowest[found.seam_ponds].tolist():
            assert np.isnan(found.raises.up[own])
            seen += 1
    assert seen > 5


def test_heights_that_are_known_exactly_are_raised_to_any_fall() -> None:
    """Sds of 0: just above the lowest neighbour is enough."""
    place = lifted(grid(3, 3, 5.0), lambda n, e: 0.0 * n)
    place[4, 2] = -0.05
    none = HeightSpread(np.zeros(9), np.zeros((9, 0)))
    found = surface_of(place, spread=none)
    assert found.raises.up[4] == pytest.approx(0.0501)
    assert surface_of(place, spread=certain(9)).raises.up[4] > 0.052
