"""A free site stands on its first setup, whatever one cell of the raw rows says."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.fuzz_jobs import read_rows
from tests.endtoend.jobs import copy_sample, put, reconcile

Capture = pytest.CaptureFixture[str]
MILLIMETRE = 0.00328  # ft
NEAR = 0.1  # ft; what one weak cell moves through the sights that remain


def free_job(folder: Path) -> Path:
    """Copy the sample of two setups without its control."""
    job = copy_sample("two_setups", folder)
    settings = (job / "job.yaml").read_text(encoding="utf-8")
    free = settings.replace("control: control.csv\ndatum: control", "datum: free")
    (job / "job.yaml").write_text(free, encoding="utf-8")
    (job / "control.csv").unlink()
    return job


@pytest.mark.parametrize("file", ["raw/s1.csv", "raw/s2.csv"])
@pytest.mark.parametrize(
    ("column", "text"), [("target", "mini"), ("distance", ""), ("zenith", ""), ("face", "")]
)
def test_one_cell_does_not_turn_the_site(
    file: str, column: str, text: str, tmp_path: Path, capsys: Capture
) -> None:
    """S1 stays at 0, 0 with the zero of its circle north, and every mark where it was."""
    job = free_job(tmp_path)
    before = reconcile(capsys, job, tmp_path / "first").by("coordinates", "point")
    put(job, file, column, text, [2])
    after = reconcile(capsys, job, tmp_path / "second").by("coordinates", "point")
    for place in (before, after):
        assert abs(float(place["S1"]["northing"])) < NEAR
        assert abs(float(place["S1"]["easting"])) < NEAR
    for mark in ("CP1", "CP2", "CP3", "CP4", "T1", "T2"):
        for axis in ("northing", "easting"):
            assert abs(float(after[mark][axis]) - float(before[mark][axis])) < NEAR


@pytest.mark.parametrize("file", ["raw/s1.csv", "raw/s2.csv"])
@pytest.mark.parametrize("column", ["direction", "distance"])
@pytest.mark.parametrize("row", [2, 4])
def test_one_reading_moves_the_site_by_what_it_explains(
    file: str, column: str, row: int, tmp_path: Path, capsys: Capture
) -> None:
    """A target 1 mm farther, or aside by about as much: no mark moves by more than that."""
    job = free_job(tmp_path)
    before = reconcile(capsys, job, tmp_path / "first").by("coordinates", "point")
    old = read_rows(job / file)[row - 1][column]
    if column == "distance":
        put(job, file, column, f"{float(old) + MILLIMETRE:.4f}", [row])
    else:
        degrees, minutes, seconds = old.split("-")
        put(job, file, column, f"{degrees}-{minutes}-{float(seconds) + 4.0:04.1f}", [row])
    after = reconcile(capsys, job, tmp_path / "second").by("coordinates", "point")
    moved = {
        axis: {
            name: float(after[name][axis]) - float(place[axis]) for name, place in before.items()
        }
        for axis in ("northing", "easting", "elevation")
    }
    assert max(map(abs, moved["northing"].values())) < MILLIMETRE
    assert max(map(abs, moved["easting"].values())) < MILLIMETRE
    assert max(map(abs, moved["elevation"].values())) < MILLIMETRE
    assert any(moved["northing"].values()) or any(moved["easting"].values())


def test_a_first_setup_without_directions_is_placed_by_the_others(
    tmp_path: Path, capsys: Capture
) -> None:
    """Its heading names no column: the readings of the other setup and its distances are used."""
    job = free_job(tmp_path)
    text = (job / "raw" / "s1.csv").read_text(encoding="utf-8")
    text = text.replace("direction", "directionx", 1)
    (job / "raw" / "s1.csv").write_text(text, encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == 1, run.errors
    assert {row["setup"] for row in run.table("setups") if row["northing"]} == {"S1", "S2"}
