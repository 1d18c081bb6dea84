"""Split a table into columns of trimmed cells, each row with its true line.

Takes bytes on disk and how the table is written; gives texts, knows nothing of what
they mean. Lines are physical lines counted from 1, whatever comments, blank lines and line
breaks inside quotes come before them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import IntArray
from tieup.read.form import TableFormat
from tieup.read.openable import file_content
from tieup.read.records import Records
from tieup.read.workbook_reader import is_workbook, sheet_records

# Rows turned into columns at a time. So few row lists alive do not wake the interpreter's
# garbage collector (700 new containers do), which would take as long as the reading.
_CHUNK = 256


@dataclass(frozen=True)
class Table:
    """The cells of one file; r rows.

    ``header`` holds the names as written (empty where there is no header), ``columns`` r
    trimmed cells each, ``line`` (r,) the first line of each row. ``misshapen`` names, by
    row, what is wrong with a row that has not as many cells as the table has columns; its
    cells are filled up or cut off.
    """

    name: str
    sha256: str
    header: tuple[str, ...]
    header_line: int
    columns: tuple[list[str], ...]
    line: IntArray
    misshapen: dict[int, str]

    def __len__(self) -> int:
        return len(self.line)

    def where(self, row: int) -> str:
        """Name the place of a row: file:line."""
        return f"{self.name}:{self.line[row]}"


def read_table(path: Path, name: str, form: TableFormat, *, rowless: bool = False) -> Table:
    """Read a file into columns of trimmed cells.

    Comment lines (first character ``#``), blank lines and rows of empty cells are no rows.

    Parameters
    ----------
    path, name
        Where the file is, and what messages call it.
    rowless
        Whether the file may be empty or have a header only.

    Raises
    ------
    InputError
        The file cannot be opened or decoded, is empty, has a header only, or its quotes
        do not close; of a workbook, see `sheet_records`.
    """
    content = file_content(path, name)
    swallowed: dict[int, str] = {}
    if is_workbook(path):
        records = sheet_records(content, name, form)
    else:
        split = Records(_decode(content, name, form), name, form)
        swallowed, records = split.swallowed, iter(split)
    first = next(records, (1, []) if rowless else None)
    if first is None:
        raise InputError(f"{name}: is empty. Expected a header row and a row per shot or mark")
    header_line, header = first if form.header else (first[0], [])
    width = len(first[1])
    if not form.header:
        records = chain([first], records)
    columns, lines, misshapen = _gather(records, width, form.ragged)
    if swallowed:
        misshapen |= {i: swallowed[line] for i, line in enumerate(lines) if line in swallowed}
    if not lines and not rowless:
        raise InputError(f"{name}:{header_line}: has a header and no rows below it")
    return Table(
        name=name,
        sha256=hashlib.sha256(content).hexdigest(),
        header=tuple(cell.strip() for cell in header),
        header_line=header_line,
        columns=columns,
        line=np.array(lines, dtype=np.int64),
        misshapen=misshapen,
    )


def _decode(content: bytes, name: str, form: TableFormat) -> str:
    encoding = form.encoding
    plain_utf8 = encoding.lower().replace("_", "-") in ("utf-8", "utf8")
    try:
        return content.decode("utf-8-sig" if plain_utf8 else encoding)  # drops a byte order mark
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        guess = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "cp1252"
        entry = form.entry(encoding=guess)
        told = f", or name its encoding in job.yaml, for instance {entry}" if entry else ""
        raise InputError(
            f"{name}:{line}: byte 0x{content[error.start]:02x} is not {encoding} text. Save the "
            f"file as UTF-8{told}"
        ) from error


def _gather(
    records: Iterator[tuple[int, list[str]]], width: int, ragged: bool
) -> tuple[tuple[list[str], ...], list[int], dict[int, str]]:
    columns: list[list[str]] = [[] for _ in range(width)]
    lines: list[int] = []
    misshapen: dict[int, str] = {}
    while chunk := list(islice(records, _CHUNK)):
        numbers, rows = zip(*chunk, strict=True)
        if any(len(row) != width for row in rows):
            if ragged and (more := max(map(len, rows)) - width) > 0:
                columns += [[""] * len(lines) for _ in range(more)]
                width += more
            rows = _squared(rows, width, len(lines), {} if ragged else misshapen)
        for column, cells in zip(columns, zip(*rows, strict=True), strict=True):
            column.extend(map(str.strip, cells))
        lines.extend(numbers)
    return tuple(columns), lines, misshapen


def _squared(
    rows: tuple[list[str], ...], width: int, offset: int, misshapen: dict[int, str]
) -> tuple[list[str], ...]:
    for i, row in enumerate(rows, offset):
        spare = "".join(row[width:]).strip()  # empty cells at the end are no mistake
        if len(row) < width:
            misshapen[i] = f"breaks off: {len(row)} cells where the table has {width} columns"
        elif spare:
            misshapen[i] = f"has {len(row)} cells where the table has {width} columns"
    return tuple((row + [""] * width)[:width] for row in rows)
