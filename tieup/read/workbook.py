"""Read a sheet of a workbook (.xlsx) as rows of texts, through pandas' optional reader."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

from tieup.errors import InputError
from tieup.read.form import TableFormat

SUFFIX = ".xlsx"


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
    for number, row in enumerate(rows, 1):
        if number > form.skip_rows and any(row) and not row[0].startswith("#"):
            yield number, row


def _sheets(content: bytes, name: str) -> dict[str, list[list[str]]]:
    """Return the rows of every sheet that holds anything."""
    import pandas

    try:
        frames = pandas.read_excel(
            io.BytesIO(content), sheet_name=None, header=None, dtype=str, na_filter=False
        )
    except ImportError as error:
        raise InputError(
            f"{name}: reading a workbook needs an optional part that is not installed. Install "
            "it with pip install 'tieup[excel]', or save the sheet as CSV"
        ) from error
    except Exception as error:  # the reader raises whatever its parts raise on a damaged file
        raise InputError(
            f"{name}: cannot be read as a workbook ({error}). Save the sheet as CSV"
        ) from error
    rows = {
        str(sheet): [[str(cell).strip() for cell in row] for row in frame.to_numpy().tolist()]
        for sheet, frame in frames.items()
    }
    return {sheet: cells for sheet, cells in rows.items() if any(map(any, cells))}
