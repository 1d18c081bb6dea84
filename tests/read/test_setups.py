"""Setups are told apart: labels, files, levelled up again; copies are not new setups."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.read.jobs import HEADER, good_rows, labels_of, read_raw
from tieup.model.fieldbook import Fieldbook, Setup
from tieup.read.repeats import originals
from tieup.read.setup_separation import label_setups

OCCUPIED = "setup,station,instrument_height,instrument,point,direction"
GEAR = "instruments: {A: {}, B: {}}"


def occupied(tmp_path: Path, rows: str) -> Fieldbook:
    """Read rows of ``label,station,height,instrument`` with a point and direction each."""
    numbered = [f"{row},P{n},{n}" for n, row in enumerate(rows.split())]
    return read_raw(tmp_path, "\n".join([OCCUPIED, *numbered]) + "\n", more=GEAR)


LEVELLINGS = [
    # rows, label of each shot, (station, height, instrument) of each setup, why
    ("S1,CP1,1.5, S1,,, S1,,,", ["S1"] * 3, [("CP1", 1.5, "default")], "empty cells inherit"),
    ("S1,,, S1,CP1,1.5,A S1,,,", ["S1"] * 3, [("CP1", 1.5, "A")], "the first rows too"),
    (
        "S1,CP1,1.5, S1,,, S1,CP1,1.6, S1,,,",
        ["S1", "S1", "S1~2", "S1~2"],
        [("CP1", 1.5, "default"), ("CP1", 1.6, "default")],
        "another height: levelled up again, and empty cells go on with it",
    ),
    (
        "S1,CP1,1.5, S1,CP2,1.5,",
        ["S1", "S1~2"],
        [("CP1", 1.5, "default"), ("CP2", 1.5, "default")],
        "another mark",
    ),
    (
        "S1,CP1,1.5,A S1,CP1,1.5,B",
        ["S1", "S1~2"],
        [("CP1", 1.5, "A"), ("CP1", 1.5, "B")],
        "another instrument",
    ),
    (
        "S1,CP1,1.5, S1,CP1,1.500, S1,CP1,1.50,",
        ["S1"] * 3,
        [("CP1", 1.5, "default")],
        "the same number written in three ways",
    ),
    (
        "S1,CP1,1.5, S2,,, S1,,, S2,CP9,,",
        ["S1", "S2", "S1", "S2"],
        [("CP1", 1.5, "default"), ("CP9", np.nan, "default")],
        "labels inherit from themselves, rows may alternate; no height is NaN, not 0",
    ),
    ("S1,,1.5, S1,,0,", ["S1", "S1~2"], [("", 0, "default")] * 2, "free: the axis is the station"),
    ("S1,,, S1,,,", ["S1"] * 2, [("", 0, "default")], "free without any cell"),
]


@pytest.mark.parametrize(("rows", "labels", "setups", "why"), LEVELLINGS)
def test_setups_of_one_file(
    tmp_path: Path, rows: str, labels: list[str], setups: list[tuple[str, float, str]], why: str
) -> None:
    """One label is one setup for each station, height and instrument booked under it."""
    book = occupied(tmp_path, rows)
    assert labels_of(book) == labels, why
    assert [s.instrument_height for s in book.setups] == pytest.approx(
        [height for _, height, _ in setups], nan_ok=True, abs=1e-12
    )
    assert [(s.station, s.instrument) for s in book.setups] == [(s, i) for s, _, i in setups], why
    assert {s.name for s in book.setups} <= {"S1", "S2"}


def shots(label: str, first: int, count: int) -> str:
    """Return ``count`` rows of a setup that no other call repeats unless the numbers agree."""
    numbers = range(first, first + count)
    return "".join(f"{label},P{n},{n}.25,90.{n},12.{n}\n" for n in numbers)


def test_the_same_label_in_two_files_is_two_setups(tmp_path: Path) -> None:
    """S1 of two files becomes S1@file for both; a label of one file stays as it is."""
    raw: dict[str, str | bytes] = {
        "day1.csv": f"{HEADER}\n{shots('S1', 1, 2)}{shots('S2', 20, 1)}",
        "day2.csv": f"{HEADER}\n{shots('S1', 11, 2)}",
    }
    book = read_raw(tmp_path, raw)
    assert [s.label for s in book.setups] == ["S1@day1.csv", "S2", "S1@day2.csv"]
    assert [s.name for s in book.setups] == ["S1", "S2", "S1"]
    assert [s.file for s in book.setups] == ["raw/day1.csv", "raw/day1.csv", "raw/day2.csv"]
    assert not book.shots.repeated.any()


def test_files_of_one_name_are_told_apart_by_their_folder(tmp_path: Path) -> None:
    """The whole path stands in the label where the file's name is not enough."""
    raw: dict[str, str | bytes] = {
        "a/day.csv": f"{HEADER}\n{shots('S1', 1, 2)}",
        "b/day.csv": f"{HEADER}\n{shots('S1', 11, 2)}",
    }
    labels = [s.label for s in read_raw(tmp_path, raw).setups]
    assert labels == ["S1@raw/a/day.csv", "S1@raw/b/day.csv"]


