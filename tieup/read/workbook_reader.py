"""Read a sheet of a workbook (.xlsx) as rows of texts, through an optional reader."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tieup.errors import InputError
from tieup.read.form import TableFormat

SUFFIX = ".xlsx"
WIDEST = 256  # columns of a table; a cell farther out is a stray one
LARGEST = 64_000_000  # bytes of all parts unpacked; 100,000 rows of 16 cells. Zeros pack to nothing


def is_workbook(path: Path) -> bool:
    """Say whether a file is taken as a workbook: by its suffix."""
    return path.suffix.lower() == SUFFIX


def sheet_records(content: bytes, name: str, form: TableFormat) -> Iterator[tuple[int, list[str]]]:
    """Yield each row of a sheet with its number, from 1; no comments, no blank rows.

    Numbers become the shortest text that means the same (101, 12.5).

    Raises
    ------
    InputError
        The optional reader is not installed, the file is no workbook, there is no such sheet,
        or several sheets hold something and none is named.
    """
    sheets, sheet = _sheets(content, name), form.sheet
    if not sheet and len(sheets) > 1:
        entry = form.entry(sheet=next(iter(sheets)))
        cure = f"Name one in job.yaml: {entry}" if entry else "Save the one that is meant as CSV"
        raise InputError(f"{name}: has several sheets: {', '.join(sheets)}. {cure}")
    if sheet and sheet not in sheets:
        there = ", ".join(sheets) or "none that holds anything"
        raise InputError(f"{name}: has no sheet {sheet} (sheet in job.yaml). There are {there}")
    rows = sheets[sheet] if sheet else next(iter(sheets.values()), [])
    for number, row in rows:
        if number > form.skip_rows and not row[0].startswith("#"):
            yield number, row


def _sheets(content: bytes, name: str) -> dict[str, list[tuple[int, list[str]]]]:
    """Return the rows, with their numbers from 1, of every sheet that holds anything."""
    try:
        import openpyxl
    except ImportError as error:
        raise InputError(
            f"{name}: reading a workbook needs an optional part that is not installed. Install "
            "it with pip install 'tieup[excel]', or save the sheet as CSV"
        ) from error
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as parts:
            size = sum(part.file_size for part in parts.infolist())
        if size > LARGEST:
            raise ValueError(
                f"{size / 1e6:,.0f} MB unpacked, and at most {LARGEST // 10**6} are read"
            )
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        rows = {str(sheet.title): _rows(sheet) for sheet in book.worksheets}
    except Exception as error:  # the reader raises whatever its parts raise on a damaged file
        reason = str(error) or type(error).__name__
        raise InputError(
            f"{name}: cannot be read as a workbook ({reason}). Save the sheet as CSV"
        ) from error
    return {title: squared for title, cells in rows.items() if (squared := _squared(cells))}


def _rows(sheet: Any) -> list[tuple[int, list[str]]]:
    """Return the rows of a sheet that hold anything, as wide as each of them is.

    What the file says of its size is not believed: one stray cell would make it all of a sheet.
    """
    sheet.reset_dimensions()
    rows = enumerate(sheet.iter_rows(values_only=True), 1)
    texts = ((number, [_text(value) for value in row]) for number, row in rows if row)
    return [(number, row) for number, row in texts if any(row)]


def _squared(rows: list[tuple[int, list[str]]]) -> list[tuple[int, list[str]]]:
    """Fill rows up to one width; one with a cell far out keeps its own, and is misshapen."""
    width = max((len(row) for _, row in rows if len(row) <= WIDEST), default=0)
    return [(number, row + [""] * (width - len(row))) for number, row in rows]


def _text(value: Any) -> str:
    """Return what stands in a cell; a number as the shortest text that means the same."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return str(value).strip()
