"""Drains, holds or cannot tell: single places in closed form, and how often the words are wrong."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from tests.bench.surface_verdicts import tally
from tests.surface.grounds import certain, grid, lifted, surface_of
from tests.surface.yards import draw_yard
from tieup.surface.drainage import Drainage, drainage_of
from tieup.surface.raising import STEP
from tieup.surface.spread import HeightSpread, VertexSpread
from tieup.surface.whole_surface import Surface

SD = 0.001


def hollow_surface(depth: float, sd: float = SD, **others: object) -> Surface:
    """Return a plane of 2 % with one spot ``depth`` below its lowest neighbour."""
    place = lifted(grid(7, 7, 5.0), lambda n, e: 0.02 * n + 0.0001 * e)
    place[24, 2] = place[17, 2] - depth
    return surface_of(place, spread=certain(49, sd), **others)


def hollow(depth: float, sd: float = SD, **others: object) -> Drainage:
    """Return the drainage of that."""
    return hollow_surface(depth, sd, **others).drainage


@pytest.mark.parametrize(
    ("depth", "word"), [(0.008, "holds"), (0.002, "cannot tell"), (-0.002, "cannot tell"),
                        (-0.008, "drains")],
)  # fmt: skip
def test_a_spot_holds_drains_or_cannot_be_told(depth: float, word: str) -> None:
    """With heights known to 1 mm each the sd of a difference is 1.41 mm."""
    found = hollow(depth)
    assert found.verdict == word
    if word != "drains":
        assert found.places.sd == pytest.approx([np.sqrt(2) * SD])
        assert found.places.depth == pytest.approx([max(depth, 0.0)])


def test_the_words_change_where_the_quantiles_are() -> None:
    """holds beyond z(1 - 0.025 / 1), drains beyond z(1 - 0.025 / k) with k neighbours (scipy)."""
    sd = np.sqrt(2) * SD
    one = norm.isf(0.025) * sd
    assert hollow(one * 1.001).verdict == "holds"
    assert hollow(one * 0.999).verdict == "cannot tell"
    place = lifted(grid(7, 7, 5.0), lambda n, e: 0.02 * n + 0.0001 * e)
    edges = surface_of(place).mesh.edges
    own = norm.isf(0.025 / (edges == 24).sum()) * sd
    assert hollow(-own * 1.001).verdict == "drains"
    assert hollow(-own * 0.999).verdict == "cannot tell"


def test_raising_the_spot_by_what_is_told_makes_it_drain() -> None:
    """As much as ``raise`` says is proved, a little less is not."""
    raised = float(hollow_surface(0.008).raises.up[24])
    assert hollow(0.008 - raised).verdict == "drains"
    assert hollow(0.008 - raised + 2 * STEP).verdict == "cannot tell"


def test_an_inlet_in_the_spot_lets_it_drain() -> None:
    """The same hollow with an inlet at its lowest point."""
    assert hollow(0.008, inlets=[24]).verdict == "drains"


def test_a_common_error_does_not_hide_water_a_setup_of_its_own_does() -> None:
    """8 mm within a setup of unknown height holds; where the spot is another's nobody can tell."""
    place = lifted(grid(7, 7, 5.0), lambda n, e: 0.02 * n + 0.0001 * e)
    place[24, 2] = place[17, 2] - 0.008
    together = HeightSpread(np.full(49, SD), np.full((49, 1), 0.1))
    assert surface_of(place, spread=together).drainage.verdict == "holds"
    setup = np.eye(49)[:, 24:25]
    apart = HeightSpread(np.full(49, SD), 0.1 * np.hstack([1 - setup, setup]))
    assert surface_of(place, spread=apart).drainage.verdict == "cannot tell"


def test_the_words_are_seldom_wrong() -> None:
    """400 yards of every kind: each word wrong in 2.5 % or less, and each of them said.

    tests/bench/surface_verdicts.py does 2,000: "drains" wrong in 0, "holds" in 4 of 414.
    """
    told = tally(400)
    assert told["drains wrong"] <= 0.025 * told["yards"]
    assert told["holds wrong"] <= 0.025 * told["yards"]
    assert min(told[f"yard {word}"] for word in ("drains", "holds", "cannot tell")) > 20
    assert told["yard holds"] > 0.6 * told["true ponds"]


def test_the_closed_form_agrees_with_draws() -> None:
    """Chance that a spot has no lower neighbour, by 20,000 draws about what was measured.

    Where the closed form proves that it drains, at most 2.5 % of the draws have it low; where it
    proves that it holds, at least 97.5 % do.
    """
    rng = np.random.default_rng(1)
    seen = {"drains": 0, "holds": 0}
    for _ in range(20):
        yard = draw_yard(rng)
        mesh = yard.mesh()
        outlet = yard.outlet(mesh)
        found = drainage_of(mesh, VertexSpread(yard.spread, mesh.weights), outlet, 0.95)
        heights = mesh.height + yard.spread.draws(20000, rng)
        least = np.full_like(heights, np.inf)
        for a, b in np.concatenate([mesh.edges, mesh.edges[:, ::-1]]).tolist():
            least[:, a] = np.minimum(least[:, a], heights[:, b])
        low = (heights < least).mean(axis=0)
        for vertex in np.flatnonzero(~outlet).tolist():
            place = found.places.of_vertex[vertex]
            if place < 0:
                seen["drains"] += 1
                assert low[vertex] <= 0.025
        for row in np.flatnonzero(found.places.verdict == "holds").tolist():
            pond = np.flatnonzero(found.places.of_vertex == row)
            if len(pond) == 1:
                seen["holds"] += 1
                assert low[pond[0]] >= 0.975 - 0.004  # 4 sds of 20,000 draws
    assert seen["drains"] > 200 and seen["holds"] > 2


def test_level_ground_without_an_inner_point_cannot_be_told() -> None:
    """Four corners known to 1 mm: level, or 2 mm out of it, is nobody's fall; 100 mm is one."""
    corners = np.array([[0.0, 0.0], [0.0, 20.0], [20.0, 20.0], [20.0, 0.0]])
    for rise, word in ((0.0, "cannot tell"), (0.002, "cannot tell"), (0.1, "drains")):
        level = surface_of(np.column_stack([corners, rise * corners[:, 0] / 20.0]))
        found = level.drainage
        assert found.verdict == word and found.inner == 0
        assert (found.places.of_vertex >= 0).all() == (word == "cannot tell")
        assert not (level.raises.up > 0.0).any()
