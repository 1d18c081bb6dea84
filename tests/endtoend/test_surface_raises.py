"""A pond of several points: raised in the data by what is told, it is gone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import tieup
from tests.endtoend.yard_jobs import Shot, ring, write_job
from tieup.lengths import Lengths

EDGE = ring("E", "EDGE", [100.0, 100.02, 100.05, 100.02])
HOLLOW = [
    Shot("P1", 1018.0, 1016.0, 99.96, "pave"),
    Shot("P2", 1021.0, 1020.0, 99.93, "pave"),
    Shot("P3", 1022.0, 1024.0, 99.95, "pave"),
    Shot("P4", 1024.0, 1020.0, 99.97, "pave"),
]
PAVE = "  x: {codes: [pave], boundary: EDGE}"


def test_raised_in_the_field_the_pond_is_gone(tmp_path: Path) -> None:
    """The column `raise` of the points, added to the heights that are shot, drains it all.

    Raised to the water's edge alone, by their depths, nobody can tell.
    """
    before = tieup.surface(write_job(tmp_path / "before", [*EDGE, *HOLLOW], PAVE))
    assert before.verdicts == {"x": "holds"}
    points = before.table("x", "points").set_index("point")
    up = points["raise"].dropna()
    assert {*up.index} == {"P1", "P2", "P3", "P4"}
    (pond,) = before.record["surfaces"][0]["places"]
    assert pond["raise"] == up[pond["point"]]
    said = " ".join(before.record["surfaces"][0]["says"])
    for name, metres in up.items():
        assert f"{name} by {Lengths('m').said(metres)}" in said

    def raised(by: dict[str, float]) -> list[Shot]:
        return [replace(shot, height=shot.height + by[shot.point]) for shot in HOLLOW]

    after = tieup.surface(write_job(tmp_path / "after", [*EDGE, *raised(dict(up))], PAVE))
    assert after.verdicts == {"x": "drains"} and after.status == 0
    assert not after.table("x", "points")["raise"].notna().any()
    level = points["elevation"].min() + pond["depth"]
    deep = {shot.point: float(level - points["elevation"][shot.point]) for shot in HOLLOW}
    flush = tieup.surface(write_job(tmp_path / "flush", [*EDGE, *raised(deep)], PAVE))
    assert flush.verdicts != {"x": "drains"} and flush.status == 1
