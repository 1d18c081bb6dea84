"""Whatever stands in the cells: a result or words, never a failure of the tool itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.endtoend.jobs import Output, copy_sample, files_below, put, reconcile

Capture = pytest.CaptureFixture[str]

NASTY = (
    "", "  ", "nan", "inf", "-inf", "1e9", "99999999999999999999", "1e300", "-1e300", "1e-300",
    "0", "-0", "-1", "3", "100.0", "0.0000001", "1,5", "0-0-0", "180-00-00", "359-59-59.9999",
    "abc", "=1+1", "'", '"', "#", "\u65e5\u672c", "\x00", "CP1", "S1",
)  # fmt: skip


def damage(job: Path, rng: np.random.Generator) -> list[tuple[str, str, str, int]]:
    """Put one to three nasty texts into one row, a third of the rows, or all of them."""
    done = []
    for _ in range(int(rng.integers(1, 4))):
        file = ("raw/s1.csv", "raw/s2.csv", "control.csv")[rng.integers(3)]
        lines = (job / file).read_text(encoding="utf-8").splitlines()
        columns, count = lines[0].split(","), len(lines) - 1
        column, text = columns[rng.integers(len(columns))], NASTY[rng.integers(len(NASTY))]
        many = (1, 1, max(1, count // 3), count)[rng.integers(4)]
        rows = [int(r) + 1 for r in rng.choice(count, many, replace=False)]
        put(job, file, column, text, rows)
        done.append((file, column, text, many))
    return done


@pytest.mark.parametrize("seed", range(30))
def test_damaged_cells_never_break_the_tool(seed: int, tmp_path: Path, capsys: Capture) -> None:
    """Random damage: exit 0, 1 or 2; with 2 a message and nothing written."""
    job = copy_sample("two_setups", tmp_path)
    done = damage(job, np.random.default_rng(seed))
    before = files_below(job)
    run = reconcile(capsys, job)
    assert "fault of the tool" not in run.errors, (done, run.errors)
    assert run.status in (0, 1, 2)
    if run.status == 2:
        assert run.errors.strip(), done
        assert files_below(job) == before, done
    else:
        assert len(run.table("coordinates")) > 5


@pytest.mark.parametrize("row", [13, 18, 22])
def test_a_side_shot_keyed_with_the_name_of_a_mark(
    row: int, tmp_path: Path, capsys: Capture
) -> None:
    """One point number mistyped as a control mark's: a finding that names the row."""
    job = copy_sample("two_setups", tmp_path)
    put(job, "raw/s2.csv", "point", "CP1", [row])
    run = reconcile(capsys, job)
    assert run.status == 1, run.errors
    (stop,) = [f for f in run.findings if f["severity"] == "stop"]
    assert stop["kind"] in {"point-name", "name-collision"}
    assert stop["lines"] == [f"raw/s2.csv:{row + 1}"]


@pytest.mark.parametrize("row", [1, 4, 13])
def test_a_zenith_angle_of_0_spoils_no_other_row(
    row: int, tmp_path: Path, capsys: Capture, plain_dock: Output
) -> None:
    """An instrument that writes 0 for "not measured": the row is questioned, the site solved."""
    job = copy_sample("two_setups", tmp_path)
    put(job, "raw/s1.csv", "zenith", "0-00-00", [row])
    run = reconcile(capsys, job)
    assert run.status in (0, 1), run.errors
    for name in ("CP1", "T1", "T2", "S1", "S2", "201"):
        for ours, theirs in zip(run.place(name), plain_dock.place(name), strict=True):
            assert ours == pytest.approx(theirs, abs=0.01)  # ft


@pytest.mark.parametrize(
    ("file", "column", "text", "rows"),
    [
        ("control.csv", "northing", "1e300", [1]),
        ("control.csv", "northing", "-1e300", [2]),
        ("control.csv", "elevation", "1e300", [1, 2, 3, 4]),
        ("control.csv", "sd_easting", "1e300", [1]),
        ("control.csv", "sd_easting", "1e-300", [1]),
        ("raw/s1.csv", "target_height", "1e300", [1]),
        ("raw/s1.csv", "distance", "1e300", [1]),
        ("raw/s1.csv", "distance", "1e-300", [1]),
        ("raw/s1.csv", "round", "1e300", [1]),
    ],
)
def test_numbers_beyond_all_measure(
    file: str, column: str, text: str, rows: list[int], tmp_path: Path, capsys: Capture
) -> None:
    """A number that no site can have is refused with its line, or its row is questioned."""
    job = copy_sample("two_setups", tmp_path)
    put(job, file, column, text, rows)
    run = reconcile(capsys, job)
    assert "fault of the tool" not in run.errors
    if run.status == 2:
        assert f"{file}:{rows[0] + 1}" in run.errors
        assert column in run.errors
    else:
        rejected = [r for r in run.table("observations") if r["status"] != "used"]
        assert rejected or run.findings
