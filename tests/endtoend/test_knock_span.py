"""What is shot between two looks at marks may be of either side of a knock, and that is said."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import tieup
from tests.endtoend.jobs import copy_sample, put, stops

SECONDS = 300.0


def _turned(job: Path, file: str, first: int, last: int | None = None) -> None:
    """Turn the circle by 300 seconds from one row of a raw file on, counted below the header."""
    lines = (job / file).read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("direction")
    for row in range(first, (last or len(lines) - 1) + 1):
        parts = [float(part) for part in lines[row].split(",")[place].split("-")]
        seconds = (3600 * parts[0] + 60 * parts[1] + parts[2] + SECONDS) % 1296000
        minutes, rest = divmod(round(seconds, 1), 60)
        put(
            job,
            file,
            "direction",
            f"{int(minutes // 60)}-{int(minutes % 60):02d}-{rest:04.1f}",
            [row],
        )


def _points(job: Path, file: str) -> list[str]:
    lines = (job / file).read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("point")
    return [line.split(",")[place] for line in lines]


def _stop(result: tieup.library.Result) -> Any:
    (found,) = stops(result)
    return SimpleNamespace(**found)


def _disputed(result: tieup.library.Result) -> set[str]:
    table = result.coordinates
    return set(table["point"][table["proof"] == "disputed"])


@pytest.mark.parametrize("knocked", [True, False])
def test_one_closing_look_cannot_tell_a_knock_from_a_wrong_pointing(
    tmp_path: Path, knocked: bool
) -> None:
    """The side shots since the last good look are disputed, with both places; none is stated."""
    job = copy_sample("two_setups", tmp_path)
    names = _points(job, "raw/s2.csv")
    closing, first = len(names) - 2, names.index("201")
    true = tieup.reconcile(job).coordinates.set_index("point")
    _turned(job, "raw/s2.csv", names.index("206") if knocked else closing)
    result = tieup.reconcile(job)
    stop = _stop(result)
    assert stop.kind == "direction" and "or S2 was knocked before 201 was shot" in stop.says
    assert "only where the pointing is known to be wrong" in stop.cure
    between = set(names[first:closing])
    assert _disputed(result) == between
    for point in between:
        right = true.loc[point, ["northing", "easting"]].to_numpy(dtype=float)
        places = [one for one in stop.places if one["point"] == point]
        told = np.array([[one["northing"], one["easting"]] for one in places])
        assert np.hypot(*(told - right).T).min() < 0.005  # ft


def test_shots_before_the_first_look_after_a_knock_are_of_either_side(tmp_path: Path) -> None:
    """A knock in the middle of side shots: those since the last good look are disputed."""
    job = copy_sample("fire_station_clean", tmp_path)
    names = _points(job, "raw/s3.csv")
    true = tieup.reconcile(job).coordinates.set_index("point")
    start = names.index("320")
    _turned(job, "raw/s3.csv", start)
    result = tieup.reconcile(job)
    stop = _stop(result)
    assert stop.kind == "instrument-moved" and "or S3 was knocked before" in stop.says
    disputed = _disputed(result)
    table = result.coordinates.set_index("point")
    for point in set(names[1:]) & set(table.index):
        away = table.loc[point, ["northing", "easting"]] - true.loc[point, ["northing", "easting"]]
        if np.hypot(*away.to_numpy(dtype=float)) > 0.01:  # m
            assert point in disputed
