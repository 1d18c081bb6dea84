"""The sample jobs are the ones the script writes, and their mistakes are the ones listed."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from tests import make_sample
from tests.simulate import by_hand, simulate
from tests.simulate.referee import judge
from tests.simulate.yards import CORNER, HOUSE, fire_station
from tieup.model.settings import Precision

SAMPLE, TRUTH = make_sample.SAMPLE, make_sample.TRUTH
JOBS = ("fire_station", "fire_station_clean", "two_setups")


def files(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a folder, what a run wrote to out/ left out."""
    found = (p for p in folder.rglob("*") if p.is_file())
    names = {p.relative_to(folder).as_posix(): p for p in found}
    return {name: p.read_bytes() for name, p in names.items() if "/out/" not in f"/{name}"}


def truth() -> dict[str, Any]:
    data: dict[str, Any] = json.loads(TRUTH.read_text(encoding="utf-8"))
    data["fire_station_clean"] = data["fire_station"]
    return data


def test_committed_files_equal_a_fresh_run(tmp_path: Path) -> None:
    """Byte for byte, with no file more or less; the truth file too."""
    make_sample.make(tmp_path / "sample", tmp_path / "truth.json")
    assert files(SAMPLE) == files(tmp_path / "sample")
    assert TRUTH.read_bytes() == (tmp_path / "truth.json").read_bytes()


@pytest.mark.parametrize("job", ["fire_station_clean", "two_setups"])
def test_every_row_of_a_clean_job_is_within_its_noise_of_the_truth(job: str) -> None:
    """Each row places its point within 5 mm + 4 sd of angles (3 mm at 100 m) of the truth."""
    unit = "ft" if job == "two_setups" else "m"
    right = truth()[job]
    for row in by_hand.rows(SAMPLE / job):
        setup = right["setups"][row["setup"]]
        zero = math.radians(setup["orientation"])
        found = by_hand.place(row, setup["axis"], zero, length_unit=unit)
        assert math.dist(found, right["points"][row["point"]]) < 0.008  # m


def test_the_mistaken_copy_differs_in_the_listed_rows_alone() -> None:
    """Rows of the two copies are equal but for the planted ones."""
    planted = truth()["planted"]["fire_station"]
    named = {line for entry in planted for line in entry["lines"]}
    clean = {tuple(v for k, v in row.items() if k != "at") for row in
             by_hand.rows(SAMPLE / "fire_station_clean")}  # fmt: skip
    copied = {entry["lines"][0] for entry in planted if entry["kind"] == "repeated-row"}
    strange = {
        row["at"]
        for row in by_hand.rows(SAMPLE / "fire_station")
        if tuple(v for k, v in row.items() if k != "at") not in clean
    }
    assert strange == named - copied
    assert len(copied) == 1
    control = [(SAMPLE / job / "control.csv").read_bytes() for job in JOBS[:2]]
    assert control[0] == control[1]


def test_planted_sizes_are_in_the_files() -> None:
    """Pole 0.100 m, kick 18 mm, names swapped, one copy, one row with 72 minutes."""
    right, data = truth()["fire_station"], truth()["planted"]["fire_station"]
    rows = {row["at"]: row for row in by_hand.rows(SAMPLE / "fire_station")}
    planted = {entry["kind"]: entry for entry in data}
    assert len(planted) == len(data) == 5

    def off(at: str, point: str) -> tuple[float, ...]:
        setup = right["setups"][rows[at]["setup"]]
        zero = math.radians(setup["orientation"])
        found = by_hand.place(rows[at], setup["axis"], zero)
        return tuple(a - b for a, b in zip(found, right["points"][point], strict=True))

    for at in planted["target-height"]["lines"]:
        assert off(at, "CP5") == pytest.approx((0.0, 0.0, 0.100), abs=0.005)  # m
    for at in planted["mark-moved"]["lines"]:
        assert off(at, "CP8") == pytest.approx((0.014, -0.011, -0.004), abs=0.005)  # m
    for at in planted["swapped-names"]["lines"]:
        other = {"T5": "T6", "T6": "T5"}[rows[at]["point"]]
        assert math.hypot(*off(at, other)) < 0.005  # m
    (copy,) = planted["repeated-row"]["lines"]
    cells = [{k: v for k, v in row.items() if k != "at"} for row in rows.values()]
    assert cells.count({k: v for k, v in rows[copy].items() if k != "at"}) == 2
    (bad,) = planted["invalid"]["lines"]
    assert rows[bad]["zenith"] == "91-72-10.4"


