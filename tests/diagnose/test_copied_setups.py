"""One set of readings under two labels is told; no two real setups are."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tieup.config import load_job
from tieup.diagnose.names.copied_setups import copied_setups
from tieup.model.finding import Finding
from tieup.pipeline import make_case, read_site

SAMPLES = Path(__file__).parents[2] / "sample_raw"
Row = dict[str, str]


def told_of(folder: Path) -> list[Finding]:
    job = load_job(folder)
    return copied_setups(make_case(job, *read_site(job)))


def with_copy(folder: Path, change: Callable[[Row], Row | None]) -> Path:
    """Return the clean fire-station yard with a changed copy of its last setup as S9."""
    shutil.copytree(SAMPLES / "fire_station_clean", folder)
    table = csv.DictReader(io.StringIO((folder / "raw" / "s5.csv").read_text(encoding="utf-8")))
    rows = [row for row in map(change, table) if row is not None]
    with (folder / "raw" / "s9.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, table.fieldnames or ())
        writer.writeheader()
        writer.writerows({**row, "setup": "S9"} for row in rows)
    return folder


def turned(direction: str) -> str:
    return f"{(int(direction[:-8]) + 90) % 360}{direction[-8:]}"


COPIES: dict[str, Callable[[Row], Row | None]] = {
    "as it is": lambda row: row,
    "without times": lambda row: {**row, "time": ""},
    "millimetres": lambda row: {**row, "distance": f"{float(row['distance']):.3f}"},
    "circle turned": lambda row: {**row, "direction": turned(row["direction"])},
    "face 1": lambda row: row if row["face"] == "1" else None,
}


@pytest.mark.parametrize("how", COPIES)
def test_a_copy_under_another_label_is_told(tmp_path: Path, how: str) -> None:
    """Whatever else was changed: with the copy all its points would be seen twice."""
    (found,) = told_of(with_copy(tmp_path / "job", COPIES[how]))
    assert (found.kind, found.severity, found.setup) == ("copied-setup", "stop", "S9")
    assert found.says.startswith("Setups S5 and S9 have the same zenith angles and distances to ")


def test_few_readings_alike_are_no_copy(tmp_path: Path) -> None:
    """Five points of the copy, fewer than tell."""
    rows: dict[str, None] = {}

    def few(row: Row) -> Row | None:
        rows.setdefault(row["point"])
        return row if row["point"] in [*rows][:5] else None

    assert not told_of(with_copy(tmp_path / "job", few))


def test_another_look_from_the_same_place_is_no_copy(tmp_path: Path) -> None:
    """The same station read once more: every angle a second of arc otherwise."""

    def again(row: Row) -> Row:
        head, seconds = row["zenith"][:-4], float(row["zenith"][-4:])
        return {**row, "zenith": f"{head}{(seconds + 1.0) % 60:04.1f}"}

    assert not told_of(with_copy(tmp_path / "job", again))


@pytest.mark.parametrize("name", ["fire_station", "fire_station_clean", "drill_yard", "two_setups"])
def test_samples_have_no_copies(name: str) -> None:
    assert not told_of(SAMPLES / name)
