"""The scale between a held control list and the survey, beside the other findings."""

from __future__ import annotations

from tieup.diagnose.scaled import LEAST, scale_finding
from tieup.model.finding import Finding
from tieup.model.settings import Grid
from tieup.ties.control import ControlTest


def with_control_scale(
    findings: tuple[Finding, ...], control: ControlTest | None, grid: Grid | None
) -> tuple[Finding, ...]:
    """Add the finding about the control's scale; it takes the place of one about all distances."""
    if control is None or not control.by_scale or abs(control.scale) < LEAST:
        return findings
    turn = None if control.similarity is None else control.similarity.turn
    found = scale_finding(control.scale, control.scale_sd, turn, grid, freed=False)
    others = (f for f in findings if f.kind != "distance-scale" or f.setup)
    return (*others, found)
