"""A whole job in another unit than it states: what is seen, what is said, what is not claimed."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.endtoend.jobs import Output, copy_sample, decide, reconcile
from tests.simulate import random_site, simulate
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.row_checks.unusual_values import height_findings
from tieup.model.settings import Precision

Capture = pytest.CaptureFixture[str]
FOOT = 0.3048  # m, by definition
LENGTHS = ("instrument_height", "distance", "target_height")
COORDINATES = ("northing", "easting", "elevation")


def scale_columns(path: Path, names: tuple[str, ...], factor: float) -> None:
    """Multiply columns of a table."""
    lines = path.read_text(encoding="utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    rows = list(csv.reader(lines[head:]))
    places = [rows[0].index(name) for name in names]
    for row in rows[1:]:
        for place in places:
            row[place] = f"{float(row[place]) * factor:.6f}" if row[place] else ""
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def job_of(folder: Path, *, raw: float = 1.0, control: float = 1.0, unit: str = "m") -> Path:
    """Return the clean yard (in metres) with its numbers scaled and another unit stated."""
    job = copy_sample("fire_station_clean", folder)
    for path in (job / "raw").glob("*.csv"):
        scale_columns(path, LENGTHS, raw)
    scale_columns(job / "control.csv", COORDINATES, control)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "length: m}" in text
    path.write_text(text.replace("length: m}", f"length: {unit}}}"), encoding="utf-8")
    return job


def units(run: Output) -> list[dict[str, object]]:
    """Return the findings about the unit of lengths."""
    return [finding for finding in run.findings if finding["kind"] == "distance-unit"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("raw", "control", "unit", "ratio"),
    [
        (1.0, 1 / FOOT, "ft", FOOT),  # control in feet, raw rows left in metres
        (1 / FOOT, 1.0, "m", 1 / FOOT),  # raw rows in feet, control in metres
        (1.0, FOOT, "m", 1 / FOOT),  # control turned the wrong way
    ],
)
def test_raw_rows_and_control_in_two_units(
    tmp_path: Path, capsys: Capture, raw: float, control: float, unit: str, ratio: float
) -> None:
    """A stop that gives the ratio; the list is not held and the site keeps its own shape."""
    run = reconcile(capsys, job_of(tmp_path, raw=raw, control=control, unit=unit))
    assert run.status == 1, run.errors
    found = next(finding for finding in units(run) if finding["severity"] == "stop")
    assert found["size"] == pytest.approx(ratio, rel=2e-3)
    assert found["action"] == "freed" and "control.csv" in str(found["says"])
    assert run.document("run")["datum"].startswith("free")
    if raw == 1.0:  # else the scatter is that of the gear times 3.28 as well
        assert len([f for f in run.findings if f["severity"] == "stop"]) == 1


def test_everything_in_metres_and_called_feet(tmp_path: Path, capsys: Capture) -> None:
    """Nothing contradicts it but the height of people: the site does not tie."""
    run = reconcile(capsys, job_of(tmp_path, unit="ft"))
    (found,) = units(run)
    assert found["severity"] == "stop" and run.status == 1
    assert "unusually low: are lengths in metres?" in str(found["says"])
    assert "Common practice, no source" in str(found["says"])


def test_everything_in_feet_and_called_metres(tmp_path: Path, capsys: Capture) -> None:
    """Poles and tripods of 5 m."""
    job = job_of(tmp_path, raw=1 / FOOT, control=1 / FOOT)
    (found,) = units(reconcile(capsys, job))
    assert found["severity"] == "stop" and "unusually high" in str(found["says"])


def test_the_sample_jobs_are_in_their_units(run: Output) -> None:
    """Nothing is said where nothing is wrong, in metres and in feet."""
    assert units(run) == []


@pytest.mark.slow
def test_coordinates_stored_in_the_field_tell_as_well(tmp_path: Path, capsys: Capture) -> None:
    """Without control: the field stored metres, the raw rows were exported in feet."""
    job = copy_sample("fire_station_clean", tmp_path)
    plain = reconcile(capsys, job, tmp_path / "plain")
    place = {row["point"]: row for row in plain.table("coordinates")}
    for path in (job / "raw").glob("*.csv"):
        scale_columns(path, LENGTHS, 1 / FOOT)
        rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        for row in rows:
            for name in COORDINATES:
                row[f"field_{name}"] = place[row["point"]][name]
        with path.open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    (job / "control.csv").unlink()
    text = (job / "job.yaml").read_text(encoding="utf-8")
    text = text.replace("datum: control", "datum: free")
    (job / "job.yaml").write_text(text, encoding="utf-8")
    run = reconcile(capsys, job)
    found = next(finding for finding in units(run) if finding["severity"] == "stop")
    assert "coordinates stored in the field" in str(found["says"])
    assert found["size"] == pytest.approx(1 / FOOT, rel=2e-3)


def test_clean_simulated_jobs_raise_no_doubt_about_heights() -> None:
    """Heights of 40 simulated jobs, in metres and read in feet: none is called strange."""
    for seed in range(40):
        rng = np.random.default_rng(seed)
        book = simulate(random_site(rng, setups=2 + seed % 4), Precision(), rng).fieldbook
        for unit in ("m", "ft"):
            assert list(height_findings(book, Phrases(unit))) == []


@pytest.mark.parametrize(
    ("unit", "factor", "told"),
    [("m", 1000.0, "millimetres"), ("m", 100.0, "centimetres"), ("ft", 12 / FOOT, "inches")],
)
def test_heights_alone_in_another_unit(
    tmp_path: Path, capsys: Capture, unit: str, factor: float, told: str
) -> None:
    """Heights booked in mm, cm or inches beside right distances."""
    job = job_of(tmp_path, raw=1.0 if unit == "m" else 1 / FOOT,
                 control=1.0 if unit == "m" else 1 / FOOT, unit=unit)  # fmt: skip
    for path in (job / "raw").glob("*.csv"):
        share = factor if unit == "m" else 12.0
        scale_columns(path, ("instrument_height", "target_height"), share)
    run = reconcile(capsys, job)
    if run.status != 2:  # else nothing could be solved, which is no silence either
        found = [f for f in units(run) if f"are lengths in {told}?" in str(f["says"])]
        assert [f["severity"] for f in found] == ["stop"]


def test_a_person_answers_that_the_heights_are_right(tmp_path: Path, capsys: Capture) -> None:
    """``keep`` with a reason makes the doubt a note; on a job without the doubt it is an error."""
    job = job_of(tmp_path / "a", unit="ft")
    (found,) = units(reconcile(capsys, job))
    decision = f'{{keep: {found["id"]}, reason: "short poles"}}'
    assert f"decisions: {{keep: {found['id']}, reason: ...}}" in str(found["cure"])
    run = reconcile(capsys, decide(job, decision))
    (kept,) = units(run)
    assert (kept["severity"], kept["action"]) == ("note", "kept")
    assert "Kept: short poles." in str(kept["says"])
    assert run.document("run")["decisions"][0]["finding"] == found["id"]
    other = decide(copy_sample("two_setups", tmp_path), decision)
    wrong = reconcile(capsys, other)
    assert wrong.status == 2 and "which this job does not have" in wrong.errors


@pytest.mark.parametrize(("constant", "severity"), [("-0.03", ["stop"]), ("-0.3", []), ("-30", [])])
def test_prism_constants_in_metres(
    tmp_path: Path, capsys: Capture, constant: str, severity: list[str]
) -> None:
    """A thousandth of what prisms have, under a heading of millimetres."""
    job = copy_sample("two_setups", tmp_path)
    for path in (job / "raw").glob("*.csv"):
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        lines = [f"{head},prism_constant", *(f"{row},{constant}" for row in rows)]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = reconcile(capsys, job)
    told = [f for f in units(run) if "Prism constants" in str(f["says"])]
    assert [f["severity"] for f in told] == severity
    assert not told or run.status == 1


def test_a_pole_that_nobody_carries(tmp_path: Path, capsys: Capture) -> None:
    """1000 in every height of one file: its free setup swallows it, and its side shots do not."""
    job = copy_sample("two_setups", tmp_path)
    path = job / "raw" / "s1.csv"
    text = path.read_text(encoding="utf-8")
    assert text.count(",5.000,") > 20
    path.write_text(text.replace(",5.000,", ",1000,"), encoding="utf-8")
    run = reconcile(capsys, job)
    found = [f for f in run.findings if f["kind"] == "target-height" and not f["decidable"]]
    assert [f["severity"] for f in found] == ["stop"] and run.status == 1
    assert "raw/s1.csv" in str(found[0]["says"]) and "1000.000 ft" in str(found[0]["says"])
