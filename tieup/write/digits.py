"""Print columns of numbers with fixed decimals, a block of rows at a time.

A site has millions of numbers to print, and formatting them one by one takes longer than
adjusting it. Here the digits of a whole block are found by integer arithmetic and laid into
a matrix of characters, one row for each row of the table; a mask then drops leading zeros,
needless signs and what is undefined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Characters = NDArray[np.uint8]
Mask = NDArray[np.bool_]

BLOCK = 16_384  # rows; the matrix of a block stays in the processor's cache
LARGEST = 1e15  # scaled numbers up to here are exact in double precision
GROUP = 10_000  # four digits are looked up at once
FOUR_DIGITS = np.frombuffer(
    "".join(f"{number:04d}" for number in range(GROUP)).encode(), dtype=np.uint32
)


@dataclass(frozen=True)
class Numbers:
    """Values, shape (n,), to print with ``places`` decimals; NaN prints as nothing."""

    values: NDArray[np.float64]
    places: int

    @property
    def printable(self) -> bool:
        """Return whether every value is small enough for the arithmetic used here."""
        size = np.abs(self.values[np.isfinite(self.values)])
        return bool(np.all(size * 10.0**self.places < LARGEST))


def number_rows(fields: Sequence[Sequence[Numbers]]) -> list[str]:
    """Print fields of numbers, separated by commas; return the text of every row.

    Parameters
    ----------
    fields
        Each field is one `Numbers` or several of which at most one is defined in a row: a
        column whose decimals differ from row to row.

    >>> height, mixed = Numbers(np.array([1.5, -0.04]), 1), Numbers(np.array([np.nan, 2.0]), 3)
    >>> number_rows([[height], [mixed]])
    ['1.5,', '0.0,2.000']
    """
    rows: list[str] = []
    for start in range(0, len(fields[0][0].values), BLOCK):
        block = slice(start, start + BLOCK)
        rows += _block_text(
            [[Numbers(part.values[block], part.places) for part in field] for field in fields]
        ).split("\n")[:-1]
    return rows


def _block_text(fields: Sequence[Sequence[Numbers]]) -> str:
    """Return the rows of a block, a line end behind each."""
    rows = len(fields[0][0].values)
    comma, always = np.full((rows, 1), ord(","), dtype=np.uint8), np.ones((rows, 1), dtype=np.bool_)
    characters, keep = [], []
    for field in fields:
        for part in field:
            shown, kept = _laid_out(part)
            characters.append(shown)
            keep.append(kept)
        characters.append(comma)
        keep.append(always)
    matrix = np.hstack(characters)
    matrix[:, -1] = ord("\n")
    return matrix[np.hstack(keep)].tobytes().decode("ascii")


def _laid_out(numbers: Numbers) -> tuple[Characters, Mask]:
    """Lay numbers out as sign, digits, point, decimals; return characters and which to keep."""
    values, places = numbers.values, numbers.places
    defined = np.isfinite(values)
    scaled = np.rint(np.abs(np.where(defined, values, 0.0)) * 10.0**places).astype(np.int64)
    digits = _digits(scaled, places + 1)
    whole = digits.shape[1] - places
    shown = np.empty((len(values), digits.shape[1] + 2), dtype=np.uint8)
    shown[:, 0] = ord("-")
    shown[:, 1 : whole + 1] = digits[:, :whole]
    shown[:, whole + 1] = ord(".")
    shown[:, whole + 2 :] = digits[:, whole:]
    keep = np.empty(shown.shape, dtype=np.bool_)
    keep[:, 0] = (values < 0.0) & (scaled > 0)  # what rounds to nothing has no sign
    for column in range(whole):
        keep[:, column + 1] = scaled >= 10 ** (places + whole - 1 - column)
    keep[:, whole:] = True  # the last digit before the point, and all behind it
    keep[:, whole + 1] = places > 0
    keep &= defined[:, None]
    return shown, keep


def _digits(numbers: NDArray[np.int64], least: int) -> Characters:
    """Return the decimal digits of whole numbers with leading zeros, at least ``least``."""
    width = max(len(str(numbers.max(initial=0))), least)
    groups = -(-width // 4)
    quads = np.empty((len(numbers), groups), dtype=np.uint32)
    for group in range(groups - 1, -1, -1):
        numbers, last = numbers // GROUP, numbers
        quads[:, group] = FOUR_DIGITS[last - numbers * GROUP]
    return quads.view(np.uint8)
