"""Do the stated standard deviations fit the residuals? By kind of reading.

References: Förstner (1979), Koch (1999), variance components in the simplified form
v'Pv of a group over its redundancy.
"""

from __future__ import annotations

from collections.abc import Sequence
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


def precision_findings(found: tuple[Component, ...], kept: Sequence[str] = ()) -> list[Finding]:
    """Return a finding for each kind whose stated sds do not fit.

    ``kept`` are the ids of findings that a person put back as booked: they scatter as well, and
    nothing is said about the gear before they are settled.
    """
    judged = (component for component in found if component.redundancy >= LEAST)
    return [
        _finding(component, kept)
        for component in judged
        if component.chance_larger < SURE or component.chance_smaller < SURE
    ]


def _finding(component: Component, kept: Sequence[str]) -> Finding:
    scatter, too_small = component.factor**0.5, component.chance_larger < SURE
    kind, side = component.kind, "more" if too_small else "less"
    says = (
        f"The {kind}s scatter {scatter:.2f} times as much as stated: {side} than chance explains "
        f"({component.redundancy:.0f} checks)"
    )
    if too_small and kept:
        says += f"; what was kept as booked ({', '.join(kept)}) scatters with them"
        cure = "Settle what was kept before the stated sds are judged."
    else:
        cure = (
            f"State the standard deviation of {kind}s (or of centring) {scatter:.2f} times as "
            "large, if this is how the gear works."
        )
    return Finding(
        kind="precision",
        severity="check" if too_small else "note",
        size=scatter,
        unit="1",
        statistic=scatter,
        says=f"{says}.",
        confirm="Compare with other days of the same instrument, target and crew.",
        cure=cure,
        key=kind,
    )
