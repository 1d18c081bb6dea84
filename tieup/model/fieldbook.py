"""What was recorded in the field: files, setups and shots, never edited.

Shots are columns because a site has hundreds of thousands of them; setups are
objects because a surveyor names them. Units: radians, metres, hPa, degrees C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tieup.model.arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    TextArray,
    fill_flags,
    fill_numbers,
    no_flags,
    no_numbers,
)

ROLES = ("backsight", "foresight", "check", "side")  # what a shot may be meant for

# The first line of the raw table of a new job: without rows below it the table is skipped.
TEMPLATE = "# An empty raw table of a new job: skipped as long as no shot stands in it."


@dataclass(frozen=True)
class RawFile:
    """One raw file as it was read.

    ``name`` is its path relative to the job folder with forward slashes, ``rows``
    the number of data rows in it (comment lines, blank lines and the header are
    not rows).
    """

    name: str
    sha256: str
    rows: int


@dataclass(frozen=True)
class Setup:
    """One levelling-up of the instrument; a re-levelled instrument is a new one.

    ``label`` is unique on the site; ``name`` is what the raw file calls it.
    ``station`` is the occupied mark, empty for a free station.
    ``instrument_height`` (m) is NaN where an occupied setup booked none; over no mark it is 0,
    and ``idle_height`` (m) is what was booked there all the same, None for nothing.
    """

    label: str
    name: str
    file: str
    station: str
    instrument_height: float
    instrument: str
    idle_height: float | None = None


@dataclass(frozen=True)
class Shots:
    """The readable raw rows, one array per column, each of shape (m,).

    ``file`` indexes `Fieldbook.files`, ``setup`` `Fieldbook.setups` and ``point``
    `Fieldbook.points`; ``line`` counts from 1. ``direction`` and ``zenith`` are in
    radians as read on the circle (face 2 not yet turned over), ``distance`` and
    ``target_height`` in metres, ``prism_constant`` in metres still to be added, NaN where
    that of the target or the instrument is meant; NaN where not observed. ``time`` is in
    seconds of the epoch, NaN without one.
    ``repeated`` marks rows that copy an earlier row in every cell.
    ``field_coordinates`` has shape (m, 3): N, E, H stored in the field, or NaN.
    ``level``: the distance is horizontal, at the height of the setup; ``azimuth``: the direction
    is an observed azimuth, no circle reading. Left empty, no row is. ``basis`` numbers the basis
    of bearings of azimuths that do not run from the grid's north, -1 where there is none.
    """

    file: IntArray
    line: IntArray
    setup: IntArray
    point: IntArray
    direction: FloatArray
    zenith: FloatArray
    distance: FloatArray
    target_height: FloatArray
    face: IntArray
    round: IntArray
    prism_constant: FloatArray
    temperature: FloatArray
    pressure: FloatArray
    time: FloatArray
    role: TextArray
    target: TextArray
    code: TextArray
    string: TextArray
    note: TextArray
    field_coordinates: FloatArray
    repeated: BoolArray
    level: BoolArray = field(default_factory=no_flags)
    azimuth: BoolArray = field(default_factory=no_flags)
    basis: IntArray = field(default_factory=no_numbers)

    def __post_init__(self) -> None:
        """Fill in what was left empty."""
        fill_flags(self, len(self.line), "level", "azimuth")
        fill_numbers(self, len(self.line), "basis")

    def __len__(self) -> int:
        return len(self.line)


@dataclass(frozen=True)
class InvalidRow:
    """A raw row that is no shot, with the reason in words: not understood, or marked unused.

    ``setup`` and ``point`` are its cells as written (may be empty); ``kinds`` names
    the observed components it had cells for: direction, zenith, distance.
    """

    file: int
    line: int
    setup: str
    point: str
    kinds: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class AbsentColumn:
    """A column that a raw table lacks.

    ``file`` and ``line`` are those of the header, ``heading`` is what in it may be meant for
    ``column`` (empty: nothing is like it), ``entry`` what job.yaml must say to take it.
    ``empty`` says that the column is there and no row has a cell in it. ``sure`` says that
    the heading is the column's name or a usual short form of it, and that job.yaml does not
    name the columns, which would mean that it was left out on purpose.
    """

    file: str
    line: int
    column: str
    heading: str
    entry: str
    sure: bool
    empty: bool = False


@dataclass(frozen=True)
class Fieldbook:
    """All raw rows of a job, in recorded order, and the fate of the unreadable ones.

    ``rows read = len(shots) + len(invalid) + len(unused)``. ``unknown_columns`` maps a column
    the tool does not know to the files it stands in: kept and reported. ``unused`` are the
    rows that the file itself marks as unused or deleted, or that cannot take part. ``absent``
    are the columns of observations that a table lacks, and those that another heading may
    be meant for. ``skipped`` names raw files that are the empty table of a new job, ``beside`` the
    tables that lie among raw files and that nothing in job.yaml names.
    """

    files: tuple[RawFile, ...]
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    shots: Shots
    invalid: tuple[InvalidRow, ...]
    unknown_columns: Mapping[str, tuple[str, ...]]
    unused: tuple[InvalidRow, ...] = ()
    absent: tuple[AbsentColumn, ...] = ()
    skipped: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
