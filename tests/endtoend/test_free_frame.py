"""A free site stands on its first setup, whatever one cell of the raw rows says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import copy_sample, put, reconcile

Capture = pytest.CaptureFixture[str]
NEAR = 0.1  # ft; what one weak cell moves through the sights that remain


@pytest.mark.parametrize("file", ["raw/s1.csv", "raw/s2.csv"])
@pytest.mark.parametrize(
    ("column", "text"), [("target", "mini"), ("distance", ""), ("zenith", ""), ("face", "")]
)
def test_one_cell_does_not_turn_the_site(
    file: str, column: str, text: str, tmp_path: Path, capsys: Capture
) -> None:
    """S1 stays at 0, 0 with the zero of its circle north, and every mark where it was."""
    job = copy_sample("two_setups", tmp_path)
    settings = (job / "job.yaml").read_text(encoding="utf-8")
    free = settings.replace("control: control.csv\ndatum: control", "datum: free")
    (job / "job.yaml").write_text(free, encoding="utf-8")
    (job / "control.csv").unlink()
    before = reconcile(capsys, job, tmp_path / "first").by("coordinates", "point")
    put(job, file, column, text, [2])
    after = reconcile(capsys, job, tmp_path / "second").by("coordinates", "point")
    for place in (before, after):
        assert abs(float(place["S1"]["northing"])) < NEAR
        assert abs(float(place["S1"]["easting"])) < NEAR
    for mark in ("CP1", "CP2", "CP3", "CP4", "T1", "T2"):
        for axis in ("northing", "easting"):
            assert abs(float(after[mark][axis]) - float(before[mark][axis])) < NEAR
