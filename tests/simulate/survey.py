"""One simulated survey: raw rows, control list, the truth behind them, what was planted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from tests.simulate.layout import line_numbers
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook, InvalidRow, RawFile, Setup, Shots
from tieup.model.settings import Precision

KINDS = ("direction", "zenith", "distance")


@dataclass(frozen=True)
class Truth:
    """True coordinates (N, E, H in m): ``position`` (P, 3) of the marks ``points``.

    ``axis`` (S, 3) is where the trunnion axis of each setup really was in this draw
    (centring and height errors included), ``orientation`` (S,) the azimuth of its circle's
    zero in round 1 (rad).
    """

    points: tuple[str, ...]
    position: FloatArray
    setups: tuple[str, ...]
    axis: FloatArray
    orientation: FloatArray


@dataclass(frozen=True)
class Planted:
    """A mistake put into the rows on purpose, in the words of the finding it should raise.

    ``size`` is raw minus right in ``unit``: m, arcsec, ppm, s, or a ratio; None where it means
    nothing. ``points`` are named as in the altered rows, the raw name before the right one.
    ``lines`` are "file:line" in the altered files. ``vector`` is the shift (N, E, H in m) of
    a moved mark or of a control coordinate. An "invalid" row is no finding kind: it is the
    status of that row in observations.csv.
    """

    kind: str
    setup: str = ""
    points: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    size: float | None = None
    unit: str = ""
    vector: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Damage:
    """What makes a row unreadable: ``cells`` (column: text) replace what it says.

    ``torn`` names the column (one of `KINDS`) in whose cell the row breaks off, as when an
    export is cut.
    """

    reason: str
    cells: Mapping[str, str] = field(default_factory=dict)
    torn: str = ""


@dataclass(frozen=True)
class Survey:
    """A draw; ``shots`` holds every row, unreadable ones (keys of ``damage``) included.

    ``aimed`` (m,) indexes ``truth.points``: what each row really sighted. ``sightline``
    (m, 3) is the true vector (m) from the axis to the prism of each row in this draw.
    """

    files: tuple[str, ...]
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    shots: Shots
    aimed: IntArray
    sightline: FloatArray
    control: Control | None
    truth: Truth
    precision: Precision
    refraction: float
    damage: Mapping[int, Damage] = field(default_factory=dict)
    planted: tuple[Planted, ...] = ()

    def __len__(self) -> int:
        return len(self.shots)

    @cached_property
    def fieldbook(self) -> Fieldbook:
        """Return what a reader should make of the raw files (without their hashes)."""
        counts = np.bincount(self.shots.file, minlength=len(self.files))
        readable = [i for i in range(len(self)) if i not in self.damage]
        return Fieldbook(
            files=tuple(RawFile(f, "", int(n)) for f, n in zip(self.files, counts, strict=True)),
            setups=self.setups,
            points=self.points,
            shots=take(self.shots, np.array(readable, dtype=np.int64))
            if self.damage
            else self.shots,
            invalid=tuple(self._invalid(row, d) for row, d in sorted(self.damage.items())),
            unknown_columns={},
        )

    def _invalid(self, row: int, damage: Damage) -> InvalidRow:
        shots = self.shots
        values = (shots.direction[row], shots.zenith[row], shots.distance[row])
        left = KINDS[: KINDS.index(damage.torn) + 1] if damage.torn else KINDS
        return InvalidRow(
            file=int(shots.file[row]),
            line=int(shots.line[row]),
            setup=self.setups[shots.setup[row]].name,
            point=self.points[shots.point[row]],
            kinds=tuple(k for k, v in zip(left, values, strict=False) if not np.isnan(v)),
            reason=damage.reason,
        )

    def rows(self, setup: str = "", point: str = "", role: str = "") -> IntArray:
        """Return the indices of the rows of a setup, a point as named, a role."""
        mask = np.ones(len(self), dtype=bool)
        if setup:
            mask &= self.shots.setup == self.setup_number(setup)
        if point:
            mask &= self.shots.point == self.points.index(point)
        if role:
            mask &= self.shots.role == role
        return np.flatnonzero(mask)

    def setup_number(self, label: str) -> int:
        """Return the index of a setup by its label."""
        return [s.label for s in self.setups].index(label)

    def lines(self, rows: IntArray) -> tuple[str, ...]:
        """Name rows as "file:line"."""
        shots = self.shots
        return tuple(f"{self.files[shots.file[i]]}:{shots.line[i]}" for i in rows)


def take(shots: Shots, rows: IntArray) -> Shots:
    """Pick rows of every column."""
    return Shots(**{name: column[rows] for name, column in vars(shots).items()})


def with_shots(survey: Survey, **columns: object) -> Survey:
    """Replace whole columns of the rows."""
    return replace(survey, shots=replace(survey.shots, **columns))  # type: ignore[arg-type]


def rearranged(survey: Survey, order: IntArray) -> Survey:
    """Put the rows into a new order, leaving some out or repeating some.

    Rows of one file end up together, setups and points without rows disappear, lines are
    counted anew and the mistakes planted before follow their rows.
    """
    order = order[np.argsort(survey.shots.file[order], kind="stable")]
    shots = take(survey.shots, order)
    file_ids, file = np.unique(shots.file, return_inverse=True)
    kept = np.unique(shots.setup)
    names = dict.fromkeys(survey.points[i] for i in shots.point)
    renumber = {survey.points.index(name): i for i, name in enumerate(names)}
    shots = replace(
        shots,
        file=file.reshape(-1),
        line=line_numbers(file.reshape(-1)),
        setup=np.searchsorted(kept, shots.setup),
        point=np.array([renumber[i] for i in shots.point], dtype=np.int64),
    )
    moved = replace(
        survey,
        files=tuple(survey.files[i] for i in file_ids),
        setups=tuple(survey.setups[i] for i in kept),
        points=tuple(names),
        shots=shots,
        aimed=survey.aimed[order],
        sightline=survey.sightline[order],
        damage={new: survey.damage[old] for new, old in enumerate(order) if old in survey.damage},
    )
    before, after = survey.lines(order), moved.lines(np.arange(len(order)))
    where = dict.fromkeys(survey.lines(np.arange(len(survey))), "")
    where |= dict(zip(reversed(before), reversed(after), strict=True))
    return replace(moved, planted=tuple(_followed(p, where) for p in survey.planted))


def _followed(planted: Planted, where: Mapping[str, str]) -> Planted:
    """Move the raw lines of a record along, dropping those that are gone ("")."""
    lines = (where.get(line, line) for line in planted.lines)  # control.csv stays
    return replace(planted, lines=tuple(line for line in lines if line))
