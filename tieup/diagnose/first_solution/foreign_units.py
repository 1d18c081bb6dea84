"""Metres taken for feet, or feet for metres, in the whole of a job.

A setup in another unit than the others stands out against them; when every setup is in it,
only known coordinates or the heights of people can tell. Where measured lengths are a foot's
share of those between known marks, the list is not held: every reading would be bent to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.kinds.convention_catalogue import FOOT
from tieup.model.arrays import FloatArray
from tieup.model.finding import Finding
from tieup.model.finding_kinds import JOB_UNIT
from tieup.model.observations import Sights
from tieup.model.settings import Datum
from tieup.reduce.known_lengths import KnownLengths, known_lengths
from tieup.reduce.sights import reduce_shots

NEAR = 0.01  # of the ratio of the units; control and distances of one unit agree far better
SHARE = 0.8  # of the lengths that must agree; the others may be mistaken


def free_of_foreign_units(case: Case) -> tuple[Case, tuple[Finding, ...]]:
    """Return the case without control held, and the finding, where lengths are in two units."""
    if not len(case.setups):
        return case, ()
    sights = reduce_shots(case.shots, case.setups, case.precision, case.use).sights
    for source, found in _known(case, sights):
        ratio = _foreign_ratio(found, len(case.setups))
        if ratio is not None:
            held = case.datum.kind == "control"
            free = replace(case, control=None, datum=Datum("free")) if held else case
            return free, (_two_units(source, ratio, len(found.inverse), held),)
        if len(found.inverse):
            break
    return case, ()


def _known(case: Case, sights: Sights) -> Iterator[tuple[str, KnownLengths]]:
    """Give the lengths that the list knows, then those of coordinates stored in the field."""
    if case.given is not None:
        known = dict(zip(case.given.names, case.given.coordinates[:, :2], strict=True))
        none = np.full(2, np.nan)
        place = np.array([known.get(name, none) for name in case.points])
        station = np.array([known.get(setup.station, none) for setup in case.setups])
        yield case.given.file, known_lengths(sights, station, place[sights.point])
    station = np.full((len(case.setups), 2), np.nan)
    yield "coordinates stored in the field", known_lengths(sights, station, _stored(case, sights))


def _foreign_ratio(found: KnownLengths, setups: int) -> float | None:
    """Return measured over known where it is that of the units in every setup, else None.

    A single setup in another unit is found beside the others; this is for all of them.
    """
    ratio = found.measured / found.inverse
    for unit in (FOOT, 1.0 / FOOT):
        near = np.abs(ratio / unit - 1.0) < NEAR
        telling, agreeing = np.unique(found.setup), np.unique(found.setup[near])
        if len(near) and near.mean() >= SHARE and len(telling) == len(agreeing) >= setups / 2:
            return float(np.median(ratio[near]))
    return None


def _stored(case: Case, sights: Sights) -> FloatArray:
    """Return the northing and easting (k, 2) that the field stored at each sight, NaN for none."""
    shots = case.shots
    rows = np.flatnonzero(np.isfinite(shots.field_coordinates[:, :2]).all(axis=1))
    span = len(case.points)
    code = sights.setup * span + sights.point
    place = np.full((len(sights), 2), np.nan)
    keys, first = np.unique(shots.setup[rows] * span + shots.point[rows], return_index=True)
    spot = np.searchsorted(keys, code)
    there = np.flatnonzero(spot < len(keys))
    there = there[keys[spot[there]] == code[there]]
    place[there] = shots.field_coordinates[rows[first[spot[there]]], :2]
    return place


def _two_units(source: str, ratio: float, count: int, held: bool) -> Finding:
    kept = " The list is not held." if held else ""
    return JOB_UNIT.found(
        size=ratio,
        action="freed" if held else "left in",
        says=f"The shots measure {ratio:.3f} times the lengths of {source} ({count} compared): "
        f"feet on one side, metres on the other.{kept}",
        confirm="Look up the unit of the export and of the coordinates; tape one short line.",
        cure="State the unit of each: units: {length: ...} holds for raw files and control; a "
        "column in another unit says so: columns: {distance: {column: ..., unit: ...}}.",
        key="whole job",
    )
