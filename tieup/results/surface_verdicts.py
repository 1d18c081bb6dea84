"""Surfaces in the one answer of a run: which do not drain or break a limit, which nobody can tell.

Whoever names a surface in job.yaml asks whether it drains and keeps its limits, so it counts like a
named fall: the site may tie all the same, but somebody must decide.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from tieup.derive.measured_falls import CANNOT_TELL as UNTOLD
from tieup.derive.measured_falls import FAIL
from tieup.model.answer import SiteVerdict
from tieup.model.surface_drawn import SiteSurface
from tieup.sentences import listed
from tieup.surface.drainage import CANNOT_TELL, HOLDS

MOST = 3  # faults of one surface that are named


def with_surfaces(verdict: SiteVerdict, surfaces: Sequence[SiteSurface]) -> SiteVerdict:
    """Return the verdict of a site with the surfaces that fail and that nobody can tell."""
    fails = {one.name: [*_fails(one)] for one in surfaces}
    untold = {one.name: [*_untold(one)] for one in surfaces if not fails[one.name]}
    wrong, open_ = (
        tuple(f"Surface {name} {listed(says, MOST, 'and')}" for name, says in found.items() if says)
        for found in (fails, untold)
    )
    return replace(verdict, surfaces=wrong, untold_surfaces=open_)


def _fails(surface: SiteSurface) -> Iterator[str]:
    if surface.verdict == HOLDS:
        yield "does not drain"
    broken = _limits(surface, FAIL)
    if broken:
        yield f"breaks {listed(broken, MOST)}"
    if _thickness(surface) == FAIL:
        yield "is not as thick as asked for"


def _untold(surface: SiteSurface) -> Iterator[str]:
    if not surface.verdict:
        yield "makes no triangle"
    if surface.verdict == CANNOT_TELL:
        yield "may drain or not"
    open_ = _limits(surface, UNTOLD)
    if open_:
        yield f"may break {listed(open_, MOST)} or not"
    if _thickness(surface) == UNTOLD:
        yield "may be as thick as asked for or not"


def _limits(surface: SiteSurface, verdict: str) -> list[str]:
    grades = surface.grades
    if not grades:
        return []
    rows = zip(grades["limit"], grades["where"], grades["verdict"], strict=True)
    return [f"{of}{f' on {at}' if at else ''}" for of, at, word in rows if word == verdict]


def _thickness(surface: SiteSurface) -> str:
    """Return the worst verdict on what lies between two surfaces, empty where none is asked for."""
    words = {str(word) for word in surface.depths.get("verdict", ())}
    return next((word for word in (FAIL, UNTOLD) if word in words), "")
