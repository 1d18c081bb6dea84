"""What is said of surfaces: numbers that print as nothing, counts, intervals of depth."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.surface.grounds import surface_of
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.reconciliation import Reconciliation
from tieup.model.surface_drawn import SiteSurface
from tieup.results.surface_words import Words, cure, pond_reason
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
        ("m", 0.0, "0 mm"),
        ("m", 0.0123, "12.3 mm"),
    ],
)
def test_a_small_length_never_prints_as_nothing(unit: str, metres: float, said: str) -> None:
    phrases = Phrases(unit)
    words = Words(phrases, [], np.zeros((0, 2)), [], 0.95, np.zeros(2))
    assert words.small(metres) == said


def test_depths_that_may_be_none_are_told_up_to() -> None:
    """No pond is said to be less than nothing deep: 1 mm, known to 1.41 mm, is up to 3.8 mm."""
    place = np.array([[0, 0, 1], [0, 2, 1], [2, 2, 1], [2, 0, 1], [1, 1, 0.999]], dtype=float)
    words = Words(Phrases("m"), [*"ABCDE"], place[:, :2], [], 0.95, np.zeros(2))
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
    """Raised by what is said the pit drains; one of them left as it is, there is still a pond.

    The amounts are read out of the words. To cut the spill would leave one of the two low points,
    so it is not said.
    """
    found = surface_of(NEST)
    names = [f"P{i}" for i in range(9)]
    words = Words(Phrases("m"), names, NEST[:, :2], [], 0.95, np.zeros(2))
    said = cure(found, 0, "holds", words)
    assert said.startswith("raise P5 by 403.7 mm") and said.endswith(", and it is proved to drain")
    told = {int(n): float(up) / 1000 for n, up in re.findall(r"P(\d) by ([\d.]+) mm", said)}
    assert {*told} == {4, 5, 6, 7, 8}
    cured = NEST.copy()
    cured[[*told], 2] += [*told.values()]
    assert surface_of(cured).drainage.verdict == "drains"
    for own in told:
        once = cured.copy()
        once[own, 2] = NEST[own, 2]
        assert len(surface_of(once).drainage.ponds) == 1
