"""Elevations that a person typed over measured marks: side by side, and who must look again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import normal_critical
from tieup.derive.placed import covariances
from tieup.derive.points import DerivedPoint
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.arrays import FloatArray
from tieup.model.derived import Typed
from tieup.model.finding import Finding
from tieup.model.finding_kinds import TYPED_ELEVATION
from tieup.results.site import Site

AGREES, DIFFERS, CANNOT_TELL, UNTESTED = "agrees", "differs", "cannot tell", "untested"


@dataclass(frozen=True)
class TypedElevations:
    """Of n derived points the typed and the measured elevation, and its ``sd``; (n,) in m.

    NaN where none is typed, or none measured. ``verdict`` is empty where none is typed.
    """

    typed: FloatArray
    measured: FloatArray
    sd: FloatArray
    verdict: tuple[str, ...]

    @property
    def difference(self) -> FloatArray:
        """Return typed minus measured (n,) in m."""
        return self.typed - self.measured


def typed_elevations(site: Site, points: Sequence[DerivedPoint]) -> TypedElevations:
    """Return the typed elevations of derived points beside what was measured there."""
    measured, sd = np.full(len(points), np.nan), np.full(len(points), np.nan)
    rows = [row for row, point in enumerate(points) if point.measured is not None]
    places = [point.measured for point in points if point.measured is not None]
    if rows:
        measured[rows] = [place.position[2] + site.solved.network.origin[2] for place in places]
        sd[rows] = np.sqrt(np.maximum(covariances(site.adjustment, places)[:, 2, 2], 0.0))
    sd = np.where(np.isnan(measured), np.nan, sd)
    typed = np.array([p.entry.elevation if isinstance(p.entry, Typed) else np.nan for p in points])
    verdict = tuple(_verdicts(site, typed, typed - measured, sd))
    return TypedElevations(typed, measured, sd, verdict)


def _verdicts(
    site: Site, typed: FloatArray, difference: FloatArray, sd: FloatArray
) -> Iterator[str]:
    """Judge typed elevations: beyond the limit they differ, whatever the gear may explain.

    Somebody can be hurt by a wrong grade, so only a measurement that is good enough to tell
    makes a typed elevation agree.
    """
    limit = site.job.tolerances.elevation
    reach = float(normal_critical(1.0 - site.job.confidence)) * sd
    for value, off, unsure in zip(typed, np.abs(difference), reach, strict=True):
        if np.isnan(value):
            yield ""
        elif np.isnan(off):
            yield UNTESTED
        elif off > limit:
            yield DIFFERS
        else:
            yield AGREES if off + unsure <= limit else CANNOT_TELL


def typed_findings(site: Site, points: Sequence[DerivedPoint]) -> Iterator[Finding]:
    """Give the typed elevations that differ from the measured ones by more than the limit."""
    typed = typed_elevations(site, points)
    for point, verdict, size, sd in zip(
        points, typed.verdict, typed.difference.tolist(), typed.sd.tolist(), strict=True
    ):
        if verdict == DIFFERS and isinstance(point.entry, Typed):
            yield _typed_finding(point, point.entry, size, sd, site)


def _typed_finding(
    point: DerivedPoint, entry: Typed, size: float, sd: float, site: Site
) -> Finding:
    phrases = Phrases(site.job.length_unit)
    name, side = entry.origin, "above" if size > 0 else "below"
    return TYPED_ELEVATION.found(
        points=tuple(dict.fromkeys((point.place.name, name))),
        size=size / phrases.factor,
        unit=phrases.unit,
        sd=sd / phrases.factor,
        statistic=abs(size) / sd if sd > 0.0 else None,
        says=f"{point.place.name} has a typed elevation {phrases.shift(size)} {side} what was "
        f"measured at {name} (limit {phrases.shift(site.job.tolerances.elevation)}); typed by "
        f"{entry.by}: {entry.reason}.",
        confirm=f"Ask {entry.by}, look at the plan, and level {name} again before anyone builds "
        "or digs to the typed value.",
        cure=f"Correct the elevation (job.yaml, line {entry.line}), or take the entry out and use "
        "the measured one.",
    )
