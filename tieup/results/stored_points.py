"""Stored coordinates that moved on their own: single points off where their setup puts the rest."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.derive.stored_coordinates import MOVED, FieldComparison, compass
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import lines_of, some
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.finding import Finding
from tieup.model.finding_kinds import HAND_TYPED, STORED_POINT
from tieup.results.site import Site


def stored_point_findings(
    site: Site, field: FieldComparison, staked: BoolArray, told: frozenset[str]
) -> Iterator[Finding]:
    """Give a finding for each setup in which single stored points lie off, or their elevations.

    ``staked`` (n,) masks rows of ``field`` that something was set out by; ``told`` are the raw
    rows, as "file:line", that a finding about typed elevations names already.
    """
    stray = np.flatnonzero((field.verdict == MOVED) & ~field.follows)
    lines = lines_of(site.fieldbook, field.row[stray])
    stray = stray[[line not in told for line in lines]] if len(stray) else stray
    typed = _only_typed(site, field, stray)
    for setup in np.unique(field.setup[stray]).tolist():
        own = field.setup[stray] == setup
        if (own & typed).any():
            yield _typed_finding(site, field, stray[own & typed])
        if (own & ~typed).any():
            yield _point_finding(site, field, stray[own & ~typed], staked)


def _only_typed(site: Site, field: FieldComparison, stray: IntArray) -> BoolArray:
    """Return the mask of rows of which the elevation alone is off, and the reading is good.

    Where the reading is left out, or its pole height was corrected, the field only stored what
    the wrong reading gave.
    """
    rest = field.difference[stray] - field.shared[stray]
    flat = np.nan_to_num(np.hypot(rest[:, 0], rest[:, 1])) <= site.job.tolerances.horizontal
    rows = field.row[stray]
    good = site.case.use[rows, 1] & site.case.use[rows, 2] & ~site.excluded[rows, 1:].any(axis=1)
    booked = site.fieldbook.shots.target_height[rows]
    return np.asarray(flat & good & (site.case.shots.target_height[rows] == booked))


def _typed_finding(site: Site, field: FieldComparison, rows: IntArray) -> Finding:
    phrases, points, label = _phrases(site), _points(site, field, rows), _label(site, field, rows)
    off = field.difference[rows, 2]
    size = float(off[int(np.argmax(np.abs(off)))])
    return HAND_TYPED.found(
        setup=label,
        points=points,
        lines=lines_of(site.fieldbook, field.row[rows]),
        size=size / phrases.factor,
        unit=phrases.unit,
        says=f"In setup {label} stored elevations are not what the readings give "
        f"({some(points)}): up to {phrases.shift(size)} {_side(size)}. The readings are used, "
        "stored elevations never.",
        confirm="Ask who typed or averaged them and why; shoot one of the points again.",
        cure="Nothing here: the elevations of this job come from the readings.",
    )


def _point_finding(
    site: Site, field: FieldComparison, rows: IntArray, staked: BoolArray
) -> Finding:
    phrases, points, label = _phrases(site), _points(site, field, rows), _label(site, field, rows)
    worst, size = _worst(site, field, rows)
    name = site.case.points[field.point[worst]]
    set_out = _points(site, field, rows[staked[rows]])
    cure = f"Check on the ground what was set out as {some(set_out)}. " if set_out else ""
    own, most = ("their", f", {name} most") if len(points) > 1 else ("its", "")
    return STORED_POINT.found(
        severity="check" if set_out else "note",
        setup=label,
        points=points,
        lines=lines_of(site.fieldbook, field.row[rows]),
        size=size / phrases.factor,
        unit=phrases.unit,
        says=f"{label} stored {some(points)} off the reconciled place, on {own} own{most}: "
        f"{_away(site, field, worst, phrases)}.",
        confirm="Ask what was typed, averaged or copied in the field controller; shoot "
        f"{name} again.",
        cure=f"{cure}Set out by the reconciled coordinates: stored coordinates are never used.",
    )


def _worst(site: Site, field: FieldComparison, rows: IntArray) -> tuple[int, float]:
    """Return the row that is most beyond its limit, and by how much it is off (m)."""
    limits = site.job.tolerances
    plan = np.nan_to_num(field.plan[rows]) / limits.horizontal
    height = np.abs(np.nan_to_num(field.difference[rows, 2])) / limits.elevation
    at = int(np.argmax(np.maximum(plan, height)))
    worst = int(rows[at])
    size = field.plan[worst] if plan[at] >= height[at] else field.difference[worst, 2]
    return worst, float(size)


def _away(site: Site, field: FieldComparison, row: int, phrases: Phrases) -> str:
    """Say where a stored point lies from the reconciled one, in what is beyond its limit."""
    limits, difference = site.job.tolerances, field.difference[row]
    parts = []
    if field.plan[row] > limits.horizontal:
        # Laid on the site as a whole, they have no north of their own.
        wind = "aside" if field.as_a_whole else compass(difference[:2])
        limit = phrases.shift(limits.horizontal)
        parts.append(f"{phrases.shift(float(field.plan[row]))} {wind} (limit {limit})")
    if abs(difference[2]) > limits.elevation:
        rise, limit = float(difference[2]), phrases.shift(limits.elevation)
        parts.append(f"{phrases.shift(rise)} {_side(rise)} (limit {limit})")
    return " and ".join(parts)


def _side(rise: float) -> str:
    return "high" if rise > 0 else "low"


def _points(site: Site, field: FieldComparison, rows: IntArray) -> tuple[str, ...]:
    return tuple(dict.fromkeys(site.case.points[p] for p in field.point[rows].tolist()))


def _label(site: Site, field: FieldComparison, rows: IntArray) -> str:
    return site.case.setups[int(field.setup[rows[0]])].label


def _phrases(site: Site) -> Phrases:
    return Phrases(site.job.length_unit)