def test_readme_lists_the_planted_mistakes() -> None:
    """Every planted mistake has its row, with kind, points and lines."""
    readme = (SAMPLE / "README.md").read_text(encoding="utf-8")
    for entry in truth()["planted"]["fire_station"]:
        row = next(line for line in readme.splitlines() if line.startswith(f"| {entry['kind']} |"))
        assert all(f"`{line}`" in row for line in entry["lines"])
        assert " ".join(entry["points"]) in row


def test_clean_jobs_fit_their_stated_precision_and_the_mistaken_one_does_not() -> None:
    """The judge's sum of squares lies within the 95 % bounds of chi-square, or far beyond.

    Without the planted rows the mistaken job fits too: nothing else is wrong with it.
    """
    surveys = make_sample.surveys()
    lines = [line for p in surveys["fire_station"].planted for line in p.lines]
    for verdict in (
        judge(surveys["fire_station_clean"]),
        judge(surveys["two_setups"]),
        judge(surveys["fire_station"], without=lines),
    ):
        assert 0.025 < chi2.cdf(verdict.squares, verdict.freedom) < 0.975
    assert judge(surveys["fire_station"]).factor > 1000.0


@pytest.mark.parametrize("kind", ["target-height", "swapped-names", "mark-moved"])
def test_each_planted_mistake_alone_breaks_the_fit(kind: str) -> None:
    """With the other planted rows left out, the one mistake still spoils the adjustment."""
    survey = make_sample.surveys()["fire_station"]
    others = [line for p in survey.planted if p.kind != kind for line in p.lines]
    verdict = judge(survey, without=others)
    assert chi2.sf(verdict.squares, verdict.freedom) < 1e-6


def test_every_sight_of_the_yard_clears_the_engine_house() -> None:
    """And none is shorter than 4 m or longer than 95 m."""
    site = fire_station(np.random.default_rng(0))
    survey = simulate(site, Precision(), np.random.default_rng(0))
    reach = np.linalg.norm(survey.sightline, axis=1)
    assert reach.min() > 4.0  # m
    assert reach.max() < 95.0  # m
    for setup, mark in zip(survey.shots.setup, survey.aimed, strict=True):
        start = survey.truth.axis[setup, :2] - CORNER
        assert not HOUSE.hides(start, survey.truth.position[mark, :2] - CORNER)


def test_the_yard_falls_to_its_drains() -> None:
    """Pavement falls 1 to 2 % from the slab edge to the drain in front of it, on three sides."""
    places = {m.name: np.array([m.northing, m.easting, m.elevation])
              for m in fire_station(np.random.default_rng(0)).marks}  # fmt: skip
    rows = list(by_hand.rows(SAMPLE / "fire_station_clean"))
    for slab, drain in (("SLAB-S", "TRENCH"), ("SLAB-N", "VALLEY"), ("SLAB-W", "SUMP")):
        edges = [places[r["point"]] for r in rows if r["string"] == slab]
        lows = [places[r["point"]] for r in rows if r["string"] == drain]
        for low in lows:
            edge = min(edges, key=lambda p: float(np.hypot(*(p - low)[:2])))
            run = float(np.hypot(*(edge - low)[:2]))
            if run > 23.0:  # m: the drain runs on beyond the house
                continue
            fall = (edge[2] - 0.02 - low[2]) / run  # the slab stands 20 mm proud
            assert 0.010 < fall < 0.020
