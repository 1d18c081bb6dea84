"""A string that steps where it passes to another setup: what is said, and what settles it.

The jobs are those of `tests.bench.string_steps`, drawn and written without the package.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.bench.string_steps import RAISED, WORLDS, Curb, draw_curb, reconciled, told, write_job
from tests.endtoend.jobs import Output, decide, reconcile
from tieup import cli

Capture = pytest.CaptureFixture[str]
MM = 1e-3


def a_job(folder: Path, world: str, *, numbered: bool = True, **changes: object) -> Curb:
    """Write one job of a world; its strings are bare numbers where they are ``numbered``."""
    rng = np.random.default_rng([7, WORLDS.index(world)])
    curb = replace(draw_curb(world, rng), numbered=numbered, **changes)  # type: ignore[arg-type]
    write_job(curb, folder, rng)
    return curb


def steps(run: Output) -> list[dict[str, object]]:
    """Return the steps in strings, by their points."""
    found = [finding for finding in run.findings if finding["kind"] == "string-step"]
    return sorted(found, key=lambda finding: finding["points"])


def ties_of(capsys: Capture, job: Path) -> str:
    """Return the crew lead's screen without its line ends."""
    capsys.readouterr()
    cli.outcome(["ties", str(job)])
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("numbered", [True, False])
def test_a_pole_mistake_on_two_lines_is_found_by_either_naming(
    tmp_path: Path, capsys: Capture, numbered: bool
) -> None:
    """300 mm in the book of S1: both lines step, by the size, and the pole of S1 comes first."""
    a_job(tmp_path / "job", "pole", numbered=numbered, booked={"S1": RAISED})
    run = reconcile(capsys, tmp_path / "job")
    names = ("TC 1", "FL 1") if numbered else ("TC-S", "FL-S")
    found = steps(run)
    assert run.status == 1 and "NOT PROVED YET" in run.text
    assert [finding["points"] for finding in found] == [["109", "111"], ["110", "112"]]
    assert len({finding["id"] for finding in run.findings}) == len(run.findings)
    for finding, name in zip(found, names, strict=True):
        assert finding["severity"] == "check" and finding["decidable"]
        assert abs(float(str(finding["size"])) - RAISED) < 15 * MM
        assert f"String {name} steps up" in str(finding["says"])
        rivals = finding["rivals"]
        assert [(r["kind"], r["setup"]) for r in rivals] == [  # type: ignore[attr-defined]
            ("target-height", "S1"),
            ("target-height", "S2"),
            ("real-edge", ""),
        ]
    screen = ties_of(capsys, tmp_path / "job")
    both = f"109 ({names[0]}, which steps), 110 ({names[1]}, which steps)"
    assert f"At S2: shoot {both}; read the pole height aloud" in screen
    assert "THE BAYS TIE" not in screen
    assert {row["string"] for row in run.table("strings")} == set(names)
    named = {r["point"]: r["string"] for r in run.table("coordinates") if r["string"]}
    assert (named["109"], named["112"]) == names


def test_a_clean_job_with_bare_numbers_has_no_step_and_the_right_pairs(
    tmp_path: Path, capsys: Capture
) -> None:
    """No step on the plan, no finding; the to-do asks for one shared shot of each line."""
    a_job(tmp_path / "job", "straight")
    run = reconcile(capsys, tmp_path / "job")
    assert run.status == 0 and not steps(run)
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "step not known" in page and not re.search(r">step [0-9]", page)
    screen = ties_of(capsys, tmp_path / "job")
    assert "At S2: shoot 109 (TC 1), 110 (FL 1)" in screen


def test_accepting_the_pole_heights_puts_the_lines_right(tmp_path: Path, capsys: Capture) -> None:
    """Both accepted: the site ties, the points are where they are, notes say what was done."""
    curb = a_job(tmp_path / "job", "pole", booked={"S1": RAISED})
    found = steps(reconcile(capsys, tmp_path / "job"))
    accepted = [f'{{accept: {finding["id"]}, reason: "pole 1.80"}}' for finding in found]
    run = reconcile(capsys, decide(tmp_path / "job", *accepted))
    assert run.status == 0
    assert {(f["severity"], f["action"]) for f in steps(run)} == {("note", "accepted")}
    for name, line, number in (("101", "TC", 0), ("110", "FL", 4)):
        assert abs(run.place(name)[2] - curb.place[line][number][2]) < 15 * MM


def test_the_line_that_a_finding_prints_settles_it(tmp_path: Path, capsys: Capture) -> None:
    """The ``set:`` lines copied into job.yaml: no step is left, and heights are exact."""
    curb = a_job(tmp_path / "job", "pole", booked={"S2": -RAISED})
    found = steps(reconcile(capsys, tmp_path / "job"))
    lines = [re.search(r'\{set: .*?"\.\.\."\}', str(f["cure"])) for f in found]
    run = reconcile(capsys, decide(tmp_path / "job", *(m[0] for m in lines if m)))
    assert run.status == 0 and not steps(run)
    for name, line, number in (("111", "TC", 5), ("120", "FL", 9)):
        assert abs(run.place(name)[2] - curb.place[line][number][2]) < 5 * MM


def test_a_dropped_kerb_is_kept_with_its_reason(tmp_path: Path, capsys: Capture) -> None:
    """100 mm down on the curb alone: an edge first; kept it is a note, and the site ties."""
    a_job(tmp_path / "job", "dropped")
    first = reconcile(capsys, tmp_path / "job")
    (found,) = steps(first)
    assert first.status == 1
    assert found["rivals"][0]["kind"] == "real-edge"  # type: ignore[index]
    keep = f'{{keep: {found["id"]}, by: crew, reason: "dropped kerb"}}'
    run = reconcile(capsys, decide(tmp_path / "job", keep))
    (kept,) = steps(run)
    assert run.status == 0
    assert (kept["id"], kept["severity"], kept["action"]) == (found["id"], "note", "kept")
    assert "dropped kerb" in str(kept["says"]) and not kept["decidable"]
    assert "steps" not in ties_of(capsys, tmp_path / "job")
    assert cli.outcome(["plan", str(tmp_path / "job"), "--quiet"]) in (0, 1)


def test_nobody_can_accept_what_nothing_tells(tmp_path: Path, capsys: Capture) -> None:
    """A dropped kerb is no pole height that could be put right: exit 2, and the lines."""
    a_job(tmp_path / "job", "dropped")
    (found,) = steps(reconcile(capsys, tmp_path / "job"))
    accept = f'{{accept: {found["id"]}, reason: "why not"}}'
    run = reconcile(capsys, decide(tmp_path / "job", accept))
    assert run.status == 2 and "more than one cure" in run.errors
    assert all(f'setup: "{setup}", string: "TC 1"' in run.errors for setup in ("S1", "S2"))


@pytest.mark.parametrize("world", ["arc", "break", "corner", "crest", "bend", "rough", "step10"])
def test_what_the_line_may_do_itself_is_neither_proof_nor_mistake(world: str) -> None:
    """Three jobs each: no joint fails, no string ties, and only the marks judge the bay."""
    for job in range(3):
        says = told(*reconciled(world, 3, job))
        assert not says & {"string fails", "string ties", "bay fails", "finding", "site fails"}
        assert "string untested" in says