def test_labels_never_coincide() -> None:
    """A raw label that looks like a made one does not take its place."""
    names = [("S1", "a.csv"), ("S1", "a.csv"), ("S1~2", "a.csv"), ("S2", "a.csv"), ("S2", "b.csv")]
    setups = [Setup("", name, file, "", 0.0, "default") for name, file in names]
    labels = [setup.label for setup in label_setups(setups)]
    assert labels == ["S1", "S1~2", "S1~2~2", "S2@a.csv", "S2@b.csv"]
    assert len(set(labels)) == len(labels)


def test_a_copied_file_is_repeated_and_no_new_setup(tmp_path: Path) -> None:
    """A file copied under another name repeats every row; the setups keep their labels."""
    text = f"# day 1\n{HEADER}\n{shots('S1', 1, 3)}{shots('S2', 11, 2)}"
    copy = f"{HEADER}\r\n" + text.split("\n", 2)[2].replace("\n", "\r\n")
    book = read_raw(tmp_path, {"a.csv": text, "copy.csv": copy})
    assert book.shots.repeated.tolist() == [False] * 5 + [True] * 5
    assert [s.label for s in book.setups] == ["S1", "S2"]
    assert labels_of(book) == ["S1", "S1", "S1", "S2", "S2"] * 2
    assert book.shots.file.tolist() == [0] * 5 + [1] * 5


def test_an_export_that_goes_on_continues_its_setup(tmp_path: Path) -> None:
    """The second export of a day holds the first one's rows and new ones of the same setup."""
    first = shots("S1", 1, 3)
    raw: dict[str, str | bytes] = {
        "1.csv": f"{HEADER}\n{first}",
        "2.csv": f"{HEADER}\n{first}{shots('S1', 11, 4)}",
    }
    book = read_raw(tmp_path, raw)
    assert [s.label for s in book.setups] == ["S1"]
    assert book.shots.repeated.tolist() == [False] * 3 + [True] * 3 + [False] * 4


def test_one_equal_row_does_not_make_two_setups_one(tmp_path: Path) -> None:
    """A chance agreement in one of many rows is a repeated row, and still two setups."""
    raw: dict[str, str | bytes] = {
        "1.csv": f"{HEADER}\n{shots('S1', 1, 5)}",
        "2.csv": f"{HEADER}\n{shots('S1', 1, 1)}{shots('S1', 11, 5)}",
    }
    book = read_raw(tmp_path, raw)
    assert [s.label for s in book.setups] == ["S1@1.csv", "S1@2.csv"]
    assert book.shots.repeated.sum() == 1


REPEATS = [
    # two rows for the header below, is the second a repeat, why
    ("S1,P1,1,90,12,a,", "S1,P1,1,90,12,a,", True, "equal in every cell"),
    ("S1,P1,1,90,12,a,", "S1,P1,1.000,90.0,12.00,a,", True, "equal once parsed"),
    ("S1,P1,0,90,12,a,", "S1,P1,360,90,12,a,", True, "the same reading of the circle"),
    ("S1,P1,1,90,12,a,", "S1,P1,1,90,12,b,", False, "another note"),
    ("S1,P1,1,90,12,a,", "S1,P1,1,90,12.001,a,", False, "another distance"),
    ("S1,P1,1,90,12,a,", "S1,p1,1,90,12,a,", False, "another point"),
    ("S1,P1,1,90,12,a,", "S2,P1,1,90,12,a,", False, "another setup"),
    ("S1,P1,1,90,12,a,", "S1,P1,1,90,,a,", False, "a component less"),
    ("S1,P1,,,,a,", "S1,P1,,,,a,", False, "nothing observed, nothing to repeat"),
    ("S1,P1,1,90,12,a,1", "S1,P1,1,90,12,a,2", True, "columns that are not known do not count"),
]


@pytest.mark.parametrize(("first", "second", "repeated", "why"), REPEATS)
def test_repeated_rows(tmp_path: Path, first: str, second: str, repeated: bool, why: str) -> None:
    """A row is repeated when all its parsed cells equal an earlier row's."""
    book = read_raw(tmp_path, f"{HEADER},note,number\n{first}\n{second}\n")
    assert book.shots.repeated.tolist() == [False, repeated], why


@given(
    st.lists(st.tuples(st.integers(0, 2), st.sampled_from([0.0, -0.0, 1.5, np.nan])), max_size=40),
    st.data(),
)
def test_originals_agree_with_a_plain_search(
    rows: list[tuple[int, float]], data: st.DataObject
) -> None:
    """The hashed search finds what comparing every pair finds; NaN equals NaN, 0 equals -0."""
    able = np.array([data.draw(st.booleans()) for _ in rows], dtype=bool)
    codes = np.array([code for code, _ in rows], dtype=np.int64)
    values = np.array([value for _, value in rows], dtype=np.float64)

    def equal(i: int, j: int) -> bool:
        both_missing = bool(np.isnan(values[i]) and np.isnan(values[j]))
        return codes[i] == codes[j] and (both_missing or values[i] == values[j])

    expected = [
        next((j for j in range(i) if able[i] and able[j] and equal(i, j)), i)
        for i in range(len(rows))
    ]
    assert originals([codes, values], able).tolist() == expected


def test_setup_without_a_readable_row_is_not_listed(tmp_path: Path) -> None:
    """A setup all of whose rows are invalid has no shots; its rows stand among the invalid."""
    book = read_raw(tmp_path, f"{HEADER}\n{good_rows(3)}S9,P9,x,90,12\n")
    assert [s.label for s in book.setups] == ["S1"]
    assert [(row.setup, row.point, row.line) for row in book.invalid] == [("S9", "P9", 5)]
