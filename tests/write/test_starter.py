"""A new job: commented files, nothing overwritten."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
import yaml

from tieup.config import load_job
from tieup.errors import OutputError
from tieup.write.starter import write_starter


def test_the_starter_is_a_whole_job(tmp_path: Path) -> None:
    """job.yaml is YAML with the units given; the tables have the contract's columns."""
    paths = write_starter(tmp_path / "yard")
    assert [path.relative_to(tmp_path / "yard").as_posix() for path in paths] == [
        "job.yaml", "control.csv", "raw/day1.csv"
    ]  # fmt: skip
    job = yaml.safe_load(paths[0].read_text())
    assert job["units"] == {"angle": "dms", "length": "m"}
    assert job["decisions"] is None  # lines are added below it, as the report gives them
    for path, must in ((paths[1], {"point", "northing"}), (paths[2], {"setup", "point"})):
        rows = [row for row in csv.reader(path.open()) if not row[0].startswith("#")]
        assert len(rows) == 1
        assert must <= set(rows[0])


SWITCHED = re.compile(r"^#((?:  )?[a-z_]+: )", re.MULTILINE)


def test_what_may_be_switched_on_is_as_job_yaml_wants_it(tmp_path: Path) -> None:
    """All lines that begin with # and a key, the # taken away, are read without a complaint."""
    path, *_ = write_starter(tmp_path)
    text = path.read_text(encoding="utf-8")
    keys = [key.strip(" :") for key in SWITCHED.findall(text)]
    assert {"levels", "set_limits", "grid", "columns", "row_kind", "audit", "second"} <= set(keys)
    assert "plan" in keys
    for name in ("levels.csv", "tapes.csv", "baselines.csv", "places.csv", "sights.csv"):
        (tmp_path / name).write_text("from,to\n", encoding="utf-8")
    path.write_text(SWITCHED.sub(r"\1", text), encoding="utf-8")
    job = load_job(tmp_path)
    assert set(job.precision.instruments) == {"default", "second", "third"}
    assert job.precision.set_limits is not None and job.grid is not None
    assert job.table["row_kind"]["shots"] == ["SHOT"]
    assert job.plan_places == tmp_path / "places.csv"
    assert job.plan_sights == tmp_path / "sights.csv"


def test_the_defaults_it_shows_are_the_defaults(tmp_path: Path) -> None:
    """The starter as it stands resolves to what job.yaml with the units alone does."""
    write_starter(tmp_path / "a")
    (tmp_path / "b" / "raw").mkdir(parents=True)
    (tmp_path / "b" / "raw" / "day1.csv").write_text("setup,point\n", encoding="utf-8")
    (tmp_path / "b" / "control.csv").write_text("point\n", encoding="utf-8")
    (tmp_path / "b" / "job.yaml").write_text("units: {angle: dms, length: m}\n", encoding="utf-8")
    assert load_job(tmp_path / "a").resolved == load_job(tmp_path / "b").resolved


@pytest.mark.parametrize("name", ["job.yaml", "control.csv", "raw/day1.csv"])
def test_the_starter_refuses_to_overwrite(tmp_path: Path, name: str) -> None:
    """Whatever of it is there already stays, and nothing is written beside it."""
    mine = tmp_path / name
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine")
    with pytest.raises(OutputError, match=f"{name}: is there already"):
        write_starter(tmp_path)
    assert [file for file in tmp_path.rglob("*") if file.is_file()] == [mine]
    assert mine.read_text() == "mine"


def test_the_starter_can_join_raw_files_that_are_there(tmp_path: Path) -> None:
    """A folder with exported raw data may become a job."""
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "s1.csv").write_text("setup,point\n")
    write_starter(tmp_path)
    assert (tmp_path / "raw" / "s1.csv").read_text() == "setup,point\n"


def test_a_folder_that_cannot_be_made_is_an_error(tmp_path: Path) -> None:
    """A file in the way is named, with what to do."""
    (tmp_path / "yard").write_text("x")
    with pytest.raises(OutputError, match=r"cannot be written.*Name another folder"):
        write_starter(tmp_path / "yard")
