"""What the data cannot show, said aloud: a mistake here would pass.

Two marks prove one distance; marks in line leave the mirror open; a free station takes up an
error common to all its heights; a reading that little checks can be off unseen.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.observation_equations import Connections
from tieup.model.finding import Finding
from tieup.model.finding_kinds import WEAK_GEOMETRY
from tieup.model.geometry_words import GEOMETRY_WORDS
from tieup.model.observations import DIRECTION, DISTANCE, KINDS
from tieup.results.site import Site
from tieup.sentences import listed
from tieup.ties.sector import Sector

LITTLE = 0.1  # redundancy below which a mistake hardly shows (trade notes A9, common practice)
NAMED = 6  # marks written out


def weakness_findings(site: Site) -> list[Finding]:
    """Return what a mistake could hide behind: setups, then readings."""
    return [*_setups(site), *_readings(site)]


def _setups(site: Site) -> list[Finding]:
    found = []
    for setup, geometry in zip(site.case.setups, site.geometry, strict=True):
        risk = GEOMETRY_WORDS[geometry.word].risk
        if not risk:
            continue
        why = f" ({geometry.why})" if geometry.why else ""
        found.append(
            WEAK_GEOMETRY.found(
                setup=setup.label,
                size=geometry.sd * 1000.0 if np.isfinite(geometry.sd) else None,
                unit="mm" if np.isfinite(geometry.sd) else "",
                says=f"Setup {setup.label}: {risk}{why}.",
                confirm="Shoot a hard point of this setup from another one.",
                cure=_cure(setup.label, geometry.sector),
                key=geometry.word,
            )
        )
    return found


def _cure(label: str, sector: Sector | None) -> str:
    if sector is None:
        return f"Sight one more mark from {label}, well to the side of the others."
    start, end = np.degrees([sector.start, sector.end])
    return (
        f"Sight one more mark from {label}, on a bearing between {start:.0f} and {end:.0f} degrees."
    )


def _reading(connections: Connections, row: int, kind: int) -> str:
    """Return what one reading of a connection is called."""
    if kind == DIRECTION and connections.azimuth[row]:
        return "azimuth"
    if kind == DISTANCE and connections.level[row]:
        return "horizontal distance"
    return KINDS[kind]


def _readings(site: Site) -> list[Finding]:
    """Return one note about all readings of marks that little checks."""
    adjustment = site.adjustment
    seen = adjustment.connections
    shared = np.bincount(seen.point, minlength=len(adjustment.position)) > 1
    shared |= adjustment.problem.held_point.any(axis=1)
    sights = np.flatnonzero(~seen.plumb & shared[seen.point])
    with np.errstate(invalid="ignore"):
        little = adjustment.redundancy[sights] < LITTLE
    if not little.any():
        return []
    rows, kinds = np.nonzero(little)
    connections = adjustment.connections
    names = [
        f"{_reading(connections, row, kind)} {site.case.setups[connections.setup[row]].label} to "
        f"{site.case.points[connections.point[row]]}"
        for row, kind in zip(sights[rows].tolist(), kinds.tolist(), strict=True)
    ]
    return [
        WEAK_GEOMETRY.found(
            severity="note",
            says=f"{len(names)} readings of shared marks are hardly checked by others: a mistake "
            f"in them would not show. {listed(names, NAMED)}.",
            confirm="Look at mdb in observations.csv: the smallest mistake that would be caught.",
            cure="Sight these marks from one more setup.",
            key="redundancy",
        )
    ]
