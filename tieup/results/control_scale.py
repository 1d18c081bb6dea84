"""The scale between a held control list and the survey, beside the other findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.first_solution.scaled_control import (
    LEAST,
    largest_misfit,
    likely_cause,
    mean_elevation,
    scale_finding,
)
from tieup.model.finding import Finding
from tieup.model.settings import Grid
from tieup.ties.tie_checks import Checks


def with_control_scale(
    findings: tuple[Finding, ...], checks: Checks, grid: Grid | None, phrases: Phrases
) -> tuple[Finding, ...]:
    """Add the finding about the control's scale; it takes the place of one about all distances.

    A scale that stays within the limit across the marks is good to know and no more.
    """
    control = checks.evidence.control
    if control is None or not control.by_scale or abs(control.scale) < LEAST:
        return findings
    turn = None if control.similarity is None else control.similarity.turn
    near = tuple(checks.evidence.points[mark] for mark in control.point[control.near_scale])
    known = checks.evidence.adjustment.problem.frame.control[control.point, 2]
    height = mean_elevation(known, checks.evidence.adjustment.problem.network.origin[2])
    cause = likely_cause(control.scale, control.scale_sd, height, grid)
    found = scale_finding(control.scale, control.scale_sd, turn, cause, near, freed=False)
    place = checks.evidence.adjustment.position[control.point, :2]
    most = largest_misfit(control.scale, place[np.isfinite(place[:, 0])])
    if most <= checks.limits.horizontal:
        small = f"Across the marks {phrases.shift(most)}, within the limit. "
        found = replace(found, severity="note", says=f"{small}{found.says}")
    others = (f for f in findings if f.kind != "distance-scale" or f.setup)
    return (*others, found)
