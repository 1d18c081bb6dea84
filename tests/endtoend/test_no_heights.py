"""A height that no reading gives is empty: in every table, on the screens, on the page.

Jobs of directions alone, of plan distances, of slope distances without a zenith angle, of azimuths,
of control in plan alone, and one in which only one setup has no zenith angles.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas
import pytest

from tests.endtoend.jobs import Output, reconcile
from tests.endtoend.test_two_days import GEAR, MARKS, SETUPS
from tieup import cli

SEEN = {
    "S1": ("CP1", "CP2", "T1", "T2", "T3", "T4"),
    "S2": ("CP1", "CP2", "T1", "T2", "T3"),
    "S3": ("T1", "T2", "T3", "T4", "CP1"),
}
FULL = ("direction", "zenith", "distance", "target_height")
JOBS = {  # columns, known marks, whether they have heights
    "directions": (("direction",), "CP1 CP2 T1 T2", False),
    "plan": (("direction", "horizontal_distance"), "CP1 CP2", False),
    "slope without zenith": (("direction", "distance"), "CP1 CP2", True),
    "azimuths": (("azimuth", "horizontal_distance"), "CP1 CP2", True),
    "control in plan": (FULL, "CP1 CP2", False),
    "one setup without zenith": (FULL, "CP1 CP2", True),
}
SAID = re.compile(r"\d mm (high|low)\b")
HEIGHTS = {
    "coordinates": ("elevation", "sd_elevation", "elevation_interval", "hidden_elevation"),
    "setups": ("elevation", "sd_elevation"),
    "ties": ("d_elevation", "sd_elevation"),
}


def shots(name: str, random: np.random.Generator) -> str:
    """Return the raw table of a job, with noise of the stated gear."""
    columns = JOBS[name][0]
    text = f"setup,point,{','.join(columns)}\n"
    for setup, marks in SEEN.items():
        for mark in marks:
            north, east, height = np.subtract(MARKS[mark], SETUPS[setup][0])
            height += 1.5
            plan = np.hypot(north, east)
            across = np.degrees(np.hypot(3 * np.pi / 648_000.0, 0.001 / plan))
            bearing = np.degrees(np.arctan2(east, north)) + random.normal() * across
            along = random.normal() * 0.0025
            cells = {
                "direction": bearing % 360.0,
                "azimuth": bearing % 360.0,
                "zenith": np.degrees(np.arctan2(plan, height)) + random.normal() * across,
                "distance": np.hypot(plan, height) + along,
                "horizontal_distance": plan + along,
                "target_height": 1.5,
            }
            blank = "zenith" if name.startswith("one setup") and (setup, mark) > ("S3", "") else ""
            values = ["" if c == blank else f"{cells[c]:.7f}" for c in columns]
            text += f"{setup},{mark},{','.join(values)}\n"
    return text


@pytest.fixture(params=JOBS)
def run(
    request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> tuple[str, Output, str]:
    """Reconcile a job; return its name, the output, and the screen of ties."""
    name = str(request.param)
    _, known, high = JOBS[name]
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "a.csv").write_text(shots(name, np.random.default_rng(3)))
    rows = [(mark, *MARKS[mark][:2], MARKS[mark][2] if high else "") for mark in known.split()]
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    (tmp_path / "control.csv").write_text("point,northing,easting,elevation\n" + text)
    (tmp_path / "job.yaml").write_text(
        f"units: {{angle: deg, length: m}}\ntolerances: paving\n{GEAR}"
    )
    output = reconcile(capsys, tmp_path)
    assert output.status < 2, output.errors
    cli.outcome(["ties", str(tmp_path)])
    return name, output, capsys.readouterr().out


def test_no_table_has_a_height_that_no_reading_gives(run: tuple[str, Output, str]) -> None:
    """Points and setups out of reach of a zenith angle; held control keeps the height given.

    T4 has its height of S1 alone, so that no tie of it says anything of heights.
    """
    name, output, _ = run
    _, known, high = JOBS[name]
    given = set(known.split()) if high else set()
    reached = {"S1", "S2", "T1", "T2", "T3", "T4"} if name.startswith("one setup") else set()
    for table, columns in HEIGHTS.items():
        rows = pandas.read_csv(output.folder / f"{table}.csv", dtype=str, keep_default_na=False)
        assert len(rows)
        for row in rows.to_dict("records"):
            if table == "ties":
                there = row["setup"] in reached and row["point"] in (reached | given) - {"T4"}
            else:
                there = row["point" if "point" in row else "setup"] in reached | given
            for column in columns:
                assert bool(row[column]) == there or column == "hidden_elevation", row
                assert there or not row[column], row


def test_no_screen_speaks_of_such_a_height(run: tuple[str, Output, str]) -> None:
    """Neither screen, nor the page, nor a finding gives it in mm."""
    name, output, ties = run
    if name.startswith("one setup"):
        assert SAID.search(ties)  # S1 and S2 have heights to compare
        assert not [line for line in ties.splitlines() if line.startswith("S3 ") and "high" in line]
        return
    page = (output.folder / "report.html").read_text(encoding="utf-8")
    body = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.DOTALL)
    findings = json.loads((output.folder / "findings.json").read_text(encoding="utf-8"))
    told = [re.sub("<[^>]+>", "", body), output.text, ties, *(f["says"] for f in findings)]
    for text in told:
        assert not SAID.search(" ".join(text.split()))
