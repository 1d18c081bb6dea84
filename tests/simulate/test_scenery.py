"""Random sites are what they promise: size, spread, shared marks, open lines of sight."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from tests.simulate import SetupPlan, Site, random_site
from tests.simulate.scenery import Building, fan
from tieup.model.arrays import FloatArray

SITES: list[dict[str, Any]] = [
    {"setups": setups, "kind": kind, "ties": ties, "spread": spread}
    for setups in (2, 3, 5, 8)
    for kind in ("free", "occupied", "mixed")
    for ties, spread in ((3, "strong"), (5, "strong"), (3, "weak"), (4, "weak"))
]


def plan(site: Site, setup: SetupPlan) -> tuple[FloatArray, FloatArray, list[str]]:
    """Return where a setup stands and the marks of the site it sights, ST marks left out."""
    place = {mark.name: (mark.northing, mark.easting) for mark in site.marks}
    names = [a.point for a in setup.aims if a.role != "side" and not a.point.startswith("ST")]
    names = list(dict.fromkeys(names))
    station = place[setup.station] if setup.station else setup.axis[:2]
    return np.array(station), np.array([place[name] for name in names]), names


@pytest.mark.parametrize("options", SITES)
def test_sites_have_the_setups_ties_and_spread_asked_for(options: dict[str, Any]) -> None:
    """Five sites each: fans of 90 degrees and more (strong), 45 and less (weak)."""
    for seed in range(5):
        site = random_site(np.random.default_rng(seed), **options)
        assert len(site.setups) == options["setups"]
        for setup in site.setups:
            station, marks, names = plan(site, setup)
            assert len(names) == options["ties"]
            angle = np.degrees(fan(station, marks))
            assert angle >= 90.0 if options["spread"] == "strong" else angle <= 45.0
            reach = np.hypot(*(marks - station).T)
            assert reach.min() > 4.0  # m
            assert reach.max() < 120.0  # m
        sighted = [set(plan(site, setup)[2]) for setup in site.setups]
        assert all(len(one & other) >= 2 for one, other in pairwise(sighted))


def test_kinds_of_setups_and_of_control() -> None:
    """Occupied setups stand over control of their own; control is held, weighted or absent."""
    kinds = {"free": "000", "occupied": "111", "mixed": "010"}
    for kind, stands in kinds.items():
        site = random_site(np.random.default_rng(1), setups=3, kind=kind)  # type: ignore[arg-type]
        assert "".join(str(int(bool(s.station))) for s in site.setups) == stands
    for control, sd in (("held", 0.0), ("weighted", 0.0015), ("none", None)):
        site = random_site(np.random.default_rng(1), kind="mixed", control=control)  # type: ignore[arg-type]
        known = {mark.control_sd for mark in site.marks if mark.control_sd}
        assert known == (set() if sd is None else {(sd, sd, sd)})
        marks = Counter(m.name.rstrip("0123456789") for m in site.marks if m.control_sd)
        assert set(marks) == (set() if sd is None else {"CP", "ST"})


def test_side_shots_are_numbered_by_setup_in_strings_of_ten() -> None:
    """S2's 25 side shots are 201 to 225 on three strings, each seen once."""
    site = random_site(np.random.default_rng(2), setups=2, side_shots=25)
    side = [aim for aim in site.setups[1].aims if aim.role == "side"]
    assert [aim.point for aim in side] == [str(201 + i) for i in range(25)]
    assert list(Counter(aim.string for aim in side).values()) == [10, 10, 5]


def test_a_building_hides_what_lies_behind_it_and_nothing_else() -> None:
    """A 20 m x 40 m rectangle about the origin."""
    house = Building(np.zeros(2), np.array([10.0, 20.0]))
    south, north = np.array([-30.0, 0.0]), np.array([30.0, 0.0])
    assert house.hides(south, north)
    assert house.hides(north, south)
    assert not house.hides(south, np.array([-30.0, 60.0]))  # along the front
    assert not house.hides(south, np.array([-11.0, 0.0]))  # up to the wall
    assert not house.hides(np.array([-30.0, 30.0]), np.array([30.0, 30.0]))  # past the side
    assert house.hides(np.array([-15.0, -25.0]), np.array([15.0, 25.0]))  # corner to corner


def test_impossible_wishes_are_refused() -> None:
    """Too many setups or ties is an error, not a smaller site."""
    with pytest.raises(ValueError, match="setups 1-8"):
        random_site(np.random.default_rng(0), setups=9)
