"""The fuzzer finds what it is to find, and a few of its cases run with every test."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import pytest

from tests.bench import fuzz
from tests.bench.fuzz_jobs import JOBS, make_jobs
from tieup import cli, pipeline

CASES = range(500, 512)


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the jobs that are spoiled."""
    folder = tmp_path_factory.mktemp("fuzz")
    make_jobs(folder)
    return folder


@pytest.mark.parametrize("job", JOBS)
def test_every_job_is_in_order_before_it_is_spoiled(job: str, jobs: Path) -> None:
    """Each is read and solved; else only refusals would be tried."""
    verb = "plan" if job == "planned" else "reconcile"
    status, _, errors = fuzz.call([verb, str(jobs / job)])
    assert status in (0, 1), errors


@pytest.mark.parametrize("seed", CASES)
def test_a_spoiled_job_ends_in_a_result_or_in_words(seed: int, jobs: Path, tmp_path: Path) -> None:
    """A dozen cases; thousands are for the command."""
    run = fuzz.run_case(fuzz.case_of(seed, [*JOBS]), jobs, tmp_path / "case")
    assert not set(run.wrong) - {"moved"}, (run.done, run.wrong)


def whole_case() -> fuzz.Case:
    """Return a case without a mutation."""
    return fuzz.Case(0, "short", ("reconcile", "--quiet"), ())


@pytest.mark.parametrize("kind", ["fault", "traceback", "hang"])
def test_a_run_that_breaks_is_noticed(
    kind: str, jobs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error that nobody meant, one that no command turns into words, a loop without end."""

    def broken(*taken: object, **named: object) -> None:
        if kind == "fault":
            raise ZeroDivisionError
        if kind == "traceback":
            sys.exit("out")
        while True:
            pass

    monkeypatch.setattr(fuzz, "SLOW", 1.0)
    monkeypatch.setattr(pipeline, "run", broken)
    (told,) = fuzz.run_case(whole_case(), jobs, tmp_path / "case").wrong
    assert told.startswith(kind)


def test_results_that_do_not_add_up_are_noticed(
    jobs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A row lost, a figure that is none, a name twice, a status that is not the verdict's."""
    outcome = cli.outcome

    def spoiled(arguments: list[str]) -> int:
        outcome(arguments)
        out = Path(arguments[1]) / "out"
        record = json.loads((out / "run.json").read_text(encoding="utf-8"))
        record["counts"]["used"] -= 1
        record["raw_files"][0]["rows"] -= 1
        (out / "run.json").write_text(json.dumps(record), encoding="utf-8")
        with (out / "coordinates.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        rows[1][rows[0].index("sd_northing")] = "nan"
        rows.append(rows[-1])
        with (out / "coordinates.csv").open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows(rows)
        return 1

    monkeypatch.setattr(cli, "outcome", spoiled)
    assert set(fuzz.run_case(whole_case(), jobs, tmp_path / "case").wrong) == {
        "rows do not add up",
        "lines not accounted for",
        "no number in coordinates.csv",
        "a name twice",
        "status and verdict differ",
    }
