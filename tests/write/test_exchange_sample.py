"""The files of the clean sample job, from the command line, against its raw rows and results."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tieup import cli

DOCK = Path(__file__).parents[2] / "sample_raw" / "two_setups"
SAMPLE = Path(__file__).parents[2] / "sample_raw" / "fire_station_clean"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Reconcile the sample once, with the text and the GeoJSON beside the results."""
    job = tmp_path_factory.mktemp("job") / "site"
    shutil.copytree(SAMPLE, job, ignore=shutil.ignore_patterns("out"))
    call = ["reconcile", str(job), "--also", "pnezd", "--also", "geojson", "--quiet"]
    assert cli.outcome(call) == 0
    yield job / "out"


def features(out: Path, kind: str) -> list[dict[str, Any]]:
    """Return the GeoJSON features of one kind of geometry."""
    document = json.loads((out / "site.geojson").read_text(encoding="utf-8"))
    return [f for f in document["features"] if f["geometry"]["type"] == kind]


def raw_runs() -> dict[tuple[str, str], list[str]]:
    """Return the points of each string and setup in the order of the raw rows, read by csv."""
    runs: dict[tuple[str, str], list[str]] = {}
    for path in sorted((SAMPLE / "raw").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as lines:
            for row in csv.DictReader(line for line in lines if not line.startswith("#")):
                if row["string"]:
                    runs.setdefault((row["string"], row["setup"]), []).append(row["point"])
    return runs


def test_points_are_those_of_coordinates_csv(out: Path) -> None:
    """points.txt has every row of coordinates.csv that is ground and has a place, cell by cell.

    The free setups S1, S3 and S5 are not in it: they stand at the height of the instrument.
    """
    columns = ("point", "northing", "easting", "elevation", "code")
    with (out / "coordinates.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    aloft = [row for row in rows if row["role"] == "station" and row["setups"] == row["point"]]
    assert [row["point"] for row in aloft] == ["S1", "S3", "S5"]
    truth = [[row[name] for name in columns] for row in rows if row not in aloft]
    with (out / "points.txt").open(encoding="utf-8", newline="") as lines:
        found = list(csv.reader(line for line in lines if not line.startswith("#")))
    assert found == [row for row in truth if row[1]]
    assert len(found) > 200


def test_every_run_of_a_string_is_drawn_as_it_was_shot(out: Path) -> None:
    """Each setup's points of a string stand one after the other in one line, and nothing else is.

    But for the trench drain, whose two runs share no point and are joined at their nearest ends,
    and the derived collar of the sump. A line is told by its coordinates: those of its points
    in the same file.
    """
    named = {
        tuple(f["geometry"]["coordinates"]): f["properties"]["point"]
        for f in features(out, "Point")
    }
    lines = [
        (f["properties"]["string"], [named[tuple(xyz)] for xyz in f["geometry"]["coordinates"]])
        for f in features(out, "LineString")
    ]
    runs = raw_runs()
    assert len(runs) > 10
    drawn = {(string, step) for string, line in lines for step in pairwise(line)}
    shot = {(string, step) for (string, _), run in runs.items() for step in pairwise(run)}
    turned = {(string, step[::-1]) for string, step in shot}
    joined = {("TRENCH", ("127", "214"))}
    collar = {("SUMP-W", (f"SUMP-W-{i}", f"SUMP-W-{i + 1}")) for i in range(1, 7)}
    assert drawn - shot - turned == joined | collar
    assert shot <= drawn | {(string, step[::-1]) for string, step in drawn}
    assert {string for string, _ in lines} == {string for string, _ in runs} | {"SUMP-W"}


def test_the_run_says_how_many_unchecked_points_leave(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The dock: 26 points without the two free setups; with --proof only the proved ones.

    All 20 side shots are unchecked; whether a mark is too, coordinates.csv says.
    """
    job = tmp_path / "dock"
    shutil.copytree(DOCK, job, ignore=shutil.ignore_patterns("out"))
    assert cli.outcome(["reconcile", str(job), "--also", "pnezd"]) == 0
    screen = " ".join(capsys.readouterr().out.split())
    with (job / "out" / "coordinates.csv").open(encoding="utf-8", newline="") as lines:
        proof = {row["point"]: row["proof"] for row in csv.DictReader(lines)}
    ground = [word for point, word in proof.items() if point not in {"S1", "S2"}]
    assert {proof[f"{n}{i:02}"] for n in (1, 2) for i in range(1, 11)} == {"unchecked"}
    bare = ground.count("unchecked")
    assert (len(ground), ground.count("held")) == (26, 4) and 20 <= bare <= 22
    said = (
        f"points.txt: 26 points, {bare} of them unchecked: a mistake beyond the limits could hide"
    )
    assert f"{said} in them. Left out: 2 free instruments." in screen
    options = ["--also", "pnezd", "--proof", "held", "--proof", "checked", "--json"]
    assert cli.outcome(["reconcile", str(job), *options]) == 0
    record = json.loads(capsys.readouterr().out)["exchange"]
    assert (record["points"], record["unchecked"]) == (26 - bare, 0)
    assert record["left_out"] == {"instrument": 2, "unasked": bare}
    points = (job / "out" / "points.txt").read_text().splitlines()
    assert len([line for line in points if not line.startswith("#")]) == 26 - bare


def test_a_point_whose_row_is_left_out_does_not_leave(tmp_path: Path) -> None:
    """A side shot that a decision excludes is in no file."""
    job = tmp_path / "dock"
    shutil.copytree(DOCK, job, ignore=shutil.ignore_patterns("out"))
    text = (job / "job.yaml").read_text()
    assert "\ndecisions:\n" in text
    entry = "decisions:\n  - {exclude: {setup: S1, point: '110'}, reason: pole slipped}"
    (job / "job.yaml").write_text(text.replace("\ndecisions:\n", f"\n{entry}\n"))
    cli.outcome(["reconcile", str(job), "--also", "pnezd", "--draft", "--quiet"])
    (path,) = (job / "out").glob("points*.txt")
    assert "\n110," not in path.read_text()
