"""derived.csv and the derived rows of coordinates.csv."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.derive.placed import covariances
from tieup.derive.points import DerivedPoint, DerivedPoints, Ground, derive_points
from tieup.linework.site_lines import SiteLine
from tieup.model.arrays import FloatArray, text_array
from tieup.model.derived import Typed
from tieup.model.finding import Finding
from tieup.model.point_words import DERIVED, UNCHECKED
from tieup.model.reconciliation import Table
from tieup.results.coordinates_table import hidden_nothing, spread_columns
from tieup.results.derived_words import empty_findings, flag, how, remarks
from tieup.results.site import Site
from tieup.results.typed_elevations import typed_elevations, typed_findings
from tieup.units import length_factor

AXES = ("northing", "easting", "elevation")
PLACE = (*AXES, *(f"sd_{axis}" for axis in AXES))  # what derived.csv repeats of coordinates.csv
PROOFS = ("", "disputed", "unchecked", "checked", "held")  # the weakest first


def derived_points(site: Site, lines: Sequence[SiteLine]) -> DerivedPoints:
    """Return what job.yaml derives from the marks and the lines of a site.

    Raises
    ------
    ConfigError
        An entry names what is not there, or takes a name that is.
    """
    origin = site.solved.network.origin
    ground = Ground(
        names=tuple(site.case.points),
        position=site.position - origin,
        origin=origin,
        strings={line.name: line.parts for line in lines},
    )
    free = [setup.label for setup in site.case.setups if not setup.station]
    return derive_points(site.job.derived, ground, site.adjustment, free)


def with_derived(coordinates: Table, site: Site, derived: DerivedPoints) -> Table:
    """Return the coordinates table with a row for each derived point behind the others."""
    if not derived.points:
        return coordinates
    rows = _coordinate_rows(coordinates, site, derived)
    return {name: np.concatenate([column, rows[name]]) for name, column in coordinates.items()}


def _coordinate_rows(coordinates: Table, site: Site, derived: DerivedPoints) -> Table:
    length = length_factor(site.job.length_unit)
    points, position = derived.points, _positions(site, derived)
    covariance = covariances(site.adjustment, derived.places)
    parents = _inherited(coordinates, site, derived)
    verdicts = typed_elevations(site, points).verdict
    freedom = np.full((len(points), 2), site.proven.certainty.whole)
    return {
        "point": text_array([point.place.name for point in points]),
        "northing": position[:, 0] / length,
        "easting": position[:, 1] / length,
        "elevation": position[:, 2] / length,
        "code": text_array(_codes(coordinates, points)),
        "string": text_array([point.string for point in points]),
        "role": np.full(len(points), DERIVED, dtype=object),
        "proof": text_array([proof for proof, _ in parents]),
        **hidden_nothing(len(points)),
        **spread_columns(position, covariance, site.job, freedom),
        "setups": text_array([setups for _, setups in parents]),
        "flags": text_array([flag(*pair) for pair in zip(points, verdicts, strict=True)]),
    }


def _positions(site: Site, derived: DerivedPoints) -> FloatArray:
    """Return the derived points in the job's frame (n, 3) in m."""
    places = np.array([point.place.position for point in derived.points]).reshape(-1, 3)
    return np.asarray(places + site.solved.network.origin)


def _inherited(coordinates: Table, site: Site, derived: DerivedPoints) -> list[tuple[str, str]]:
    """Return the weakest proof of the marks behind each point, and the setups that shot them.

    With a typed number in it a point is unchecked: nothing would show that number wrong.
    """
    labels = {setup.label: number for number, setup in enumerate(site.case.setups)}
    found = []
    for point in derived.points:
        marks = list(point.place.marks)
        proofs = [PROOFS.index(str(coordinates["proof"][mark])) for mark in marks]
        setups = {s for mark in marks for s in str(coordinates["setups"][mark]).split()}
        weakest = PROOFS[min(proofs, default=0)]
        if point.typed and weakest not in ("", "disputed"):
            weakest = UNCHECKED
        found.append((weakest, " ".join(sorted(setups, key=lambda s: labels.get(s, -1)))))
    return found


def _codes(coordinates: Table, points: Sequence[DerivedPoint]) -> Iterator[str]:
    """Give the code of each point of a string: that of the first mark behind it that has one."""
    for point in points:
        codes = [str(coordinates["code"][mark]) for mark in point.place.marks]
        yield next((code for code in codes if code), "") if point.string else ""


def derived_table(site: Site, derived: DerivedPoints, coordinates: Table) -> Table:
    """Return every derived point: how it is made, and a typed elevation beside the measured.

    ``coordinates`` is the table that `with_derived` returned.
    """
    if not derived.points:
        return {}
    length, points = length_factor(site.job.length_unit), derived.points
    rows = slice(-len(points), None)
    typed = typed_elevations(site, points)
    limit = site.job.tolerances.elevation
    return {
        "point": text_array([point.place.name for point in points]),
        "string": text_array([point.string for point in points]),
        "how": text_array([how(point, site) for point in points]),
        **{name: np.asarray(coordinates[name])[rows] for name in PLACE},
        "measured_elevation": typed.measured / length,
        "typed_elevation": typed.typed / length,
        "d_elevation": typed.difference / length,
        "sd_difference": typed.sd / length,
        "limit_elevation": np.where(np.isnan(typed.typed), np.nan, limit / length),
        "verdict": text_array(typed.verdict),
        "by": text_array([p.entry.by if isinstance(p.entry, Typed) else "" for p in points]),
        "reason": text_array(
            [p.entry.reason if isinstance(p.entry, Typed) else "" for p in points]
        ),
        "remarks": text_array(["; ".join(remarks(point, site)) for point in points]),
    }


def derived_findings(site: Site, derived: DerivedPoints) -> Iterator[Finding]:
    """Give what a person must look at: empty places, and typed elevations that differ."""
    yield from empty_findings(derived.points)
    yield from typed_findings(site, derived.points)
