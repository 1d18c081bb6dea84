"""Coordinates that the field stored, from the raw table to field.csv and the page."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.endtoend.jobs import ROOT, Output, copy_sample, reconcile

Place = list[float]
Storing = Callable[[str, str, Place], Place]  # setup, point, place -> what was stored
TURN = 60.0 / 3600.0  # degrees

TRUTH = json.loads((ROOT / "tests/simulate/sample_truth.json").read_text(encoding="utf-8"))


def store(job: Path, stored: Storing, staked: dict[str, str] | None = None) -> Path:
    """Let every row of the clean yard store coordinates, with notes by point."""
    rng = np.random.default_rng(3)
    for file in sorted((job / "raw").glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        for row in rows:
            truth = TRUTH["fire_station"]["points"][row["point"]]
            seen = (np.array(truth) + rng.normal(0.0, 3e-4, 3)).tolist()
            cells = [f"{value:.4f}" for value in stored(row["setup"], row["point"], seen)]
            names = ("field_northing", "field_easting", "field_elevation")
            row |= dict(zip(names, cells, strict=True))
            row["note"] = (staked or {}).get(row["point"], "")
        with file.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return job


def two_mistakes(setup: str, point: str, place: Place) -> Place:
    """S3 stood 12 mm too far north; S4 had its backsight 60 seconds wrong; 105 was averaged."""
    north, east, up = place
    if setup == "S3":
        north += 0.012
    if setup == "S4":
        n, e, _ = TRUTH["fire_station"]["setups"]["S4"]["axis"]
        turned = complex(north - n, east - e) * complex(
            math.cos(math.radians(TURN)), math.sin(math.radians(TURN))
        )
        north, east = n + turned.real, e + turned.imag
    if point == "105":
        east += 0.030
    return [north, east, up]


def as_it_is(_setup: str, _point: str, place: Place) -> Place:
    """Store what was measured."""
    return place


@pytest.fixture
def clean(tmp_path: Path) -> Path:
    """Return a copy of the clean yard."""
    return copy_sample("fire_station_clean", tmp_path)


def test_a_bad_frame_is_one_cause(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """Shift and turn come back by setup, the stray point by name; the solution is untouched."""
    before = reconcile(capsys, clean, clean / "before")
    staked = {"412": "staked", "413": "stake-out", "414": "set out by S4", "415": "a mistake"}
    run = reconcile(capsys, store(clean, two_mistakes, staked))
    assert run.table("coordinates") == before.table("coordinates")
    assert run.status == before.status == 0
    setups = run.by("field_setups", "setup")
    assert [setups[s]["verdict"] for s in setups] == ["same", "same", "moved", "moved", "same"]
    assert float(setups["S3"]["d_northing"]) == pytest.approx(0.012, abs=0.0015)  # m
    assert float(setups["S4"]["turn"]) == pytest.approx(60.0, abs=4.0)  # arc seconds
    assert setups["S1"]["says"] == "S1 stored 1 of 69 points elsewhere: 105"
    assert setups["S3"]["says"].startswith("S3 stored its points 12.")
    assert (
        "mm north of where they are; 65 points, no row says stake-out, first CP6 09:26"
        in (setups["S3"]["says"])
    )
    assert "clockwise about the instrument" in setups["S4"]["says"]
    assert setups["S4"]["says"].endswith("3 stake-outs from it, first 412 12:44")
    severity = {f["setup"]: f["severity"] for f in run.findings if f["kind"] == "field-frame"}
    assert severity == {"S3": "note", "S4": "check"}  # something was staked out from S4


def test_rows_are_field_minus_reconciled(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """Differences by hand from the raw cells and coordinates.csv, to the rounding of both."""
    run = reconcile(capsys, store(clean, two_mistakes))
    rows = run.table("field")
    places = run.by("coordinates", "point")
    raw: dict[tuple[str, str], dict[str, str]] = {}
    for file in sorted((clean / "raw").glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as stream:
            for line, row in enumerate(csv.DictReader(stream), start=2):
                raw[f"raw/{file.name}", str(line)] = row
    assert len(rows) == len(raw)
    for row in rows:
        cells, place = raw[row["file"], row["line"]], places[row["point"]]
        for name in ("northing", "easting", "elevation"):
            by_hand = float(cells[f"field_{name}"]) - float(place[name])
            assert float(row[f"d_{name}"]) == pytest.approx(by_hand, abs=6e-5)  # m
            own, known = (float(t[f"sd_{name}"] or 0.0) for t in (row, place))
            assert own - 2e-5 <= known <= 1.25 * own + 2e-5  # wider for few checks
        plan = math.hypot(float(row["d_northing"]), float(row["d_easting"]))
        assert float(row["d_horizontal"]) == pytest.approx(plan, abs=1e-5)
    assert {row["cause"] for row in rows if row["verdict"] == "moved"} == {
        "with its setup",
        "on its own",
    }
    own = {row["point"] for row in rows if row["cause"] == "on its own"}
    assert own == {"105"}


def test_stored_coordinates_that_fit_say_so(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """No finding, every setup where its points are, nothing surely moved."""
    run = reconcile(capsys, store(clean, as_it_is))
    assert {row["verdict"] for row in run.table("field_setups")} == {"same"}
    assert not [f for f in run.findings if f["kind"] == "field-frame"]
    moved = [row for row in run.table("field") if row["verdict"] == "moved"]
    # 391 rows at their limit at most would be called moved in 5 %; true ones lie well within.
    assert len(moved) <= 2


def test_a_typed_elevation_is_told_once(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """A typed elevation is the finding hand-typed; field.csv shows it as moved on its own."""

    def typed(_setup: str, point: str, place: Place) -> Place:
        return [*place[:2], 112.0 if point in ("105", "106") else place[2]]

    run = reconcile(capsys, store(clean, typed))
    assert run.finding("hand-typed")["points"] == ["105", "106"]
    assert not [f for f in run.findings if f["kind"] == "field-frame"]
    rows = [row for row in run.table("field") if row["cause"] == "on its own"]
    assert {row["point"] for row in rows} == {"105", "106"}


def test_a_single_stored_point_far_off_is_a_finding(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """S1 stored 105 30 mm east and 106 80 mm low: each named once, with rows and size.

    Without a row that says stake-out it is worth knowing; set out, a person must look.
    """

    def two_off(setup: str, point: str, place: Place) -> Place:
        north, east, up = place
        if setup == "S1":
            east += 0.030 if point == "105" else 0.0
            up -= 0.0801 if point == "106" else 0.0
        return [north, east, up]

    run = reconcile(capsys, store(clean, two_off), clean / "before")
    stored, typed = run.finding("stored-point"), run.finding("hand-typed")
    rows = {row["point"]: row for row in run.table("field") if row["cause"] == "on its own"}
    assert (stored["setup"], stored["points"], stored["severity"]) == ("S1", ["105"], "note")
    assert (typed["setup"], typed["points"], typed["severity"]) == ("S1", ["106"], "check")
    for finding, point in ((stored, "105"), (typed, "106")):
        assert finding["lines"] == [f"{rows[point]['file']}:{rows[point]['line']}"]
    assert stored["size"] == pytest.approx(0.030, abs=0.003)  # m, the reading's own scatter
    assert typed["size"] == pytest.approx(-0.0801, abs=0.003)
    assert stored["says"].startswith("S1 stored 105 off the reconciled place, on its own: ")
    assert " east (limit" in stored["says"]
    assert stored["says"].count("(limit") == 1  # its height is where it is
    out = reconcile(capsys, store(clean, two_off, {"105": "staked"}), clean / "after")
    assert out.finding("stored-point")["severity"] == "check"
    assert "set out as 105" in out.finding("stored-point")["cure"]


def test_a_wrong_pole_height_is_no_typed_elevation(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """The field stored what its wrong pole height gave: nobody typed that elevation."""

    def low_pole(setup: str, point: str, place: Place) -> Place:
        return [*place[:2], place[2] + 0.2 if (setup, point) == ("S2", "T5") else place[2]]

    job = store(clean, low_pole)
    for file in sorted((job / "raw").glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        for row in rows:
            if (row["setup"], row["point"]) == ("S2", "T5"):
                row["target_height"] = f"{float(row['target_height']) - 0.2:.3f}"
        with file.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    run = reconcile(capsys, job)
    assert run.finding("target-height")["points"] == ["T5"]
    assert run.finding("stored-point")["points"] == ["T5"]
    assert not [f for f in run.findings if f["kind"] == "hand-typed"]


def test_the_page_shows_what_moved(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """The surveyor reads the sentence of each setup and the stored points that moved."""
    run = reconcile(capsys, store(clean, two_mistakes))
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Coordinates stored in the field" in page
    for row in run.table("field_setups"):
        assert row["says"] in page
    assert "Stored points that are surely elsewhere" in page


def test_without_stored_coordinates_there_is_nothing(clean: Path, clean_yard: Output) -> None:
    """No files, no panel, empty frames with their columns."""
    run = clean_yard
    assert not (run.folder / "field.csv").exists()
    assert not (run.folder / "field_setups.csv").exists()
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "stored in the field" not in page
    result = tieup.reconcile(clean)
    assert result.field.empty
    assert "cause" in result.field.columns
    assert result.field_setups.empty
