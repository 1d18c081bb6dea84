"""What the to-do asks for where the shape of a site proves too little: bridges, weak geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.ties.evidence import check
from tests.ties.jobs import simulated_yard
from tieup.model.answer import Promise, TieAnswer
from tieup.network.bridges import Bridge
from tieup.ties.sector import Sector
from tieup.ties.site_answer import crew_answer
from tieup.ties.tie_checks import Checks


@pytest.fixture(scope="module")
def calm() -> Checks:
    """Return the checks of a day at the yard."""
    return check(simulated_yard(14))


def _answer(checks: Checks, **more: object) -> TieAnswer:
    return crew_answer(checks, title="Yard", length_unit="m", angle_unit="dms", **more)


@pytest.mark.parametrize(
    ("mark", "setup", "beyond", "word", "place", "says"),
    [
        ("CP7", -1, (3, 4), "weak", "At S5", "S4 and S5 hang on it alone"),
        ("CP7", -1, (3,), "strong", "At S4", "S4 hangs on it alone"),
        ("CP7", -1, (3,), "weak", "", ""),  # its own geometry asks for more marks already
        ("", 2, (3, 4), "weak", "At S3", "S4 and S5 hang on S3 alone"),
        ("", 2, (4,), "strong", "At S3", "S5 hangs on S3 alone"),
        ("", 2, (4,), "weak", "", ""),
    ],
)
def test_what_holds_a_part_of_the_site_alone_wants_a_second(
    calm, mark, setup, beyond, word, place, says
):
    """Beyond one mark, at the first setup on the way there; beyond one setup, at that setup."""
    points, geometry = calm.evidence.points, calm.evidence.geometry
    bridge = Bridge(points.index(mark) if mark else -1, setup, beyond)
    own = tuple(
        replace(one, word=word if s in beyond else "strong") for s, one in enumerate(geometry)
    )
    checks = replace(calm, evidence=replace(calm.evidence, geometry=own), bridges=(bridge,))
    wants = (
        f"shoot a second mark that the far side of {mark} has shot"
        if mark
        else ("shoot a mark that a third setup has shot")
    )
    asked = [(e.place, t) for e in _answer(checks).todo for t in e.things if " alone" in t]
    assert [(p.split(",")[0], t) for p, t in asked] == (
        [(place, f"{wants}: {says}")] if says else []
    )


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("strong", ""),
        ("disconnected", "shoot two or more marks that other setups have shot"),
        ("single", "shoot two more marks, well spread: so it is"),
        ("two-tie", "shoot one more mark between bearings 60 and 120 degrees"),
        ("in-line", "shoot one more mark between bearings 60 and 120 degrees"),
        ("danger-circle", "shoot one more mark between bearings 60 and 120 degrees"),
        ("weak", "better: one more mark between bearings 60 and 120 degrees"),
    ],
)
def test_what_each_geometry_wants(calm, word, says):
    """S4's words one by one; not where shots that are asked for prove the setup anyhow."""
    sector = Sector(np.radians(60.0), np.radians(120.0), 0.5)
    geometry = list(calm.evidence.geometry)
    geometry[3] = replace(
        geometry[3],
        word=word,
        why="so it is",
        sector=sector,
        longest_tie=0.0,  # none is near
    )
    checks = replace(calm, evidence=replace(calm.evidence, geometry=tuple(geometry)))

    def wanted(*promises):
        todo = _answer(checks, promises=promises).todo
        things = next((e.things for e in todo if e.place.startswith("At S4")), ())
        return [t for t in things if "more mark" in t and "better gear" not in t]

    assert wanted() == ([says] if says else [])
    shot = ((("S4", "CP7"),), ("S4",), "plan", 0.004, 0.002, 0.003)
    assert wanted(Promise(*shot, True)) == []
    assert wanted(Promise(*shot, False)) == ([says] if says else [])
    joint = (shot[0], ("S3", "S4"), *shot[2:])
    assert wanted(Promise(*joint, True, ("S4",))) == []
