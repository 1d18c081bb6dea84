"""What the first screens say of one mistake on the clean yard: the right thing, in its size."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, Row, copy_sample, reconcile

Capture = pytest.CaptureFixture[str]


def seconds(text: str) -> float:
    """Return degrees-minutes-seconds as seconds."""
    degrees, minutes, rest = text.split("-")
    return 3600.0 * float(degrees) + 60.0 * float(minutes) + float(rest)


def dms(value: float) -> str:
    """Return seconds as degrees-minutes-seconds, to a tenth."""
    tenths = round(value * 10) % (360 * 36000)
    return f"{tenths // 36000}-{tenths // 600 % 60:02d}-{tenths % 600 / 10:04.1f}"


def edited(folder: Path, file: str, edit: Callable[[Row], None]) -> Path:
    """Return the clean yard with every row of a raw file edited, in the order shot."""
    job = copy_sample("fire_station_clean", folder)
    path = job / "raw" / file
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        edit(row)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return job


def turned(folder: Path, by: float) -> Path:
    """Return the yard with S4 turned by so many seconds from its first side shot on."""
    moved = False

    def turn(row: Row) -> None:
        nonlocal moved
        moved = moved or row["role"] == "side"
        if moved:
            row["direction"] = dms(seconds(row["direction"]) + by)

    return edited(folder, "s4.csv", turn)


def test_an_instrument_turned_between_two_shots_is_named_with_its_turn(
    tmp_path: Path, capsys: Capture
) -> None:
    """180" before the side shots and the closing look: no wrong pointing, and no millimetres."""
    run = reconcile(capsys, turned(tmp_path, 180.0))
    found = run.finding("instrument-moved")
    assert (found["setup"], found["unit"], found["severity"]) == ("S4", "arcsec", "stop")
    assert found["size"] == pytest.approx(180.0, abs=3 * found["sd"])
    assert f"what was shot later is turned by {found['size']:.0f} seconds;" in found["says"]
    assert [f["kind"] for f in run.findings if f["severity"] == "stop"] == ["instrument-moved"]
    # What ties beyond the limit is known well enough where it is used, and is named.
    assert set(_verdicts(run).values()) == {"ties"}
    assert _said_beyond(run) == _shown_beyond(run)


def raised(folder: Path) -> Path:
    """Return the yard with the pole of S1 booked 1.800 for 1.500 along the curbs."""

    def raise_pole(row: Row) -> None:
        if row["target_height"] == "1.500" and row["string"].startswith("CURB"):
            row["target_height"] = "1.800"

    return edited(folder, "s1.csv", raise_pole)


def test_a_trace_of_a_reading_is_no_tie(tmp_path: Path, capsys: Capture) -> None:
    """A height that only a distance gives, to 0.84 m, is not the largest difference of a setup."""
    run = reconcile(capsys, raised(tmp_path))
    assert "1.5 m low" not in run.text and "1.522 m" not in run.text
    ties = run.table("ties")
    assert all(not row["sd_elevation"] or float(row["sd_elevation"]) < 0.1 for row in ties)
    assert _verdicts(run) == {"S1": "ties", "S2": "ties", "S3": "ties", "S4": "ties", "S5": "fails"}


def _verdicts(run: Output) -> dict[str, str]:
    return {row["setup"]: row["verdict"] for row in run.table("setups")}


def _shown_beyond(run: Output) -> tuple[list[str], int]:
    """Return the first three setups with a difference beyond its limit, and how many more."""
    beyond = {
        row["setup"]
        for row in run.table("ties")
        for way in ("horizontal", "elevation")
        if abs(float(row[f"d_{way}"] or 0.0)) > float(row[f"limit_{way}"])
    }
    names = [setup for setup in _verdicts(run) if setup in beyond]
    return names[:3], len(names[3:])


def _said_beyond(run: Output) -> tuple[list[str], int]:
    """Return the setups that the screen says tie beyond the limit, and how many more."""
    said = re.search(
        r"((?:S\d(?:~\d)?(?:, )?)+)(?: and (\d+) more)? ties? though the differences? shown",
        " ".join(run.text.split()),
    )
    return (said[1].split(", "), int(said[2] or 0)) if said else ([], 0)


def listed_off(folder: Path, north: float, up: float) -> Path:
    """Return the yard with CP2 listed off by so much (m), every mark held: no sds."""
    job = copy_sample("fire_station_clean", folder)
    path = job / "control.csv"
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        cells = line.split(",")
        if cells[0].startswith("CP"):
            cells[4:7] = "0", "0", "0"
        if cells[0] == "CP2":
            cells[1], cells[3] = f"{float(cells[1]) + north:.4f}", f"{float(cells[3]) + up:.4f}"
        lines.append(",".join(cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return job


@pytest.mark.parametrize(
    ("north", "up", "limits", "severity", "status"),
    [
        (0.008, 0.0, "{horizontal: 0.020, elevation: 0.010}", "check", 0),
        (0.008, 0.0, "{horizontal: 0.006, elevation: 0.010}", "stop", 1),
        (0.0, 0.008, "{horizontal: 0.020, elevation: 0.020}", "check", 0),
        (0.0, 0.008, "{horizontal: 0.020, elevation: 0.003}", "stop", 1),
    ],
)
def test_a_listed_mark_is_judged_by_the_limits_too(
    tmp_path: Path, capsys: Capture, north: float, up: float, limits: str, severity: str,
    status: int,
) -> None:  # fmt: skip
    """Off by 8 mm: more than the gear explains, but a stop only beyond the limits of a tie."""
    job = listed_off(tmp_path, north, up)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8").split("\nderived:")[0]
    path.write_text(text.replace("tolerances: paving", f"tolerances: {limits}") + "\n")
    run = reconcile(capsys, job)
    found = run.finding("control-coordinate")
    assert (found["points"], found["severity"]) == (["CP2"], severity)
    assert ("Within the limits" in found["says"]) == (severity == "check")
    assert run.status == status, run.text


def test_distances_that_are_left_out_put_the_marks_as_far_off_as_they_are(
    tmp_path: Path, capsys: Capture
) -> None:
    """A prism constant of 34 mm in S3: its marks show 34 mm and not metres, no other does."""

    def longer(row: Row) -> None:
        if row["distance"]:
            row["distance"] = f"{float(row['distance']) + 0.034:.4f}"

    run = reconcile(capsys, edited(tmp_path, "s3.csv", longer))
    assert run.finding("prism-constant")["setup"] == "S3"
    off = {(r["point"], r["setup"]): float(r["d_horizontal"] or 0.0) for r in run.table("ties")}
    assert max(off.values()) < 0.050
    assert all(size == pytest.approx(0.034, abs=0.008) for at, size in off.items() if at[1] == "S3")
