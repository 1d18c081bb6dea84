"""The library's face: frames with the contract's columns, nothing printed, files on request."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pandas
import pytest

import tieup
from tests.write.sample import FINDING, make_job, make_site
from tieup.errors import InputError, OutputError, TieupError
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


@pytest.mark.usefixtures("invented")
def test_a_result_shows_in_one_short_line(tmp_path: Path) -> None:
    """At a prompt a result says what it is: title, verdict, how much of everything."""
    shown = repr(tieup.reconcile(tmp_path))
    assert shown == (
        "<tieup.Result Invented yard: fails; 2 setups, 2 points, 1 finding (1 to settle)>"
    )


@pytest.mark.parametrize("call", ["reconcile", "ties", "audit", "plan"])
@pytest.mark.parametrize("given", [None, 5, b"yard", "", ["yard"]])
def test_what_is_no_folder_is_an_error_of_the_family(call: str, given: object) -> None:
    """No bare TypeError: the message names the call, what was given, and what to give."""
    with pytest.raises(InputError, match=rf"tieup\.{call}\(.*named by its folder") as raised:
        getattr(tieup, call)(given)
    assert isinstance(raised.value, TieupError)


@pytest.mark.usefixtures("invented")
@pytest.mark.parametrize("out", [5, "", b"out"])
def test_what_is_no_folder_to_write_into_is_an_error(tmp_path: Path, out: object) -> None:
    """An empty name is not the working folder."""
    with pytest.raises(OutputError, match="no name of a folder"):
        tieup.reconcile(tmp_path, out=out)  # type: ignore[arg-type]
    with pytest.raises(OutputError, match="no name of a folder"):
        tieup.reconcile(tmp_path).write(out)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def dock(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Copy the sample job of two setups."""
    folder = tmp_path_factory.mktemp("job") / "dock"
    shutil.copytree(ROOT / "sample_raw" / "two_setups", folder)
    return folder


LOOK_AGAIN = r"At S[12]: if there is time, (.+) again: beyond the limit, within the scatter"


def test_the_crew_leads_answer_is_a_call(dock: Path, tmp_path: Path) -> None:
    """tieup.ties: setups and joints as frames, the to-do, the screen; files on request.

    A day without mistakes asks for nothing but a second look, if there is time, at the marks whose
    difference lies beyond the limit within the scatter.
    """
    result = tieup.ties(dock, out=tmp_path / "out")
    assert (result.verdict, result.status) == ("ties", 0)
    ties = pandas.read_csv(tmp_path / "out" / "ties.csv")
    beyond = (ties["d_horizontal"] > ties["limit_horizontal"]) | (
        ties["d_elevation"].abs() > ties["limit_elevation"]
    )
    asked = [re.fullmatch(LOOK_AGAIN, line) for line in result.todo]
    assert all(asked), result.todo
    names = [name for line in asked if line for name in re.split(", | and ", line[1])]
    assert sorted(names) == sorted(set(ties["point"][beyond]))
    assert result.setups["setup"].tolist() == ["S1", "S2"]
    assert result.setups["plan"].between(0.0, 0.02).all()  # ft
    assert result.joints["setups"].tolist() == [["S1", "S2"]]
    assert "SETUPS" in result.text(width=45)
    assert repr(result).startswith("<tieup.TiesResult Loading dock, two setups: ties; ")
    assert (tmp_path / "out" / "ties.csv").is_file()


def test_the_audit_is_a_call(dock: Path, tmp_path: Path) -> None:
    """tieup.audit: every rule as a frame, counts of rows, both files, twice into one folder."""
    result = tieup.audit(dock, out=tmp_path / "out")
    assert result.rules["rule"].is_unique and len(result.rules) > 10
    assert (result.counts["rows"], result.status) == (48, 0)
    assert result.setups["setup"].tolist() == ["S1", "S2"]
    assert repr(result).startswith("<tieup.AuditResult Loading dock, two setups: ")
    paths = result.write(tmp_path / "out")
    assert {path.name for path in paths} == {"audit.csv", "audit.json"}
    assert json.loads(paths[1].read_text())["files"] == ["audit.csv", "audit.json"]


ORDERS = (
    "import tieup; call = tieup.ties, tieup.audit",
    "import tieup.ties.site_answer, tieup.audit.raw_audit; import tieup;"
    "call = tieup.ties, tieup.audit",
    "import tieup.pipeline, tieup.cli; import tieup; call = tieup.ties, tieup.audit",
    "from tieup import ties, audit; call = ties, audit",
)


@pytest.mark.parametrize("order", ORDERS)
def test_rooms_and_functions_of_one_name_do_not_hide_each_other(order: str) -> None:
    """Whatever was imported first: the name can be called, and its modules are there."""
    code = (
        f"{order}; import types; print([callable(one) for one in call]);"
        "import tieup.ties.site_answer as answer, tieup.audit.raw_audit as audit;"
        "print(answer.__name__, audit.__name__, isinstance(call[0], types.ModuleType))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stdout.splitlines() == [
        "[True, True]",
        "tieup.ties.site_answer tieup.audit.raw_audit True",
    ]
