"""What is said of surfaces: numbers that print as nothing, counts, intervals of depth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tieup
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.reconciliation import Reconciliation
from tieup.model.surface_drawn import SiteSurface
from tieup.results.surface_words import Words
from tieup.units import length_factor
from tieup.write.surface_screen import facts, sections

YARD = Path(__file__).parents[2] / "sample_raw" / "drill_yard"


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


def test_depths_that_may_be_none_are_told_up_to(site: Reconciliation) -> None:
    """No pond is said to be less than nothing deep."""
    assert not any("from -" in text for own in site.surfaces for _, text in own.said)


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
    depths["sd_net"] = np.array([0.01])
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
