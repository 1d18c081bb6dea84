"""Split the text of a table into rows of cells, so that every line is accounted for.

A cell in quotes may hold a line break. But a stray quote opens such a cell as well, and it
runs on to the next stray quote: whole rows would vanish in one cell. Where a row over several
lines has not as many cells as the table, or its quotes hold so many separators that rows must
be among them, each of its lines is a row of its own, with what is wrong with it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from itertools import islice

from tieup.errors import InputError
from tieup.read.form import TableFormat

_CURE = "A cell that begins with a quote must end with one, and a quote inside it is written twice"
_DELIMITERS = {"tab": "\t", "whitespace": " "}


class Records:
    """The rows of one table: iterate once for the first line of each and its cells.

    ``swallowed`` says by line, as far as one has come, what is wrong with the rows that stood
    between stray quotes.
    """

    def __init__(self, text: str, name: str, form: TableFormat) -> None:
        self.text, self.name, self.form = text, name, form
        self.delimiter = _DELIMITERS.get(form.delimiter, form.delimiter)
        self.swallowed: dict[int, str] = {}
        self._lines: list[str] = []  # those of the row that has begun
        self._first = 0  # the number of the first of them
        self._inside = False  # a row has begun and its last line has not come yet
        self._width = 0
        self._over = False  # the last line was read

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        rows = csv.reader(
            self._feed(), delimiter=self.delimiter, skipinitialspace=True, strict=True
        )
        while True:
            try:
                row = next(rows, None)
            except csv.Error as error:
                if self._over or not self._width:  # nobody knows where the next row begins
                    told = (
                        f"{self.name}:{self._first}: this row cannot be split into cells ({error})"
                    )
                    raise InputError(f"{told}. {_CURE}") from error
                row = []
            if row is None:
                return
            self._inside = False
            if not row or (len(self._lines) > 1 and self._is_swallow(row)):
                yield from self._apart()
            elif row[0].strip() or "".join(row).strip():
                self._width = self._width or len(row)
                yield self._first, row

    def _feed(self) -> Iterator[str]:
        """Yield the lines of rows; comments and blank lines between rows are none."""
        blank_separated = self.form.delimiter == "whitespace"
        lines = enumerate(io.StringIO(self.text, newline=None), 1)
        for number, line in islice(lines, self.form.skip_rows, None):
            if self._inside:
                self._lines.append(line)
            elif line.lstrip()[:1] in ("", "#"):
                continue
            else:
                self._first, self._inside, self._lines = number, True, [line]
            # Blanks before a cell are skipped, so that runs of them separate once.
            yield " ".join(line.split("\t")).strip() + "\n" if blank_separated else line
        self._over = True

    def _is_swallow(self, row: list[str]) -> bool:
        """Say whether rows stand between the quotes of a row that runs over several lines.

        Clean quotes hold a few words; rows bring as many separators as the table has columns.
        """
        width = self._width or len(row)
        if not self.form.ragged and len(row) != width and "".join(row[width:]).strip():
            return True
        if not self.form.ragged and len(row) < width:
            return True
        if self.form.ragged and len(row) > self._widest():
            return True
        held = sum(cell.count(self.delimiter) for cell in row)
        more = sum(line.lstrip()[:1] not in ("", "#") for line in self._lines[1:])
        return width > 1 and more > 0 and 2 * held >= more * (width - 1)

    def _widest(self) -> int:
        """Return the most cells of a line of the table, whatever stands in quotes."""
        return 1 + max(line.count(self.delimiter) for line in self.text.splitlines())

    def _apart(self) -> Iterator[tuple[int, list[str]]]:
        """Yield each line of a row as a row of its own, split without regard to quotes."""
        last = self._first + len(self._lines) - 1
        told = f"cannot be split into cells. {_CURE}"
        if last > self._first:
            told = (
                f"stands between stray quotes: a cell that begins with a quote on line "
                f"{self._first} ends on line {last}. Take the quotes out, or write them twice"
            )
        if not self._width:
            raise InputError(f"{self.name}:{self._first}: the header {told}")
        for number, line in enumerate(self._lines, self._first):
            if line.lstrip()[:1] in ("", "#"):
                continue
            cells = line.split() if self.delimiter == " " else line.split(self.delimiter)
            if any(cell.strip() for cell in cells):
                self.swallowed[number] = told
                yield number, [cell.strip().strip('"') for cell in cells]
