"""Rows stand on the lines a text editor shows, whatever stands between them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.read.jobs import HEADER, good_rows, lines_of, make_job, read_raw
from tieup.errors import InputError
from tieup.read import read_control, read_fieldbook
from tieup.read.form import TableFormat
from tieup.read.openable import file_hashes
from tieup.read.records import Records

LAYOUTS = [
    # text, line of P1, line of P2, why
    ("{h}\n{1}\n{2}\n", 2, 3, "plain"),
    ("{h}\n{1}\n{2}", 2, 3, "no end of line at the end"),
    ("# a comment\n\n{h}\n# again\n{1}\n\n\n{2}\n", 5, 8, "comments and blank lines"),
    ('  # indented, with a "quote\n{h}\n{1}\n# it\'s, "open\n{2}\n', 3, 5, "quotes in comments"),
    ("{h}\r\n{1}\r\n\r\n{2}\r\n", 2, 4, "CRLF"),
    ("{h}\r{1}\r{2}\r", 2, 3, "CR alone"),
    ("\ufeff{h}\n{1}\n{2}\n", 2, 3, "byte order mark"),
    ("\ufeff# comment\r\n{h}\r\n{1}\r\n{2}\r\n", 3, 4, "byte order mark, comment, CRLF"),
    ('{h},note\n{1},"two\nlines"\n{2},\n', 2, 4, "a line break in quotes"),
    ('{h},note\n{1},"a\r\n# no comment\r\n\r\nb"\r\n{2},\n', 2, 6, "the same with CRLF, #"),
    ('{h},note\n{1}, "a, b"\n{2},\n', 2, 3, "a blank before a quoted cell"),
    ("{h}\n,,,,\n{1}\n , , , , \n{2}\n", 3, 5, "rows of empty cells"),
    ("{h},,\n{1},,\n{2},,\n", 2, 3, "columns without a name and without cells"),
    ("{h}\n{1},,\n{2}\n", 2, 3, "spare commas at the end"),
    ("{h}\n{1}\n\x0c{2}\n", 2, 3, "a form feed is no line break"),
]


@pytest.mark.parametrize(("layout", "first", "second", "why"), LAYOUTS)
def test_line_numbers_are_those_of_an_editor(
    tmp_path: Path, layout: str, first: int, second: int, why: str
) -> None:
    """Two rows are read, each with its physical line, and nothing else counts as a row."""
    one, two = good_rows(2).split()
    text = layout.replace("{h}", HEADER).replace("{1}", one).replace("{2}", two)
    book = read_raw(tmp_path, text.encode("utf-8"))
    assert lines_of(book) == {"P1": first, "P2": second}, why
    assert (book.files[0].rows, book.invalid) == (2, ()), why


def test_file_is_known_by_its_hash(tmp_path: Path) -> None:
    """The hash is the SHA-256 (FIPS 180-4) of the bytes as they stand on disk."""
    import hashlib

    text = f"{HEADER}\n{good_rows(2)}"
    book = read_raw(tmp_path, text)
    assert book.files[0].name == "raw/a.csv"
    assert book.files[0].sha256 == hashlib.sha256(text.encode()).hexdigest()
    hashes = file_hashes({"a.csv": tmp_path / "raw" / "a.csv"})
    assert hashes == {"a.csv": book.files[0].sha256}


UNREADABLE = [
    # content, place, what the message says, why
    (b"", "raw/a.csv: is empty", "an empty file"),
    (b"\n# only a comment\n\n", "raw/a.csv: is empty", "nothing but a comment"),
    (b"\xef\xbb\xbf", "raw/a.csv: is empty", "nothing but a byte order mark"),
    (HEADER.encode(), "raw/a.csv:1: has a header and no rows", "a header alone"),
    (f"# x\n{HEADER}\n\n".encode(), "raw/a.csv:2: has a header", "a header below a comment"),
    (
        b"setup,point,direction\nS1,P1,1\nS1,Stra\xdfe,2\n",
        "raw/a.csv:3: byte 0xdf is not utf-8",
        "another encoding",
    ),
    ("setup,point\n".encode("utf-16"), "encoding: utf-16", "UTF-16 with its mark"),
    (
        b'setup,point,direction\nS1,P1,1\nS1,"P2,2\nS1,P3,3\n',
        "raw/a.csv:3: this row cannot be split",
        "a quote that never closes: rows would vanish",
    ),
    (b"setup,direction\nS1,1\n", "raw/a.csv:1: column point is missing", "a missing column"),
    (b"\n\nsetup,pnt,direction\nS1,P1,1\n", "Is it the one called pnt?", "a near name"),
    (
        b"setup,point,direction,Direction\nS1,P1,1,1\n",
        "raw/a.csv:1: column direction is there twice",
        "a column twice",
    ),
    (b"setup,point,note\nS1,P1,x\n", "no column holds an observation", "nothing observed"),
    (b"setup;point;direction\nS1;P1;1\n", 'Set delimiter: ";"', "another delimiter"),
    (b"S1,P1,1.5,90.1,12\nS1,P2,2.5,90.1,12\n", "column setup is missing", "no header"),
]


@pytest.mark.parametrize(("content", "message", "why"), UNREADABLE)
def test_a_file_that_is_no_table_is_refused(
    tmp_path: Path, content: bytes, message: str, why: str
) -> None:
    """What cannot be read stops the run, and the message names file, line and remedy."""
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, content)
    assert message in str(caught.value), why


def test_all_files_are_judged_at_once(tmp_path: Path) -> None:
    """Three bad files give three problems in one error, both missing columns of one included."""
    files: dict[str, str | bytes] = {"a.csv": "", "b.csv": "direction\n1\n", "c.csv": HEADER}
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, files)
    assert len(caught.value.problems) == 4


def test_a_file_that_vanished_is_named(tmp_path: Path) -> None:
    """A raw file that cannot be opened any more is an error in words."""
    job = make_job(tmp_path, {"a.csv": f"{HEADER}\n{good_rows(1)}"})
    (tmp_path / "raw" / "a.csv").unlink()
    with pytest.raises(InputError, match=r"raw/a\.csv: cannot be opened"):
        read_fieldbook(job)


CELLS = st.sampled_from(
    ["", " ", "S1", "P1", "1", "90", "-5", "nan", "12.5", "#", '"', '"a', "x;y"]
)
ROWS = st.lists(st.lists(CELLS, max_size=7).map(",".join), max_size=12)


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ROWS, st.sampled_from(["\n", "\r\n"]))
def test_every_row_has_a_fate(tmp_path: Path, rows: list[str], end: str) -> None:
    """Whatever stands below a header is read, invalid with a reason, or refused in words."""
    text = end.join([HEADER, *rows])
    try:
        book = read_raw(tmp_path, text.encode("utf-8"))
    except InputError as error:
        assert all(problem.startswith("raw/a.csv") for problem in error.problems)
        return
    lines = [*book.shots.line.tolist(), *(row.line for row in book.invalid)]
    assert len(set(lines)) == len(lines) == book.files[0].rows
    # Without quotes a row is a line: count those that hold anything and are no comment.
    if '"' not in text:
        held = [n for n, row in enumerate(rows, 2) if row.replace(",", "").strip()]
        assert sorted(lines) == [n for n in held if not rows[n - 2].lstrip().startswith("#")]


QUOTED = "setup,point,direction,zenith,distance,target_height,note"


def quoted(opening: int, closing: int, column: int = 6, *, other: int | None = None) -> str:
    """Return ten rows, line 2 on, with a stray quote before one cell and another behind one."""
    rows = [f"S1,P{n},{n}.5,90.25,12.{n:03d},1.5,pole {n}".split(",") for n in range(2, 12)]
    rows[opening - 2][column] = '"' + rows[opening - 2][column]
    rows[closing - 2][column if other is None else other] += '"'
    return "\n".join([QUOTED, *(",".join(row) for row in rows)]) + "\n"


@pytest.mark.parametrize(("opening", "closing"), [(4, 5), (4, 8), (2, 6), (8, 11)])
@pytest.mark.parametrize(("column", "other"), [(6, 6), (1, 1), (3, 3), (6, 1), (1, 6), (0, 6)])
def test_rows_between_stray_quotes_are_invalid_one_by_one(
    tmp_path: Path, opening: int, closing: int, column: int, other: int
) -> None:
    """A note '"temp nail' and another 'pole 6"' swallow no row: each is invalid with its line."""
    book = read_raw(tmp_path, quoted(opening, closing, column, other=other))
    between = list(range(opening, closing + 1))
    assert book.files[0].rows == 10
    assert [row.line for row in book.invalid] == between
    assert sorted([*book.shots.line.tolist(), *between]) == list(range(2, 12))
    assert all(f"begins with a quote on line {opening}" in row.reason for row in book.invalid)
    assert all(f"ends on line {closing}" in row.reason for row in book.invalid)


@pytest.mark.parametrize("closing", ['S1"', 'P3"'])
def test_a_stray_quote_swallows_no_row_of_a_table_of_uneven_rows(
    tmp_path: Path, closing: str
) -> None:
    """Without a header rows may be of any length: what comes of two is longer than any line."""
    rows = [
        "T,S1,CP1",
        "M,P1,10.5,90.25,12.5,x",
        'M,P2,20.5,90.25,12.5,"loose',
        "M,P3,30.5,90.25,12.5,x",
        "M,P4,40.5,90.25,12.5,x",
    ]
    place = 0 if closing == 'S1"' else 1
    cells = rows[3].split(",")
    cells[place] = closing
    rows[3] = ",".join(cells)
    form = TableFormat(header=False, ragged=True)
    split = Records("\n".join(rows) + "\n", "a.csv", form)
    assert [line for line, _ in split] == [1, 2, 3, 4, 5]
    assert set(split.swallowed) == {3, 4}
    whole = [*rows[:2], 'M,P2,20.5,90.25,12.5,"loose', 'by the gate"', rows[4]]
    split = Records("\n".join(whole) + "\n", "a.csv", form)
    assert [line for line, _ in split] == [1, 2, 3, 5]
    assert not split.swallowed


@pytest.mark.parametrize("note", ['"6" pole', '"a"b', '"" "x'])
def test_a_quote_within_quotes_costs_its_row_alone(tmp_path: Path, note: str) -> None:
    """One clumsy note among good rows: that row is invalid, no other is, the run goes on."""
    rows = [f"S1,P{n},{n}.5,90.25,12,1.5,{note if n == 4 else 'x'}" for n in range(2, 12)]
    book = read_raw(tmp_path, "\n".join([QUOTED, *rows]) + "\n")
    assert book.files[0].rows == 10
    ((line, reason),) = [(row.line, row.reason) for row in book.invalid]
    assert line == 4 and "a quote inside it is written twice" in reason


def test_comments_and_blank_lines_between_stray_quotes_are_no_rows(tmp_path: Path) -> None:
    """They stand in nobody's count, as elsewhere."""
    lines = quoted(4, 6).splitlines()
    book = read_raw(tmp_path, "\n".join([*lines[:4], "# noon", "", *lines[4:]]) + "\n")
    assert book.files[0].rows == 10
    assert [row.line for row in book.invalid] == [4, 7, 8]


