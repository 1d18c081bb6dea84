"""Tables of any shape, read by naming their columns in job.yaml."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.at_hand import RTS, needs_rts
from tests.read.jobs import HEADER, labels_of, make_job, read_raw
from tieup.errors import ConfigError, InputError
from tieup.read import read_fieldbook

RTS_FILES = {
    "20220314_GCP.txt": (24, 8),
    "20220331-1_GCP.txt": (30, 10),
    "20220622-1_GCP_raw.txt": (45, 15),
}
RTS_JOB = """
skip_rows: 1
header: false
columns:
  setup: 1
  point: 2
  zenith: {column: 4, unit: rad}
  direction: {column: 5, unit: rad}
  distance: 6
  time: {column: 7, unit: epoch}
"""

TABLES = [
    # job.yaml, text, why
    (
        "delimiter: ;\ndecimal: ','",
        "setup;point;direction;zenith;distance\nS1;P1;100,5;90;12,25\n",
        "semicolons and decimal commas, own names",
    ),
    (
        "delimiter: tab",
        "setup\tpoint\tdirection\tzenith\tdistance\nS1\tP1\t100.5\t90\t12.25\n",
        "tabs",
    ),
    (
        'delimiter: "\\t"',
        "setup\tpoint\tdirection\tzenith\tdistance\nS1\tP1\t100.5\t90\t12.25\n",
        "a tab written as one",
    ),
    (
        "delimiter: whitespace",
        "  setup point  direction\tzenith distance \n S1\tP1 100.5   90 12.25  \n",
        "runs of blanks and tabs",
    ),
    ("delimiter: '|'", "setup|point|direction|zenith|distance\nS1|P1|100.5|90|12.25\n", "a bar"),
    (
        "columns: {setup: St, point: Pt, direction: Hz, zenith: V, distance: SD}",
        "SD,V,Hz,Pt,St\n12.25,90,100.5,P1,S1\n",
        "other names, another order",
    ),
    (
        "columns: {setup: st, point: pt, direction: hz, zenith: v, distance: sd}",
        "SD,V,Hz,Pt,St\n12.25,90,100.5,P1,S1\n",
        "capitals do not count",
    ),
    (
        "header: false\ncolumns: {setup: 1, point: 2, direction: 3, zenith: 4, distance: 5}",
        "S1,P1,100.5,90,12.25\n",
        "positions, no header",
    ),
    (
        "columns: {setup: 1, point: 2, direction: 3, zenith: 4, distance: 5}",
        "a,b,c,d,e\nS1,P1,100.5,90,12.25\n",
        "positions below a header",
    ),
    (
        "columns: {setup: {value: S1}, point: P, direction: {column: H, unit: rad}, zenith: "
        "{column: V, unit: dms}, distance: {column: D, unit: mm}}",
        "P,H,V,D\nP1,1.7540558982543013,90-00-00,12250\n",
        "a constant, and units of their own",
    ),
    (
        "skip_rows: 2\nencoding: cp1252",
        b'Stra\xdfe 5\n"unfinished\nsetup,point,direction,zenith,distance\nS1,P1,100.5,90,12.25\n',
        "two lines above the header, another encoding",
    ),
    (
        "encoding: utf-16",
        "setup,point,direction,zenith,distance\nS1,P1,100.5,90,12.25\n".encode("utf-16"),
        "UTF-16",
    ),
]


@pytest.mark.parametrize(("more", "content", "why"), TABLES)
def test_the_same_shot_written_in_many_ways(
    tmp_path: Path, more: str, content: str | bytes, why: str
) -> None:
    """However the table is written, the shot is the same."""
    book = read_raw(tmp_path, content, more=more)
    shots = book.shots
    assert (labels_of(book), book.points, book.unknown_columns) == (["S1"], ("P1",), {}), why
    found = [np.degrees(shots.direction[0]), np.degrees(shots.zenith[0]), shots.distance[0]]
    assert found == pytest.approx([100.5, 90.0, 12.25], abs=1e-9), why


def test_lines_are_counted_from_the_top_of_the_file(tmp_path: Path) -> None:
    """Skipped lines count, as in an editor."""
    text = f"x\ny\n\n# z\n{HEADER}\nS1,P1,1,90,12\n"
    assert read_raw(tmp_path, text, more="skip_rows: 2").shots.line.tolist() == [6]


def test_unmapped_columns_are_reported(tmp_path: Path) -> None:
    """What the mapping does not take is reported by name, or by place where there is none."""
    more = "columns: {setup: S, point: P, distance: D}"
    assert read_raw(tmp_path, "S,P,D,note\nS1,P1,2,x\n", more=more).unknown_columns == {
        "note": ("raw/a.csv",)
    }
    more = "header: false\ncolumns: {setup: 1, point: 2, distance: 4}"
    assert read_raw(tmp_path, "S1,P1,x,2\n", more=more).unknown_columns == {
        "column 3": ("raw/a.csv",)
    }


def test_a_point_among_decimal_commas_is_bad(tmp_path: Path) -> None:
    """1.234 under decimal: "," could be 1234: the row is invalid, not read as 1.234."""
    more = "delimiter: ;\ndecimal: ','"
    book = read_raw(tmp_path, "setup;point;distance\nS;P1;1,5\nS;P2;1.234\nS;P3;2\n", more=more)
    assert book.shots.distance.tolist() == [1.5, 2.0]
    assert book.invalid[0].reason == 'distance 1.234 has a point where decimal is ","'


def test_a_decimal_comma_where_none_is_stated_is_named(tmp_path: Path) -> None:
    """The message says what the cells look like."""
    with pytest.raises(InputError, match="its decimal sign is a comma"):
        read_raw(tmp_path, "setup;point;distance\nS;P1;1,5\n", more="delimiter: ;")


MISSING = [
    (
        "columns: {setup: S, point: Pnt, distance: D}",
        "S,Pt,D\nS1,P1,1\n",
        "Is it the one called Pt?",
    ),
    (
        "columns: {setup: 1, point: 2, distance: 9}",
        "S,P,D\nS1,P1,1\n",
        "columns.distance in job.yaml asks for column 9",
    ),
]


@pytest.mark.parametrize(("more", "text", "message"), MISSING)
def test_a_mapped_column_that_is_not_there_is_named(
    tmp_path: Path, more: str, text: str, message: str
) -> None:
    """A mapping to a column that a file does not have stops the run."""
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, text, more=more)
    assert message in str(caught.value)


IMPOSSIBLE = [
    ("columns: {setup: S, distance: D}", "columns has no point"),
    ("columns: {setup: S, point: P}", "columns has no observation"),
    ("columns: {setup: S, point: P, distance: D}\nheader: false", "State its position"),
    ("columns: {setup: S, point: P, distance: {unit: m}}", "needs either column or value"),
    ("columns: {setup: S, point: P, distance: {column: D, value: 1}}", "either column or value"),
    ("columns: {setup: S, point: P, distance: {column: D, unit: gon}}", "one of m, ft, ftUS, mm"),
    ("columns: {setup: S, point: P, note: {column: D, unit: m}}", "unit is not a key here"),
    ("columns: {setup: S, point: P, distance: 0}", "a whole number from 1"),
    ("columns: {setup: S, point: P, distnce: D}", "Did you mean distance?"),
    ("header: false", "Expected columns: with the position of each"),
    ("delimiter: ','\ndecimal: ','", "is the delimiter as well"),
    ("delimiter: ;;", "Expected one character, tab or whitespace"),
    ("delimiter: '\"'", "Expected one character, tab or whitespace"),
    ("encoding: base64", "which is not known"),
    ("skip_rows: -1", "a whole number from 0"),
]


@pytest.mark.parametrize(("more", "message"), IMPOSSIBLE)
def test_settings_that_do_not_fit_are_refused(tmp_path: Path, more: str, message: str) -> None:
    """What cannot be meant is an error of job.yaml, before any table is read."""
    with pytest.raises(ConfigError) as caught:
        make_job(tmp_path, {"a.csv": "S,P,D\nS1,P1,1\n"}, more=more)
    assert message in str(caught.value)


@needs_rts
@pytest.mark.parametrize("name", RTS_FILES)
def test_real_tables_of_three_instruments(tmp_path: Path, name: str) -> None:
    """A published table without header is read as it is; every number equals a plain split."""
    text = (RTS / name).read_text(encoding="utf-8")
    book = read_fieldbook(make_job(tmp_path, {name: text}, more=RTS_JOB, angle="dms"))
    rows = [[cell.strip() for cell in line.split(",")] for line in text.splitlines()[1:]]
    assert (len(book.shots), len(book.points)) == RTS_FILES[name]
    assert [s.label for s in book.setups] == ["1", "2", "3"]
    assert labels_of(book) == [row[0] for row in rows]
    assert [book.points[i] for i in book.shots.point] == [row[1] for row in rows]
    columns = (book.shots.zenith, book.shots.direction, book.shots.distance, book.shots.time)
    for place, values in enumerate(columns, 3):
        assert values.tolist() == [float(row[place]) for row in rows]
    assert book.shots.line.tolist() == list(range(2, len(rows) + 2))
    assert set(book.unknown_columns) == {"column 3", "column 8"}
