"""One answer: what becomes of the surfaces of job.yaml stands in every command's exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import tieup
from tests.endtoend.yard_jobs import Shot, ring, write_job
from tieup import cli

EDGE = ring("E", "EDGE", [99.9, 99.7, 99.5, 99.7])
HIGH = Shot("C", 1021.0, 1019.0, 100.0, "pave")
LOW = Shot("C", 1021.0, 1019.0, 99.4, "pave")
LEVEL = Shot("C", 1020.0, 1020.0, 99.5, "pave")
PAVE = "  x: {codes: [pave], boundary: EDGE}"
STEEP = "  x: {codes: [pave], boundary: EDGE, limits: [{set: accessible-parking}]}"


@pytest.mark.parametrize(
    ("spot", "surfaces", "says"),
    [
        (HIGH, PAVE, ""),
        (LOW, PAVE, "1 SURFACE FAILS. Surface x does not drain."),
        (LEVEL, PAVE, "1 SURFACE CANNOT BE TOLD. Surface x may drain or not."),
        (HIGH, STEEP, "1 SURFACE FAILS. Surface x breaks accessible-parking"),
        (LOW, f"{PAVE}\n  y: {{points: [C]}}", "1 SURFACE FAILS, 1 SURFACE CANNOT BE TOLD"),
    ],
)
def test_every_command_has_the_status_of_the_surfaces(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    spot: Shot,
    surfaces: str,
    says: str,
) -> None:
    """reconcile, ties and surface agree with each other, run.json and the page; the site ties."""
    folder = write_job(tmp_path / "job", [*EDGE, spot], surfaces)
    told = {}
    for command in ("reconcile", "ties", "surface"):
        status = cli.outcome([command, str(folder), "--json"])
        told[command] = json.loads(capsys.readouterr().out)
        assert status == told[command]["status"] == int(bool(says))
    run = json.loads((folder / "out" / "run.json").read_text(encoding="utf-8"))
    assert (run["status"], run["verdict"]) == (int(bool(says)), "ties")
    page = (folder / "out" / "report.html").read_text(encoding="utf-8")
    assert ("The bays tie." in page) == (not says)
    head, _, first = says.partition(". ")
    for command in ("reconcile", "ties"):
        line = " ".join(told[command]["headline"].split())
        assert head in line and first in line
    assert "failing_surfaces" in told["reconcile"]


def test_a_surface_that_nobody_asked_for_changes_nothing_else(tmp_path: Path) -> None:
    """Without surfaces: the site's status is its own; tieup surface answers its own question."""
    folder = write_job(tmp_path / "job", [*EDGE, LOW], PAVE)
    job = folder / "job.yaml"
    text = job.read_text(encoding="utf-8")
    job.write_text(text.replace(f"surfaces:\n{PAVE}\n", ""), encoding="utf-8")
    assert tieup.reconcile(folder).reconciliation.status == 0
    assert tieup.surface(folder).status == 1


def test_a_fall_that_fails_is_told_beside_a_surface_that_drains(tmp_path: Path) -> None:
    """tieup surface says why its status is 1 where all its surfaces drain."""
    folder = write_job(tmp_path / "job", [*EDGE, HIGH], PAVE)
    with (folder / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("falls: [{name: up, from: E1, to: C, minimum: 1}]\n")
    result = tieup.surface(folder)
    assert result.verdicts == {"x": "drains"} and result.status == 1
    assert result.text().startswith("1 fall of job.yaml does not pass.\n")