@pytest.mark.parametrize(
    "note", ["two\nlines", "loose, by the gate\nlook again", "\n\n", "# one\n# two\nthree, four"]
)
def test_a_note_of_several_lines_is_one_cell(tmp_path: Path, note: str) -> None:
    """Clean quotes hold words: the row is one, on its first line."""
    rows = f'S1,P1,1.5,90,12,1.5,"{note}"\nS1,P2,2.5,90,12,1.5,\n'
    book = read_raw(tmp_path, f"{QUOTED}\n{rows}")
    assert not book.invalid and book.files[0].rows == 2
    assert book.shots.note[0] == note.strip()


def test_a_stray_quote_in_the_header_is_an_error(tmp_path: Path) -> None:
    """The header would swallow the rows below it."""
    text = quoted(4, 4).replace("note", '"note').replace('"pole 4"', 'pole 4"')
    with pytest.raises(InputError, match=r"raw/a\.csv:1: the header stands between stray quotes"):
        read_raw(tmp_path, text)


def test_stray_quotes_in_a_list_of_marks_are_an_error(tmp_path: Path) -> None:
    """No known mark is lost in another one's note."""
    rows = 'CP1,1,2,3,"brass\nCP2,4,5,6,\nCP3,7,8,9,cap"\n'
    (tmp_path / "control.csv").write_text(f"point,northing,easting,elevation,note\n{rows}")
    job = make_job(tmp_path, {"a.csv": f"{HEADER}\n{good_rows(1)}"})
    assert job.control_file is not None
    with pytest.raises(InputError) as caught:
        read_control(job.control_file, job)
    assert len(caught.value.problems) == 3


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from(["", "#", "row", '"row', 'row"', '"row"', '# "']), max_size=14))
def test_every_line_is_accounted_for(tmp_path: Path, kinds: list[str]) -> None:
    """Lines = header + comments + blank lines + rows, wherever quotes stand in the notes."""
    lines = [
        f"S1,P{n},{n},90,12,1.5,{kind}" if "row" in kind else kind for n, kind in enumerate(kinds)
    ]
    try:
        book = read_raw(tmp_path, "\n".join([QUOTED, *lines]) + "\n")
    except InputError:
        return
    assert book.files[0].rows == sum("row" in kind for kind in kinds)
