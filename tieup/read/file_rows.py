"""What one raw file holds once it is read, whatever its format: columns of SI values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from tieup.model.arrays import BoolArray, IntArray
from tieup.model.fieldbook import AbsentColumn, RawFile


@dataclass(frozen=True)
class FileRows:
    """What one raw file holds, r rows in recorded order, before files are put together.

    ``values`` has every native column (see `Converted.values`), ``reasons`` the invalid rows
    with what is wrong in words. ``observed`` (r, 3): the row has a cell for direction,
    zenith, distance. ``trusted`` (r,): the cells of the row stand in the right columns.
    ``unknown`` names the columns that were not understood. ``unused`` says why rows take no
    part because the file itself says so. ``absent``: columns that the table lacks.
    """

    raw: RawFile
    line: IntArray
    values: Mapping[str, NDArray[Any]]
    reasons: Mapping[int, str]
    observed: BoolArray
    trusted: BoolArray
    unknown: tuple[str, ...]
    unused: Mapping[int, str] = field(default_factory=dict)
    absent: tuple[AbsentColumn, ...] = ()
