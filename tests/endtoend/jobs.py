"""Run jobs through the command line and read back what they wrote, with plain means.

Shares no code with the package: csv, json and `tests.simulate.by_hand`.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

import tieup
from tieup import cli

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_raw"
JOBS = ("fire_station", "fire_station_clean", "two_setups")
TABLES = ("coordinates.csv", "observations.csv", "setups.csv", "ties.csv")
FILES = (*TABLES, "columns.csv", "covariance.csv", "findings.json", "run.json", "report.html")
FATES = ("used", "unused", "excluded", "repeated", "invalid")

Row = dict[str, str]


@dataclass(frozen=True)
class Output:
    """What one run left: exit status, both streams, and its folder."""

    status: int
    text: str
    errors: str
    folder: Path

    def table(self, name: str) -> list[Row]:
        """Return the rows of a table by its name without ending."""
        path = self.folder / f"{name}.csv"
        with path.open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))

    def by(self, name: str, *keys: str) -> dict[Any, Row]:
        """Return the rows of a table by one key, or by a tuple of keys."""
        rows = self.table(name)
        values = [tuple(row[key] for key in keys) for row in rows]
        assert len(set(values)) == len(rows), f"{keys} are not unique in {name}"
        return dict(zip([v if len(keys) > 1 else v[0] for v in values], rows, strict=True))

    def document(self, name: str) -> Any:
        """Return findings.json or run.json."""
        return json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))

    @property
    def findings(self) -> list[dict[str, Any]]:
        """Return the findings."""
        found: list[dict[str, Any]] = self.document("findings")
        return found

    def finding(self, kind: str) -> dict[str, Any]:
        """Return the only finding of a kind."""
        (found,) = [finding for finding in self.findings if finding["kind"] == kind]
        return found

    def place(self, point: str) -> tuple[float, float, float]:
        """Return N, E, H of a point, in the job's unit."""
        row = self.by("coordinates", "point")[point]
        north, east, up = (float(row[c]) for c in ("northing", "easting", "elevation"))
        return north, east, up


def copy_sample(name: str, folder: Path) -> Path:
    """Copy a sample job without what a run may have written into it."""
    return shutil.copytree(SAMPLE / name, folder / name, ignore=shutil.ignore_patterns("out"))


def reconcile(
    capsys: pytest.CaptureFixture[str], job: Path, out: Path | None = None, *options: str
) -> Output:
    """Run `tieup reconcile` on a job folder."""
    target = out or job / "out"
    capsys.readouterr()
    status = cli.outcome(["reconcile", str(job), "--out", str(target), *options])
    streams = capsys.readouterr()
    return Output(status, streams.out, streams.err, target)


def reconciled(job: Path, *options: str) -> Output:
    """Run `tieup reconcile` on a job folder where no test captures the streams: in a fixture."""
    text, errors = StringIO(), StringIO()
    with redirect_stdout(text), redirect_stderr(errors):
        status = cli.outcome(["reconcile", str(job), *options])
    return Output(status, text.getvalue(), errors.getvalue(), job / "out")


def decide(job: Path, *entries: str) -> Path:
    """Write entries under ``decisions:`` of a job.yaml that has none."""
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert text.count("\ndecisions:\n") == 1
    lines = "\n".join(f"  - {entry}" for entry in entries)
    path.write_text(text.replace("\ndecisions:\n", f"\ndecisions:\n{lines}\n"), encoding="utf-8")
    return job


def only_measured(job: Path) -> Path:
    """Take out of job.yaml what is worked out of the marks: it asks for all of them."""
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.split("\nderived:")[0] + "\n", encoding="utf-8")
    return job


def files_below(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file below a folder by its relative name."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found}


def raw_cells(job: Path) -> Iterator[tuple[str, Row]]:
    """Yield every raw row as "file:line" and its cells."""
    for path in sorted((job / "raw").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            for line, row in enumerate(csv.DictReader(stream), start=2):
                yield f"raw/{path.name}:{line}", row


def put(job: Path, file: str, column: str, text: str, rows: list[int]) -> None:
    """Put a text into a column of some rows, counted from 1 below the header."""
    path = job / file
    lines = path.read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index(column)
    for row in rows:
        cells = lines[row].split(",")
        if place < len(cells):
            cells[place] = text
        lines[row] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def stops(result: tieup.library.Result) -> list[dict[str, object]]:
    """Return the findings of a result that stop it."""
    return [f for f in result.findings if f["severity"] == "stop"]
