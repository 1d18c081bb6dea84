"""Do the stated standard deviations fit the residuals? By kind of reading.

References: Förstner (1979), Koch (1999), variance components in the simplified form
v'Pv of a group over its redundancy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import chi_square_tail
from tieup.adjust.pointings import PointingTests, sight_results
from tieup.adjust.solution import Adjustment
from tieup.model.finding import Finding
from tieup.model.observations import KINDS, Pointings, Sights

SURE = 0.001  # chance below which the stated sds do not fit
LEAST = 5.0  # redundancy from which a kind can be judged


@dataclass(frozen=True)
class Component:
    """One kind of reading: variance factor, its redundancy, chance of a larger/smaller one."""

    kind: str
    factor: float
    redundancy: float
    chance_larger: float
    chance_smaller: float


def components(
    adjustment: Adjustment, sights: Sights, pointings: Pointings, tests: PointingTests
) -> tuple[Component, ...]:
    """Return the variance factor of directions, zenith angles and distances."""
    means = sight_results(adjustment, sights)
    row = np.maximum(pointings.sight, 0)
    inside = (sights.count[row] > 1) & tests.solved
    deviation = np.where(inside, pointings.deviation / sights.pointing_sd[row], 0.0)
    squares = np.nansum((means.residual / means.sd) ** 2, axis=0) + np.sum(deviation**2, axis=0)
    shares = np.nansum(np.where(tests.solved, tests.redundancy, 0.0), axis=0)
    return tuple(
        Component(
            kind,
            float(square / share) if share > 0 else np.nan,
            float(share),
            float(chi_square_tail(square, share)) if share > 0 else np.nan,
            float(1.0 - chi_square_tail(square, share)) if share > 0 else np.nan,
        )
        for kind, square, share in zip(KINDS, squares, shares, strict=True)
    )


def precision_findings(found: tuple[Component, ...]) -> list[Finding]:
    """Return a finding for each kind whose stated sds do not fit."""
    findings = []
    for component in found:
        if component.redundancy < LEAST:
            continue
        too_small = component.chance_larger < SURE
        if not too_small and not component.chance_smaller < SURE:
            continue
        scatter = component.factor**0.5
        side = "more" if too_small else "less"
        findings.append(
            Finding(
                kind="precision",
                severity="check" if too_small else "note",
                size=scatter,
                unit="1",
                statistic=scatter,
                says=f"The {component.kind}s scatter {scatter:.2f} times as much as stated: "
                f"{side} than chance explains ({component.redundancy:.0f} checks).",
                confirm="Compare with other days of the same instrument, target and crew.",
                cure=f"State the standard deviation of {component.kind}s (or of centring) "
                f"{scatter:.2f} times as large, if this is how the gear works.",
                key=component.kind,
            )
        )
    return findings
