"""What is said of surfaces: numbers that print as nothing, counts, intervals of depth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.surface.grounds import surface_of
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.reconciliation import Reconciliation
from tieup.model.surface_drawn import SiteSurface
from tieup.results.surface_words import Words, cure, pond_reason, under_water
from tieup.units import length_factor
from tieup.write.surface_screen import facts, sections

YARD = Path(__file__).parents[2] / "sample_raw" / "drill_yard"

NEST = np.array(
    [[0, 0, 0], [0, 20, 0], [20, 20, 0], [20, 0, 0], [10, 5, -0.3], [10, 15, -0.4],
     [4, 10, -0.1], [16, 10, -0.1], [10, 10, -0.1]], dtype=float,
)  # fmt: skip
"""A pit with two low points and a ridge of three between them, all below the edge."""


@pytest.fixture(scope="module")
def site() -> Reconciliation:
    return tieup.reconcile(YARD).reconciliation


@pytest.mark.parametrize(
    ("unit", "metres", "said"),
    [
        ("ft", 0.0001, "under 0.001 ft"),
        ("ft", 0.0003, "0.001 ft"),
        ("m", 0.00004, "under 0.1 mm"),
        ("m", 0.0, "0.0 mm"),
        ("m", 0.0123, "12.3 mm"),
    ],
)
def test_a_small_length_never_prints_as_nothing(unit: str, metres: float, said: str) -> None:
    phrases = Phrases(length_factor(unit), unit)
    words = Words(phrases, [], np.zeros((0, 2)), [], 0.95, np.zeros(2))
    assert words.small(metres) == said


def test_depths_that_may_be_none_are_told_up_to() -> None:
    """No pond is said to be less than nothing deep: 1 mm, known to 1.41 mm, is up to 3.8 mm."""
    place = np.array([[0, 0, 1], [0, 2, 1], [2, 2, 1], [2, 0, 1], [1, 1, 0.999]], dtype=float)
    words = Words(Phrases(1.0, "m"), [*"ABCDE"], place[:, :2], [], 0.95, np.zeros(2))
    assert pond_reason(surface_of(place), 0, words) == "up to 3.8 mm deep"


def test_one_of_a_kind_has_no_s(site: Reconciliation) -> None:
    one = np.array(["unchecked"], dtype=object)
    table = {"id": np.ones(1), "proof": one}
    faces = {"a": np.ones(1), "joint": np.array(["across"], dtype=object)}
    said = facts(site, replace(site.surfaces[0], points=table, faces=faces))
    assert said.startswith("1 point, 1 triangle, ") and "1 point unchecked" in said
    assert "1 triangle bridges" in said


def test_nothing_is_below_minus_nothing(site: Reconciliation) -> None:
    names = ("cut", "fill", "net", "thickness")
    depths = {name: np.array([-1e-9]) for name in names}
    depths |= {name: np.array([x]) for name, x in (("sd_net", 0.01), ("area", 9), ("of_area", 9))}
    depths |= {
        name: np.array([text], dtype=object) for name, text in (("where", "all"), ("verdict", ""))
    }
    surface = SiteSurface("top", "drains", {}, {}, {}, depths=depths)
    (said,) = dict(sections(site, surface))["Between surfaces"]
    assert "-0.00" not in said


def test_what_stands_is_told_with_where_it_goes_once_full(site: Reconciliation) -> None:
    surface = SiteSurface(
        "bowl", "holds", {}, {}, {}, shares=[("edge", 400.0)], stands=[("C", 400.0, "edge")]
    )
    said = dict(sections(site, surface))["Water goes to"]
    assert said == [
        "over the edge: 400 m2, 100 %, 400 m2 of it once ponds are full",
        "C: 400 m2, 100 % stands there; once full, over the edge",
    ]


def test_the_cure_of_a_pond_with_two_low_points_cures_it() -> None:
    """All that is under water is named; filled, with a fall, it drains, the lowest alone not."""
    found = surface_of(NEST)
    (lowest,) = found.drainage.places.vertex
    spill = found.drainage.places.toward[0]
    low = under_water(found, 0)
    assert lowest == low[0][0] == 5 and {own for own, _ in low} == {4, 5, 6, 7, 8}
    fall = 0.001 * np.hypot(*(NEST[:, :2] - NEST[spill, :2]).T)
    cured, once = NEST.copy(), NEST.copy()
    for own, deep in low:
        cured[own, 2] += deep + fall[own]
    once[lowest, 2] += low[0][1] + fall[lowest]
    assert len(surface_of(cured).drainage.ponds) == 0
    assert len(surface_of(once).drainage.ponds) == 1
    names = [f"P{i}" for i in range(9)]
    words = Words(Phrases(1.0, "m"), names, NEST[:, :2], [], 0.95, np.zeros(2))
    said = cure(found, 0, "holds", words)
    assert said.startswith("raise P5 by 0.4000 m, P4 by 0.3000 m, ")
    assert all(f"{name} by 0.1000 m" in said for name in ("P6", "P7", "P8"))
    assert said.endswith(", and give it a fall")  # to cut the spill leaves one of the two
