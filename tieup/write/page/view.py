"""The whole page as data: everything the templates show, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tieup.model.reconciliation import Reconciliation
from tieup.write.cautions import CAUTIONS
from tieup.write.page.crew_view import Crew, crew_view
from tieup.write.page.drawing import Drawing, plan_view
from tieup.write.page.office_view import Office, office_view
from tieup.write.page.page_table import row_starts
from tieup.write.page.surface_view import SurfaceMap, surface_maps
from tieup.write.page.survey_view import Survey, survey_view
from tieup.write.tables import of_rows


@dataclass(frozen=True)
class Page:
    """What the page shows: the views, the plan, the surfaces, and what stands on every view."""

    title: str
    version: str
    crew: Crew
    plan: Drawing | None
    surfaces: tuple[SurfaceMap, ...]
    survey: Survey
    office: Office
    cautions: tuple[str, ...]
    limits: str


def page_of(site: Reconciliation) -> Page:
    """Gather everything that the page of a site shows."""
    site = replace(site, observations=of_rows(site.observations))
    starts, limits = row_starts(site.observations), site.job.tolerances
    return Page(
        title=site.job.title,
        version=str(site.run.get("version", "")),
        crew=crew_view(site),
        plan=plan_view(site, starts),
        surfaces=surface_maps(site),
        survey=survey_view(site),
        office=office_view(site, starts),
        cautions=CAUTIONS,
        limits=f"Limits of the ties: {limits.name}. Source: {limits.source}.",
    )
