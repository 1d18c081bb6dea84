"""The surfaces that a job asks for: built, judged, drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tieup.config.surfaces_section import refuse_unknown_parts
from tieup.derive.points import DerivedPoints
from tieup.derive.slopes import Slopes
from tieup.model.answer import SiteVerdict
from tieup.model.finding import Finding
from tieup.model.reconciliation import Table
from tieup.model.surface_drawn import SiteSurface
from tieup.read.landxml_surface_reader import read_surface
from tieup.results.site import Site
from tieup.results.surface_build import built_surfaces
from tieup.results.surface_findings import surface_findings
from tieup.results.surface_names import words_of
from tieup.results.surface_verdicts import with_surfaces
from tieup.results.surfaces_tables import site_surface


@dataclass(frozen=True)
class SurfacesOfJob:
    """Surfaces as they are ``drawn``, and the ``findings`` about them."""

    drawn: tuple[SiteSurface, ...]
    findings: tuple[Finding, ...]

    def judged(self, verdict: SiteVerdict) -> SiteVerdict:
        """Return the verdict of a site with what its surfaces do to it."""
        return with_surfaces(verdict, self.drawn)


def surfaces_of(
    site: Site,
    strings: Sequence[str],
    derived: DerivedPoints,
    coordinates: Table,
    slopes: Slopes,
) -> SurfacesOfJob:
    """Return the surfaces that a job asks for; ``strings`` are the names of its lines.

    Raises
    ------
    ConfigError
        A surface names what the job does not have.
    InputError
        A file with a surface cannot be read as one.
    NetworkError
        The library that triangulates is missing.
    """
    codes = {str(code) for code in coordinates["code"] if code}
    refuse_unknown_parts(site.job.surfaces, [*coordinates["point"]], codes, tuple(strings))
    given = {
        wish.name: read_surface(wish.against.file, site.job)
        for wish in site.job.surfaces
        if wish.against is not None and wish.against.file is not None
    }
    built = built_surfaces(site, slopes, derived, coordinates, given)
    return SurfacesOfJob(
        tuple(site_surface(surface, site, coordinates) for surface in built),
        tuple(
            found
            for surface in built
            for found in surface_findings(surface, words_of(surface, site))
        ),
    )
