"""A new job: commented files, nothing overwritten."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
import yaml

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
    assert job["decisions"] == []
    for path, must in ((paths[1], {"point", "northing"}), (paths[2], {"setup", "point"})):
        rows = [row for row in csv.reader(path.open()) if not row[0].startswith("#")]
        assert len(rows) == 1
        assert must <= set(rows[0])


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
