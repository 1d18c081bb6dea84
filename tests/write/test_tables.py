"""CSV of a table: decimals, empty cells, text that survives, column order, speed."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.write.sample import NAN, make_site
from tieup.model.reconciliation import Table
from tieup.write.columns import COORDINATES, OBSERVATIONS
from tieup.write.tables import coordinates_text, csv_text, observations_text

COLUMNS = {"point": "text", "northing": "coordinate", "sd_northing": "spread"}


def parsed(text: str) -> list[list[str]]:
    """Read CSV back with the reader of the standard library (RFC 4180)."""
    return list(csv.reader(io.StringIO(text, newline="")))


def test_coordinates_keep_four_decimals_and_undefined_is_empty(tmp_path: Path) -> None:
    """A coordinate has 4 decimals, an undefined one an empty cell, never 0 (contract 5)."""
    header, first, second = parsed(coordinates_text(make_site(tmp_path)))
    row = dict(zip(header, first, strict=True))
    assert row["northing"] == "1234.5678"
    assert row["elevation"] == ""
    assert row["sd_northing"] == "0.00043"
    assert row["easting"] == "0.0000"  # not -0.0000
    assert dict(zip(header, second, strict=True))["code"] == "lid, 600"


def test_readings_have_the_decimals_of_their_kind(tmp_path: Path) -> None:
    """One column holds angles with 6 decimals of a degree and distances with 4 of a metre."""
    header, angle, distance = parsed(observations_text(make_site(tmp_path)))
    column = header.index("observed")
    assert (angle[column], distance[column]) == ("12.345679", "48.3125")
    assert distance[header.index("adjusted")] == ""
    assert angle[header.index("line")] == "2"


def test_angles_given_as_text_stay_text() -> None:
    """In a dms job the angles come as text and leave as they are."""
    table: Table = {"kind": ["zenith"], "observed": np.array(["89-58-12.4"], dtype=object)}
    assert csv_text(table, {"observed": "reading"}, "dms") == "observed,kind\n89-58-12.4,zenith\n"


def test_contract_columns_come_first_and_others_follow() -> None:
    """The order of the columns is the contract's, whatever order the table has."""
    table: Table = {"extra": [1], "sd_northing": [0.1], "northing": [1.0], "point": ["A"]}
    assert csv_text(table, COLUMNS, "deg").splitlines()[0] == "point,northing,sd_northing,extra"
    assert list(COORDINATES)[:4] == ["point", "northing", "easting", "elevation"]


def test_a_missing_column_is_refused() -> None:
    """A table without a column of the contract is never written."""
    with pytest.raises(ValueError, match="lacks the columns sd_northing"):
        csv_text({"point": ["A"], "northing": [1.0]}, COLUMNS, "deg")


def test_columns_of_different_length_are_refused() -> None:
    """A short column would shift nothing in silence."""
    with pytest.raises(ValueError, match="different lengths"):
        csv_text({"point": ["A"], "northing": [1.0, 2.0], "sd_northing": [0.1]}, COLUMNS, "deg")


def test_a_table_without_rows_is_its_header() -> None:
    """A site without ties still has a ties.csv with its header."""
    assert csv_text({name: [] for name in OBSERVATIONS}, OBSERVATIONS, "gon") == (
        ",".join(OBSERVATIONS) + "\n"
    )


@pytest.mark.parametrize("name", ["=1+1", "+3", "-12", "@A", "007", "'x", "S 1", "Größe", "％d %s"])
def test_names_leave_as_they_came(name: str) -> None:
    """A point name is data: formula-like starts, zeros and signs stay, unquoted."""
    assert csv_text({"point": [name]}, {"point": "text"}, "deg") == f"point\n{name}\n"


def test_a_cell_that_would_read_as_a_comment_is_quoted() -> None:
    """A name starting with # survives readers that drop comment lines."""
    text = csv_text({"point": ["#1", "2"], "code": ["a", "b"]}, {"point": "text"}, "deg")
    assert text == 'point,code\n"#1",a\n2,b\n'


@given(
    st.lists(
        st.tuples(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
            st.one_of(st.floats(-1e7, 1e7), st.just(NAN)),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_every_cell_reads_back(rows: list[tuple[str, float]]) -> None:
    """Any text and any number read back through the standard library's csv module."""
    table: Table = {"point": [text for text, _ in rows], "northing": [value for _, value in rows]}
    _, *back = parsed(csv_text(table, {"point": "text", "northing": "coordinate"}, "deg"))
    for (text, value), (cell, number) in zip(rows, back, strict=True):
        assert cell == text
        assert number == "" if value != value else abs(float(number) - value) < 0.5001e-4  # m


def test_time_grows_linearly_and_200_000_points_take_about_a_second() -> None:
    """A city of 200,000 points is written column by column, not cell by cell.

    The limit is three times what the target machine needs, to hold on a busy one; the
    standard library's csv module with one f-string for each number takes longer.
    """
    count = 200_000
    numbers = np.random.default_rng(1).uniform(0, 6000, count)
    table = {
        name: np.full(count, "lid", dtype=object) if kind == "text" else numbers
        for name, kind in COORDINATES.items()
    }
    began = time.perf_counter()
    text = csv_text(table, COORDINATES, "deg")
    elapsed = time.perf_counter() - began
    assert text.count("\n") == count + 1
    assert elapsed < 20.0  # s; a stop for cost that explodes


def test_numbers_too_large_for_the_quick_way_are_printed_all_the_same() -> None:
    """A mark thrown far away by a blunder is shown where it was thrown, not cut off."""
    table: Table = {"point": ["A", "B"], "northing": [-2.5e15, NAN], "easting": [1.0, 2.0]}
    columns = {"point": "text", "northing": "coordinate", "easting": "coordinate"}
    assert csv_text(table, columns, "deg").splitlines()[1:] == [
        "A,-2500000000000000.0000,1.0000",
        "B,,2.0000",
    ]
