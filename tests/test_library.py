"""The library's face: frames with the contract's columns, nothing printed, files on request."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pandas
import pytest

import tieup
from tests.write.sample import FINDING, make_job, make_site
from tieup.write.columns import COORDINATES, OBSERVATIONS, SETUPS, TIES

ROOT = Path(__file__).parent.parent


@pytest.fixture
def invented(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a solver of the test's own in the place of the real one."""
    config, pipeline = ModuleType("tieup.config"), ModuleType("tieup.pipeline")
    config.load_job = lambda folder: make_job(folder)  # type: ignore[attr-defined]
    pipeline.run = lambda job: make_site(job.folder)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "tieup.config", config)
    monkeypatch.setitem(sys.modules, "tieup.pipeline", pipeline)


@pytest.mark.usefixtures("invented")
def test_results_are_frames_with_the_columns_of_the_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four pandas frames and a list of findings; nothing is printed or written (contract 9)."""
    result = tieup.reconcile(tmp_path)
    for frame, columns in (
        (result.coordinates, COORDINATES),
        (result.observations, OBSERVATIONS),
        (result.setups, SETUPS),
        (result.ties, TIES),
    ):
        assert isinstance(frame, pandas.DataFrame)
        assert list(frame.columns) == list(columns)
    assert result.coordinates["northing"].iloc[0] == 1234.56784  # unrounded, m
    columns = result.columns.set_index(["file", "column"])
    assert columns.loc[("coordinates.csv", "sd_northing"), "unit"] == "m"
    assert [finding["id"] for finding in result.findings] == [FINDING.id]
    assert result.status == 1
    assert capsys.readouterr() == ("", "")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("invented")
def test_files_are_written_on_request(tmp_path: Path) -> None:
    """`out=` and `.write` leave the same files, run.json's clock apart."""
    tieup.reconcile(str(tmp_path), out=str(tmp_path / "a")).write(tmp_path / "b")
    first, second = (
        {file.name: file.read_text(encoding="utf-8") for file in (tmp_path / name).iterdir()}
        for name in "ab"
    )
    runs = [json.loads(files.pop("run.json")) for files in (first, second)]
    assert first == second
    assert runs[0] | {"written": ""} == runs[1] | {"written": ""}


def test_importing_the_package_costs_nothing() -> None:
    """`import tieup` loads no large library; an unknown name is an AttributeError."""
    code = (
        "import sys, tieup;"
        "print(sorted({'numpy', 'pandas', 'scipy', 'click'} & set(sys.modules)));"
        "print(hasattr(tieup, 'nonsense'))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.split() == ["[]", "False"]
