"""One verdict: both screens, their JSON, run.json, the page and the exit status agree.

What each job must come to follows from its making: random errors of the size stated, a
geometry that proves or does not, a mistake or none.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.endtoend.jobs import copy_sample, only_measured, raw_cells, reconcile
from tests.simulate import random_site, simulate, write_job
from tests.simulate.mistakes import target_height
from tests.write.page_reading import read_page
from tieup import cli
from tieup.model.settings import Precision

WORDS = {
    "ties": ("THE SITE TIES", "THE BAYS TIE", "The bays tie."),
    "unproved": ("NOT PROVED YET", "NOT PROVED YET", "Not proved yet."),
    "fails": ("DOES NOT TIE YET", "DO NOT BUILD ON IT YET", "Do not build on it yet."),
}


def _clean(folder: Path) -> Path:
    return copy_sample("fire_station_clean", folder)


def _dock(folder: Path) -> Path:
    return copy_sample("two_setups", folder)


def _yard(folder: Path) -> Path:
    return copy_sample("fire_station", folder)


def _made(folder: Path, seed: int, ties: int, control: str, setups: int = 2) -> Path:
    rng = np.random.default_rng(seed)
    site = random_site(rng, setups=setups, ties=ties, control=control, side_shots=3)
    return write_job(folder / "job", simulate(site, Precision(), rng))


def _strong(folder: Path) -> Path:
    """Return a job of four free stations that share six marks each, four of them control."""
    return _made(folder, 0, 6, "held", setups=4)


def _two_marks(folder: Path) -> Path:
    return _made(folder, 5, 2, "held")


def _chain_of_two(folder: Path) -> Path:
    return _made(folder, 5, 2, "held", setups=3)


def _free(folder: Path) -> Path:
    return _made(folder, 5, 4, "none")


def _free_of_six(folder: Path) -> Path:
    """Return two setups without control that share marks enough to prove their joint."""
    return _made(folder, 5, 6, "none")


def _one_mark(folder: Path) -> Path:
    """Return two setups without control that share one mark."""
    job = _made(folder, 5, 4, "none")
    seen: dict[str, set[str]] = {}
    for _, row in raw_cells(job):
        seen.setdefault(row["point"], set()).add(row["setup"])
    shared = sorted(point for point, setups in seen.items() if len(setups) > 1)
    for path in (job / "raw").glob("*.csv"):
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        place = head.split(",").index("point")
        kept = [
            row
            for row in rows
            if not (row.startswith("S2,") and row.split(",")[place] in shared[1:])
        ]
        path.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    return job


def _coarse(folder: Path) -> Path:
    """Return the clean yard held to limits of 0.5 mm, which its gear cannot prove."""
    job = copy_sample("fire_station_clean", folder)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "tolerances: paving" in text
    tight = "tolerances: {horizontal: 0.0005, elevation: 0.0005}"
    path.write_text(text.replace("tolerances: paving", tight), encoding="utf-8")
    return job


def _one_setup(folder: Path) -> Path:
    job = _made(folder, 5, 4, "none")
    (job / "raw" / "s2.csv").unlink()
    return job


def _wrong_pole(folder: Path) -> Path:
    rng = np.random.default_rng(0)
    site = random_site(rng, setups=4, ties=6, control="held", side_shots=3)
    survey = simulate(site, Precision(), rng)
    mark = next(p for p in survey.points if p.startswith("CP") and len(survey.rows("S2", p)))
    spoiled = target_height(survey, survey.rows("S2", mark), 0.100)
    return write_job(folder / "job", spoiled)


JOBS: list[tuple[Callable[[Path], Path], str]] = [
    (_clean, "ties"),
    (_dock, "ties"),
    (_strong, "ties"),
    (_free_of_six, "ties"),
    (_two_marks, "unproved"),
    (_chain_of_two, "unproved"),
    (_free, "unproved"),
    (_coarse, "unproved"),
    (_one_setup, "unproved"),
    (_one_mark, "fails"),
    (_yard, "fails"),
    (_wrong_pole, "fails"),
]


@dataclass(frozen=True)
class Told:
    """What both commands say of a job that must come to ``word``, and their folders of files."""

    job: Path
    word: str
    statuses: tuple[int, int]
    reconciled: Any
    crew: Any
    folder: Path
    crew_folder: Path


@pytest.fixture(scope="module", params=JOBS, ids=[make.__name__[1:] for make, _ in JOBS])
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Told:
    """Return each job as `tieup reconcile` and `tieup ties` tell it."""
    make, word = request.param
    folder = tmp_path_factory.mktemp("told")
    job, out, crew_out = make(folder), folder / "results", folder / "crew"
    status, reconciled = _json("reconcile", job, out)
    other, crew = _json("ties", job, crew_out)
    return Told(job, word, (status, other), reconciled, crew, out, crew_out)


def _json(command: str, job: Path, out: Path) -> tuple[int, Any]:
    text, errors = StringIO(), StringIO()
    with redirect_stdout(text), redirect_stderr(errors):
        status = cli.outcome([command, str(job), "--out", str(out), "--json"])
    assert not errors.getvalue()
    return status, json.loads(text.getvalue())


def test_one_verdict_everywhere(told: Told) -> None:
    """Exit status, headline and record of both commands, run.json and page say the same."""
    word, reconciled, crew = told.word, told.reconciled, told.crew
    status = 0 if word == "ties" else 1
    run = json.loads((told.folder / "run.json").read_text(encoding="utf-8"))
    assert told.statuses == (status, status)
    for record in (reconciled, crew):
        assert (record["verdict"], record["status"], record["ties"]) == (word, status, not status)
    assert reconciled["reasons"] == crew["reasons"]
    assert (run["verdict"], run["status"]) == (word, status)
    whole, bays, page = WORDS[word]
    assert whole in reconciled["headline"] and bays in crew["headline"]
    text = (told.folder / "report.html").read_text(encoding="utf-8")
    assert page in read_page(text).one("h1").text


def test_what_does_not_tie_says_why(told: Told, capsys: pytest.CaptureFixture[str]) -> None:
    """Every headline but that of a site that ties has its first reason in it.

    A joint that ties has a number or a reason, and every thing to do begins with a capital.
    """
    record = told.crew
    assert bool(record["reasons"]) == (told.word != "ties")
    assert not record["reasons"] or record["reasons"][0] in record["headline"]
    assert all(thing[0].isupper() for thing in record["to_do"])
    capsys.readouterr()
    cli.outcome(["ties", str(told.job), "--width", "120"])
    rows = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    assert not [row for row in rows if row.split()[-3:] == ["-", "-", "ties"]]


def test_setups_have_one_verdict(told: Told) -> None:
    """setups.csv says of each setup what the crew lead's screen says, whatever the site is."""
    said = [(part["setup"], part["verdict"]) for part in told.crew["setups"]]
    rows = (told.crew_folder / "setups.csv").read_text(encoding="utf-8").splitlines()
    head = rows[0].split(",")
    places = head.index("setup"), head.index("verdict")
    assert said == [tuple(row.split(",")[place] for place in places) for row in rows[1:]]
    if told.word == "ties":
        assert {verdict for _, verdict in said} == {"ties"}


def test_what_is_left_to_check_stands_in_the_first_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A typed elevation 61 mm off: the bays tie, 1 to check on both screens, the crew levels it."""
    job = only_measured(copy_sample("fire_station_clean", tmp_path))
    entry = '  - {point: A, from: T7, elevation: 112.45, by: office, reason: "lid"}'
    path = job / "job.yaml"
    path.write_text(path.read_text(encoding="utf-8") + f"derived:\n{entry}\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == 0
    count = Counter(row["verdict"] for row in run.table("ties"))
    assert count.total() == 67 and not set(count) - {"ties", "untested"}
    untested = f", {count['untested']} untested" if count["untested"] else ""
    first = f"5 setups, {count['ties']} of 67 ties within the limits{untested}; 1 to check."
    assert f"THE SITE TIES. {first}" in " ".join(run.text.split())
    assert cli.outcome(["ties", str(job)]) == 0
    screen = " ".join(capsys.readouterr().out.split())
    assert f"THE BAYS TIE. {count['ties']} mark ties hold{untested}; 1 to check." in screen
    assert "level T7 again before anyone builds or digs to the typed value" in screen
