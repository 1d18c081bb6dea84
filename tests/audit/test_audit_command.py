"""`tieup audit`: one job on a screen, many in a table, as data, into a folder; a dry run."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from pathlib import Path

import pytest

from tests.read.landxml_files import SETUP, group, landxml, shot
from tieup import cli
from tieup.data import data_path
from tieup.write.audit_screen import WIDTH

HEAD = "setup,point,direction,zenith,distance\n"


@pytest.fixture
def clean(tmp_path: Path) -> Path:
    """Return a copy of the clean sample job."""
    return shutil.copytree(data_path("sample_raw") / "fire_station_clean", tmp_path / "clean")


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """Return a job whose file breaks off."""
    folder = tmp_path / "broken"
    (folder / "raw").mkdir(parents=True)
    (folder / "job.yaml").write_text("units: {angle: deg, length: m}\n", encoding="utf-8")
    rows = "".join(f"S1,P{n},{n},90,12\n" for n in range(9))
    (folder / "raw" / "a.csv").write_text(HEAD + rows + "S1,P9,9", encoding="utf-8")
    return folder


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Run the command; return its status and what it printed."""
    status = cli.outcome(["audit", *map(str, arguments)])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def test_one_job_on_one_screen(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """The answer in the first line; nothing wider than the screen; nothing written."""
    before = sorted(clean.rglob("*"))
    status, out, err = run(capsys, clean)
    assert (status, err) == (0, "")
    assert out.splitlines()[0].startswith("Fire station yard")
    assert "0 rules broken" in out
    assert max(map(len, out.splitlines())) <= WIDTH
    assert "not checked: packed-angles (angles are not stated in decimal degrees)" in out
    assert "For the use of the person responsible" in out
    assert sorted(clean.rglob("*")) == before


OWN_RULES = """\
name: own
use: one rule of our own
rules:
  - id: short-sights
    says: longest sight
    measures: sight_length
    unit: m
    fail: 1
    source: the contract
"""


def test_a_job_may_have_rules_of_its_own(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """`audit: rules.yaml` in job.yaml takes the place of the rules that ship."""
    path = clean / "job.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "audit: rules.yaml\n", encoding="utf-8")
    (clean / "rules.yaml").write_text(OWN_RULES, encoding="utf-8")
    status, out, _ = run(capsys, clean)
    assert status == 1 and "1 rule broken, 0 to look at, 0 kept" in " ".join(out.split())
    assert "short-sights" in out and "collimation" not in out


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("raw-dta", 'audit is "raw-dta". Expected raw-data, or a file of rules'),
        ("rules.yaml", 'audit is "rules.yaml", and there is no such file'),
        ("../rules.yaml", "outside the job folder"),
    ],
)
def test_rules_that_are_not_there_are_an_error(
    capsys: pytest.CaptureFixture[str], clean: Path, value: str, told: str
) -> None:
    """The message names the line and what there is."""
    path = clean / "job.yaml"
    path.write_text(f"audit: {value}\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    status, _, err = run(capsys, clean)
    assert status == 2 and err.startswith("job.yaml:1: ") and told in err


def test_a_broken_rule_is_status_1_and_says_where(
    capsys: pytest.CaptureFixture[str], broken: Path
) -> None:
    """The rule, its value, the place and the limit."""
    status, out, _ = run(capsys, broken)
    assert status == 1
    said = " ".join(out.split())
    assert "RAW DATA NOT IN ORDER." in said
    assert "file-whole: last row cut short; the export broke off: 1 at raw/a.csv, limit 0" in said


def test_many_jobs_in_one_table(
    capsys: pytest.CaptureFixture[str], clean: Path, broken: Path, tmp_path: Path
) -> None:
    """One line for each job, worst first; one that cannot be read does not stop the others."""
    status, out, err = run(capsys, clean, tmp_path / "none", broken)
    assert (status, err) == (1, "")
    lines = out.splitlines()
    assert [line.split()[0] for line in lines[1:4]] == [
        str(broken), str(tmp_path / "none"), str(clean),
    ]  # fmt: skip
    assert [line.split()[-1] for line in (lines[1], lines[2])] == ["fail", "read"]
    assert lines[5].startswith("3 jobs: 1 fail, 1 not read")
    assert f"{broken}: file-whole" in " ".join(out.split())
    assert "there is no such folder" in " ".join(out.split())


def test_jobs_of_which_none_can_be_read_are_an_error(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Status 2, every problem on standard error, nothing written."""
    status, out, err = run(capsys, tmp_path / "a", tmp_path / "b", "--out", tmp_path / "o")
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 2
    assert not (tmp_path / "o").exists()


def test_as_data(capsys: pytest.CaptureFixture[str], clean: Path, broken: Path) -> None:
    """--json holds counts, setups and every rule with value, limit, unit and source."""
    status, out, _ = run(capsys, clean, broken, "--json")
    record = json.loads(out)
    assert (status, record["status"]) == (1, 1)
    first, second = record["jobs"]
    assert first["counts"]["rows"] == sum(file["rows"] for file in first["files"])
    assert [setup["setup"] for setup in first["setups"]] == ["S1", "S2", "S3", "S4", "S5"]
    assert first["setups"][0]["instrument_height"] is None
    failing = [rule for rule in second["rules"] if rule["result"] == "fail"]
    assert failing[0]["rule"] == "file-whole"
    assert failing[0]["source"] == "common practice, no source"


def test_quiet_leaves_the_status(capsys: pytest.CaptureFixture[str], broken: Path) -> None:
    """--quiet prints nothing."""
    assert run(capsys, broken, "--quiet") == (1, "", "")


def test_into_a_folder(
    capsys: pytest.CaptureFixture[str], clean: Path, broken: Path, tmp_path: Path
) -> None:
    """--out writes a row for each job and rule, and the same as JSON; the same bytes each time."""
    out = tmp_path / "out"
    run(capsys, clean, broken, "--out", out)
    rows = list(csv.DictReader((out / "audit.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["job"] for row in rows} == {str(clean), str(broken)}
    assert {"pass", "fail", "not checked"} <= {row["result"] for row in rows}
    assert all(row["reason"] for row in rows if row["result"] == "not checked")
    record = json.loads((out / "audit.json").read_text(encoding="utf-8"))
    assert [job["job"] for job in record["jobs"]] == [str(clean), str(broken)]
    once = (out / "audit.csv").read_bytes()
    run(capsys, clean, broken, "--out", out)
    assert (out / "audit.csv").read_bytes() == once


def test_raw_data_is_never_written_into(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """A folder that holds a job or raw data is refused."""
    status, _, err = run(capsys, clean, "--out", clean / "raw")
    assert status == 2
    assert "raw data is never touched" in err


@pytest.mark.parametrize("watched", [True, False])
def test_a_progress_bar_shows_only_on_a_terminal(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    clean: Path,
    broken: Path,
    watched: bool,
) -> None:
    """On standard error, for several jobs, where somebody watches."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: watched)
    _, out, err = run(capsys, clean, broken)
    assert ("audit" in err) == watched
    assert out.startswith("Job")


def test_the_first_rows_as_understood(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """--rows shows each file's first rows in the job's units, bad ones with their reason."""
    folder = tmp_path / "job"
    (folder / "raw").mkdir(parents=True)
    (folder / "job.yaml").write_text(
        'units: {angle: gon, length: ft}\nraw: ["raw/*.csv", "raw/*.xml"]\n', encoding="utf-8"
    )
    table = HEAD + "S1,P1,100,100,12.5\nS1,P2,x,100,12.5\nS1,P1,100,100,12.5\nS1,P4,4,100,9\n"
    (folder / "raw" / "a.csv").write_text(table, encoding="utf-8")
    survey = SETUP + group(shot("P1") + shot("P2", 'unused="true"'))
    (folder / "raw" / "b.xml").write_text(landxml(survey), encoding="utf-8")
    status, out, _ = run(capsys, folder, "--rows", 3)
    assert status == 0
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert lines[0] == "raw/a.csv"
    assert lines[2] == "2 read S1 P1 1 100.000000 100.000000 12.5000 0.0000"
    assert lines[3] == "3 invalid S1 P2"
    assert lines[4].startswith("4 repeated S1 P1")
    assert 'line 3: direction "x" is not a number' in lines
    assert "raw/b.xml" in lines
    assert any("33.333333 100.000000 32.8084" in line for line in lines)  # 30 deg, 10 m
    assert "P4" not in out
    _, out, _ = run(capsys, folder, "--rows", 1, "--json")
    (rows,) = json.loads(out)["rows"].values()
    assert [row["file"] for row in rows] == ["raw/a.csv", "raw/b.xml"]
