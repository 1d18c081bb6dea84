"""Findings, the page, run.json: what stands beside the tables; and the same bytes every time."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

import tieup
from tests.endtoend.jobs import FILES, JOBS, Output, copy_sample, raw_cells, reconcile

RUN = [
    "version",
    "inputs",
    "settings",
    "dof",
    "sigma0",
    "global_test",
    "iterations",
    "counts",
    "files",
    "written",
    "status",
]
FINDING = [
    "id",
    "kind",
    "severity",
    "setup",
    "points",
    "lines",
    "size",
    "unit",
    "sd",
    "statistic",
    "rivals",
    "action",
    "says",
    "confirm",
    "cure",
    "decidable",
    "grade",
    "places",
]


def test_run_json_names_what_went_in(run: Output) -> None:
    """Version, the sha256 of every input, all settings resolved, the global test."""
    record = run.document("run")
    assert set(RUN) <= set(record)
    assert record["version"] == tieup.__version__
    job = run.folder.parent
    inputs = {path for path in job.rglob("*") if path.is_file() and run.folder not in path.parents}
    assert record["inputs"] == {
        path.relative_to(job).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in inputs
    }
    test = record["global_test"]
    low, high = test["bounds"]
    assert test["passed"] is (low <= test["statistic"] <= high)
    assert record["sigma0"] == pytest.approx(math.sqrt(test["statistic"] / record["dof"]))
    assert record["iterations"] >= 1
    assert record["settings"]["centring"] == {"instrument": 0.5, "target": 1.0}
    assert record["settings"]["tolerances"]["name"] == "paving"


def test_global_test_has_the_bounds_of_chi_square(run: Output) -> None:
    """Two-sided at 5 %, against scipy's own quantiles."""
    from scipy.stats import chi2

    record = run.document("run")
    bounds = chi2.ppf([0.025, 0.975], record["dof"])
    assert record["global_test"]["bounds"] == pytest.approx(list(bounds), rel=1e-9)


def test_findings_have_every_key(run: Output) -> None:
    """Keys, severities and types of section 6; worst first; ids unique; lines are raw rows."""
    findings = run.findings
    order = ["stop", "check", "note"]
    assert [order.index(f["severity"]) for f in findings] == sorted(
        order.index(f["severity"]) for f in findings
    )
    assert len({f["id"] for f in findings}) == len(findings)
    rows = {at for at, _ in raw_cells(run.folder.parent)}
    for finding in findings:
        assert list(finding) == FINDING
        assert re.fullmatch(r"F-[0-9a-f]{4,}", finding["id"])
        assert set(finding["lines"]) <= rows
        assert all(finding[key] for key in ("kind", "action", "says", "confirm", "cure"))
        for rival in finding["rivals"]:
            assert {"kind", "points", "statistic", "separable"} <= set(rival)
            assert isinstance(rival["separable"], bool)


def test_report_is_one_page_that_works_offline(run: Output) -> None:
    """No reference to anything outside the file, and the cautions stand in it."""
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", page)
    assert not re.search(r"@import|url\(\s*['\"]?https?:", page)
    assert "person responsible for the survey" in page
    assert "excavating" in page


@pytest.mark.parametrize("name", JOBS)
def test_the_same_inputs_give_the_same_bytes(
    name: str,
    samples: Callable[[str], Output],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Two runs from two folders: every file equal, run.json but for the clock."""
    runs = []
    for done in (samples(name), reconcile(capsys, copy_sample(name, tmp_path))):
        files = {path.name: path.read_bytes() for path in done.folder.iterdir()}
        record = json.loads(files.pop("run.json"))
        record.pop("written")
        runs.append((done.status, files, record))
    assert runs[0] == runs[1]


def test_json_option_prints_the_answer_as_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Standard output is one JSON document; standard error is empty; the files are written."""
    done = reconcile(capsys, copy_sample("two_setups", tmp_path), None, "--json")
    assert done.status == 0
    assert isinstance(json.loads(done.text), dict)
    assert done.errors == ""
    assert (done.folder / "coordinates.csv").is_file()


def test_library_and_command_line_say_the_same(tmp_path: Path, undecided: Output) -> None:
    """`tieup.reconcile(...).write(DIR)` leaves the bytes of `tieup reconcile`."""
    done = undecided
    result = tieup.reconcile(copy_sample("fire_station", tmp_path))
    result.write(tmp_path / "library")
    for name in FILES:
        if name != "run.json":
            assert (tmp_path / "library" / name).read_bytes() == (done.folder / name).read_bytes()
    assert result.findings == done.findings
    assert len(result.coordinates) == len(done.table("coordinates"))
    assert list(result.ties.columns) == list(done.table("ties")[0])
