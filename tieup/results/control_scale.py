"""A control list that fits the survey only with a scale: what that looks like, in words."""

from __future__ import annotations

import numpy as np

from tieup.model.finding import Finding, Rival
from tieup.model.settings import Grid
from tieup.ties.control import ControlTest

LEAST, GRID_LEAST, GRID_MOST = 20e-6, 80e-6, 450e-6  # trade habit: 5-40 weather, 100-400 grid
PLAIN = 5.0  # sds beyond which the list and the shots cannot both be held
PPM = 1e-6


def with_control_scale(
    findings: tuple[Finding, ...], control: ControlTest | None, grid: Grid | None
) -> tuple[Finding, ...]:
    """Add the finding about the control's scale; it takes the place of one about all distances."""
    found = control_scale_finding(control, grid)
    if found is None:
        return findings
    others = (f for f in findings if f.kind != "distance-scale" or f.setup)
    return (*others, found)


def control_scale_finding(control: ControlTest | None, grid: Grid | None) -> Finding | None:
    """Return a finding where the whole list fits with a scale and no single mark explains it.

    ``size`` is the survey's lengths over those of the list, minus 1, in ppm.
    """
    if control is None or not control.by_scale or abs(control.scale) < LEAST:
        return None
    scale, sd = control.scale, control.scale_sd
    statistic = abs(scale) / sd
    looks = GRID_LEAST <= abs(scale) <= GRID_MOST
    stop = looks and statistic > PLAIN
    longer = "longer" if scale > 0 else "shorter"
    turn = ""
    if control.similarity is not None:
        seconds = np.degrees(control.similarity.turn) * 3600.0
        turn = f" The best fit of the two turns the site by {seconds:.0f} seconds."
    return Finding(
        kind="control-scale",
        severity="stop" if stop else "check",
        points=(),
        size=scale / PPM,
        unit="ppm",
        sd=sd / PPM,
        statistic=statistic,
        rivals=(Rival("distance-scale", "", (), statistic, separable=False),),
        action="left in",
        says=f"The shots measure lengths {abs(scale) * 1e6:.0f} mm per km {longer} than the "
        f"control list (give or take {sd * 1e6:.0f}); no single mark explains it."
        f"{_looks_like(looks, grid)}{turn}",
        confirm="Look up on what grid the control was computed and whether its lengths are grid or "
        "ground; look at the scale factor set in the instrument; tape one long line.",
        cure="State the grid of the control (grid: in job.yaml), or get ground coordinates; never "
        "stretch the list to fit.",
    )


def _looks_like(grid_like: bool, grid: Grid | None) -> str:
    if not grid_like:
        return (
            " That is too little for a grid factor: weather not set in the instrument, or control "
            "from two sources."
        )
    if grid is not None:
        return f" The job states a {grid.words}: it looks as if that were applied twice or wrongly."
    return (
        " It looks like a grid factor: control on a map grid (or at sea level), distances on the "
        "ground."
    )
