"""The dictionary of columns: complete, in the job's units, and the same in file and docs."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from tests.write.sample import make_job, make_site
from tieup import cli
from tieup.write.columns import SPREAD, TABLES
from tieup.write.dictionary import columns_text, meaning, unit_of
from tieup.write.meanings import EXTRA, MEANINGS, UNITS
from tieup.write.plan_files import TABLES as PLAN_TABLES
from tieup.write.reference import columns_page, tables

ROOT = Path(__file__).parents[2]
SAMPLES = ("fire_station", "fire_station_clean", "two_setups")
LENGTHS = ("northing", "d_elevation", "sd_easting", "ellipse_major", "chainage", "limit_elevation")


def rows_of(text: str) -> list[dict[str, str]]:
    """Read a table by Python's own csv."""
    return list(csv.DictReader(StringIO(text, newline="")))


@pytest.fixture(scope="module", params=SAMPLES)
def out(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run a sample job with its plan and its audit; return the folder of all their files."""
    folder = tmp_path_factory.mktemp("job") / request.param
    shutil.copytree(ROOT / "sample_raw" / request.param, folder)
    for command in ("reconcile", "plan", "audit"):
        assert cli.outcome([command, str(folder), "--out", str(folder / "out"), "--quiet"]) < 2
    return folder / "out"


def test_every_column_of_every_table_has_its_line(out: Path) -> None:
    """columns.csv has each column of each table of the run, in order, with a meaning."""
    listed: dict[str, list[str]] = {}
    for row in rows_of((out / "columns.csv").read_text(encoding="utf-8")):
        assert len(row["meaning"]) > 2, row
        listed.setdefault(row["file"], []).append(row["column"])
    for path in sorted(out.glob("*.csv")):
        if path.name == "columns.csv":
            continue
        head = next(csv.reader(StringIO(path.read_text(encoding="utf-8"))))
        if path.name in TABLES:
            assert listed.pop(path.name) == head
        else:
            assert all(meaning(path.name, column) for column in head), path.name
    assert not listed


def test_units_are_those_of_the_job(out: Path) -> None:
    """Lengths in the unit of job.yaml, angles in its own; every number that has one has a unit."""
    units = json.loads((out / "run.json").read_text(encoding="utf-8"))["settings"]["units"]
    for row in rows_of((out / "columns.csv").read_text(encoding="utf-8")):
        if row["column"] in LENGTHS:
            assert row["unit"] == units["length"], row
        if row["column"] in ("orientation", "sd_orientation", "ellipse_azimuth"):
            assert row["unit"] == units["angle"], row
        if row["column"].startswith(("d_", "sd", "limit", "ellipse", "mdb", "residual")):
            assert row["unit"], row


def test_a_column_of_every_table_is_in_the_page() -> None:
    """tieup/write/columns.md is what the code makes of its own words."""
    page = (ROOT / "tieup" / "write" / "columns.md").read_text(encoding="utf-8")
    assert page == columns_page(), "python -m tieup.write.reference > tieup/write/columns.md"
    for file in (*TABLES, *PLAN_TABLES, "audit.csv"):
        assert page.count(f"\n## {file}\n") == 1
    assert "tieup/write/columns.md" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_no_word_is_about_a_column_that_is_not_there() -> None:
    """Meanings and units that nobody needs would mislead who changes a table."""
    kinds = {file: dict(columns) for file, columns in tables().items()}
    for file, own in EXTRA.items():
        kinds[file] |= own
    assert {(file, name) for file, own in MEANINGS.items() for name in own} <= {
        (file, name) for file, own in kinds.items() for name in own
    }
    assert all(column in kinds[file] for file, column in UNITS)


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_the_file_of_a_job_speaks_its_units(tmp_path: Path, unit: str) -> None:
    """A job in feet and gon has feet and gon in columns.csv."""
    job = make_job(tmp_path, length_unit=unit, angle_unit="gon")
    rows = {
        (row["file"], row["column"]): row["unit"]
        for row in rows_of(columns_text(replace(make_site(tmp_path), job=job)))
    }
    assert rows["coordinates.csv", "sd_elevation"] == unit
    assert rows["setups.csv", "orientation"] == "gon"
    assert rows["observations.csv", "observed"] == f"gon; {unit} in rows of lengths"
    assert rows["observations.csv", "residual"] == "arc seconds; mm in rows of lengths"
    assert rows["setups.csv", "geometry_sd"] == "mm"


def test_a_column_that_nobody_described_has_no_unit() -> None:
    """An unknown column is left open rather than told wrong."""
    assert unit_of("ties.csv", "new", {"d_elevation": SPREAD}, "deg", "m") == ""
    assert meaning("ties.csv", "new") == ""
