"""What the screens of all commands share: their width, folding, clipping, columns.

No colour and no control characters: a screen is read on a phone, in a log and on paper alike.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

WIDTH, HEIGHT = 80, 40
LEAST_WIDTH = 36
MOST_TITLE = 40  # characters of a title that are shown


def folded(
    text: str, width: int = WIDTH, indent: int = 0, label: str = "", most: int | None = None
) -> list[str]:
    """Fold a text, hanging by ``indent`` or behind its ``label``, cut after ``most`` lines.

    >>> folded("one two three", 11, label="To do ")
    ['To do one', '      two', '      three']
    """
    return textwrap.wrap(
        text,
        width,
        initial_indent=label,
        subsequent_indent=" " * (indent or len(label)),
        max_lines=most,
        placeholder=" ...",
        break_on_hyphens=False,
    )


def clipped(text: str, width: int = MOST_TITLE) -> str:
    """Return a text that fits, two dots for what is cut off.

    >>> clipped("FIRE STATION", 8)
    'FIRE S..'
    """
    return text if len(text) <= width else text[: width - 2] + ".."


def aligned(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    """Return one line of a table, two blanks between its columns; the last may be open (0)."""
    parts = [
        cell.rjust(width) if at_right else cell.ljust(width)
        for cell, width, at_right in zip(cells, widths, right, strict=True)
    ]
    return "  ".join(parts).rstrip()


def table_lines(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Line columns up: texts to the left, columns of numbers to the right.

    >>> table_lines(["Setup", "Rows"], [["S1", "112"], ["S2", "9"]])
    ['Setup  Rows', 'S1      112', 'S2        9']
    """
    columns = list(zip(head, *rows, strict=True))
    number = [all(_is_number(cell) for cell in column[1:] if cell) for column in columns]
    number[0] = False  # names, even where all of them are numbers
    widths = [max(map(len, column)) for column in columns]
    return [aligned(cells, widths, number) for cells in (head, *rows)]


def _is_number(text: str) -> bool:
    return text.replace(",", "").replace(".", "").replace("-", "").isdigit()
