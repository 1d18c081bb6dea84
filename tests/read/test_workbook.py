"""Sheets of workbooks, written here by openpyxl itself."""

from __future__ import annotations

import sys
import time
import zipfile
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from tests.read.jobs import HEADER, make_job, read_raw
from tieup.errors import InputError
from tieup.read import read_fieldbook
from tieup.read.form import TableFormat
from tieup.read.text_table import read_table

openpyxl = pytest.importorskip("openpyxl", reason="the optional extra excel is not installed")

SHOT = ["S1", "P1", 100.5, 90, 12.25]


def workbook(sheets: dict[str, list[list[Any]]]) -> bytes:
    """Return an .xlsx file of sheets with rows of cells."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    content = BytesIO()
    book.save(content)
    return content.getvalue()


def read_sheet(folder: Path, sheets: dict[str, list[list[Any]]], more: str = "") -> Any:
    """Read a workbook as the raw data of a job."""
    return read_raw(folder, {"a.xlsx": workbook(sheets)}, more=more)


def test_a_sheet_is_read_like_a_table(tmp_path: Path) -> None:
    """Numbers, texts, names that are numbers, dates; lines are the rows of the sheet."""
    rows = [
        [],
        ["# shot by hand"],
        [*HEADER.split(","), "time"],
        [*SHOT, datetime(2026, 3, 3, 10, 0, 0)],
        [],
        ["S1", 101, 0.1, "91.5", 7],
        ["S1", "0102", "12", None, 8.125],
    ]
    book = read_sheet(tmp_path, {"shots": rows, "empty": []})
    shots = book.shots
    assert book.points == ("P1", "101", "0102")
    assert shots.line.tolist() == [4, 6, 7]
    assert shots.distance.tolist() == [12.25, 7.0, 8.125]
    assert shots.zenith[1] == pytest.approx(1.5969762655748114, abs=1e-15)  # 91.5 degrees
    assert shots.time[0] == 1772532000.0  # 2026-03-03T10:00:00Z, by the date command
    assert book.invalid == ()


def test_packed_angles_that_a_sheet_took_for_numbers(tmp_path: Path) -> None:
    """90.1000 became 90.1: trailing zeros are put back, as everywhere."""
    rows = [["setup", "point", "zenith", "distance"], ["S1", "P1", 90.1, 9]]
    job = make_job(tmp_path, {"a.xlsx": workbook({"a": rows})}, angle="dms-packed")
    assert read_fieldbook(job).shots.zenith[0] == pytest.approx(1.5737051, abs=1e-6)  # 90°10'


def test_the_sheet_is_named_where_there_are_several(tmp_path: Path) -> None:
    """Nothing is guessed: several sheets with content need sheet: in job.yaml."""
    sheets = {"day 1": [HEADER.split(","), SHOT], "day 2": [HEADER.split(","), SHOT, SHOT]}
    with pytest.raises(InputError, match="has several sheets: day 1, day 2"):
        read_sheet(tmp_path / "a", sheets)
    assert len(read_sheet(tmp_path / "b", sheets, "sheet: day 2").shots) == 2
    with pytest.raises(InputError, match=r"has no sheet day 3 .* There are day 1, day 2"):
        read_sheet(tmp_path / "c", sheets, "sheet: day 3")


def test_mapped_columns_and_skipped_rows(tmp_path: Path) -> None:
    """The settings of tables hold for sheets as well."""
    rows = [["Yard"], ["x"], ["Pt", "D"], ["P1", 12.5]]
    more = "skip_rows: 2\ncolumns: {setup: {value: S1}, point: Pt, distance: D}"
    assert read_sheet(tmp_path, {"a": rows}, more).shots.distance.tolist() == [12.5]


BROKEN = [
    (b"not a workbook", "cannot be read as a workbook"),
    (b"", "cannot be read as a workbook"),
]


@pytest.mark.parametrize(("content", "message"), BROKEN)
def test_what_is_no_workbook_says_so(tmp_path: Path, content: bytes, message: str) -> None:
    """A damaged file is an error with words."""
    with pytest.raises(InputError, match=message):
        read_raw(tmp_path, {"a.xlsx": content})


@pytest.mark.parametrize("cell", ["XFD20000", "C1048576", "XFD1048576"])
def test_one_stray_cell_does_not_make_it_all_of_a_sheet(tmp_path: Path, cell: str) -> None:
    """The far corner of a sheet: one more row, with what is wrong with it, in no time."""
    book = openpyxl.Workbook()
    headings = ["point", "northing", "easting"]
    for row in (headings, ["A", 1, 2], ["B", 3, 4]):
        book.active.append(row)
    book.active[cell] = "x"
    path = tmp_path / "sheet.xlsx"
    book.save(path)
    before = time.process_time()
    table = read_table(path, "sheet.xlsx", TableFormat())
    assert time.process_time() - before < 10.0  # s; all cells of a sheet would take minutes
    assert table.header == tuple(headings)
    assert table.line.tolist() == [2, 3, int(cell.lstrip("CDFX"))]
    wide = cell.startswith("XFD")
    assert table.misshapen == ({2: "has 16384 cells where the table has 3 columns"} if wide else {})


def test_a_workbook_that_unpacks_beyond_measure_is_refused(tmp_path: Path) -> None:
    """A cell of 2 GB packs to 2 MB: told before anything of it is unpacked."""
    plain = workbook({"a": [HEADER.split(","), SHOT]})
    with zipfile.ZipFile(BytesIO(plain)) as parts:
        content = {name: parts.read(name) for name in parts.namelist()}
    sheet = next(name for name in content if name.endswith("sheet1.xml"))
    head, tail = content.pop(sheet).split(b"</sheetData>")
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as parts:
        for name, data in content.items():
            parts.writestr(name, data)
        with parts.open(sheet, "w") as stream:
            stream.write(head + b'<row r="9"><c r="A9" t="inlineStr"><is><t>')
            for _ in range(100):
                stream.write(b"a" * 1_000_000)
            stream.write(b"</t></is></c></row></sheetData>" + tail)
    assert len(packed.getvalue()) < 200_000
    with pytest.raises(InputError, match=r"100 MB unpacked, and at most 64 are read"):
        read_raw(tmp_path, {"a.xlsx": packed.getvalue()})


def test_an_empty_workbook_says_so(tmp_path: Path) -> None:
    """No sheet holds anything."""
    with pytest.raises(InputError, match="is empty"):
        read_sheet(tmp_path, {"a": []})


def test_a_missing_reader_is_an_error_that_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the extra a workbook cannot be read, and nothing else suffers."""
    content = workbook({"a": [HEADER.split(","), SHOT]})
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(InputError, match=r"pip install 'tieup\[excel\]'"):
        read_raw(tmp_path, {"a.xlsx": content})
