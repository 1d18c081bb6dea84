"""Do the stated standard deviations fit the readings? By group, with the figure to state instead.

References: Koch (1999), variance components (`tieup.adjust.scatter`); for level runs v'Pv over its
redundancy, chi-square.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from tieup.adjust.distributions import chi_square_tail
from tieup.adjust.scatter import GROUPS, Scatter
from tieup.adjust.solution import UNCHECKED, Adjustment
from tieup.diagnose.basis.mistake import RivalCause
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.kinds.catalogue import clause, kind_of
from tieup.geometry import ARC_SECOND
from tieup.model.finding import Finding, Rival
from tieup.model.finding_kinds import PRECISION
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.settings import Precision

PLAIN = 2.3  # sds of the logarithm by which a group must differ from what is stated
TELLS = 8.0  # redundancy from which a group speaks for itself
WHOLE = 3  # groups that differ alike from which the gear as a whole is spoken of
SURE = 0.001  # chance below which the stated sds of level runs do not fit
MOST_TOLD = 3  # reasons that a finding tells in words
LEAST = 5.0  # redundancy from which a kind can be judged
WORDS = {
    "direction": "directions",
    "zenith": "zenith angles",
    "distance": "distances",
    "centring": "the centring of instruments and targets",
    "height": "the heights of instruments and targets",
}


@dataclass(frozen=True)
class Component:
    """One kind of reading: variance factor, its redundancy, chance of a larger/smaller one."""

    kind: str
    factor: float
    redundancy: float
    chance_larger: float
    chance_smaller: float


def scattering_more(scatter: Scatter | None) -> list[int]:
    """Return the groups that clearly scatter more than stated."""
    return _clearly(scatter, 1.0) if scatter is not None else []


def _clearly(scatter: Scatter, side: float) -> list[int]:
    """Return the groups that scatter clearly more (side 1) or less (-1) than stated."""
    spread = np.sqrt(np.diagonal(scatter.covariance))
    groups: list[int] = np.flatnonzero(side * np.log(scatter.factors) / spread > PLAIN).tolist()
    return groups


def scatter_findings(
    scatter: Scatter | None,
    stated: Precision,
    kept: Sequence[str] = (),
    causes: Mapping[int, tuple[RivalCause, ...]] = MappingProxyType({}),
    phrases: Phrases | None = None,
) -> list[Finding]:
    """Return a finding for each group that scatters otherwise than stated.

    ``kept`` are the ids of findings that a person put back as booked. ``causes``: what could be
    why a group scatters more, with ``phrases`` to say how that is looked for.
    """
    if scatter is None:
        return []
    found = []
    for side in (1.0, -1.0):
        groups = _clearly(scatter, side)
        own = [g for g in groups if scatter.redundancy[g] >= TELLS]
        if len(groups) >= WHOLE or (groups and not own):
            told = [(groups, "the gear as a whole")]
        else:
            told = [([g], WORDS[GROUPS[g]]) for g in own]
        for some, what in told:
            why = [cause for g in some for cause in causes.get(g, ())] if side > 0 else []
            found.append(_with_causes(_finding(scatter, some, what, stated, kept), why, phrases))
    return found


def _finding(
    scatter: Scatter,
    groups: Sequence[int],
    what: str,
    stated: Precision,
    kept: Sequence[str],
) -> Finding:
    own = list(groups)
    times = float(np.exp(0.5 * np.log(scatter.factors[own]).mean()))
    checks = float(scatter.redundancy[own].sum())
    more = times > 1.0
    says = (
        f"{what[0].upper()}{what[1:]}: {times_word(times)} times the scatter stated, "
        f"{'more' if more else 'less'} than chance explains ({checks:.0f} checks)"
    )
    figures = "; ".join(_figures(scatter, group, stated) for group in own)
    cure = f"State {figures}, if this is how the gear works."
    if more:
        says += ". Sds, intervals and tests go by how the readings scatter"
    if more and kept:
        says += f"; what was kept as booked ({', '.join(kept)}) scatters with them"
        cure = "Settle what was kept before the stated sds are judged."
    return PRECISION.found(
        severity="check" if more else "note",
        size=times,
        unit="1",
        statistic=times,
        says=f"{says}.",
        confirm="Compare with other days of the same instrument, target and crew.",
        cure=cure,
        action="applied",
        key=GROUPS[own[0]] if len(own) == 1 else "gear",
    )


def _with_causes(finding: Finding, why: Sequence[RivalCause], phrases: Phrases | None) -> Finding:
    """Return a finding of scatter with what could be why, and how the likeliest is looked for."""
    if not why:
        return finding
    told = dict.fromkeys(clause(cause.kind, cause.setup, ()) for cause in why)
    says = finding.says.removesuffix(".")
    confirm, best = finding.confirm, why[0].cause
    if best is not None and phrases is not None:
        confirm = kind_of(best).words(best, phrases).confirm
    return replace(
        finding,
        rivals=tuple(Rival(r.kind, r.setup, r.points, r.statistic, r.separable) for r in why),
        says=f"{says}. It is as if {', or '.join([*told][:MOST_TOLD])}.",
        confirm=confirm,
        cure=f"Look at that first. {finding.cure}",
    )


def times_word(times: float) -> str:
    """Return a factor to hundredths, a small one to two figures.

    >>> times_word(1.5), times_word(0.003456)
    ('1.50', '0.0035')
    """
    return f"{times:.2f}" if times >= 0.1 else f"{times:.2g}"


def _figures(scatter: Scatter, group: int, stated: Precision) -> str:
    """Return what to state of a group, as job.yaml has it."""
    times, name = float(scatter.times[group]), GROUPS[group]
    if name == "centring":
        return (
            f"centring: {{instrument: {1000 * stated.centring_instrument * times:.1f}, "
            f"target: {1000 * stated.centring_target * times:.1f}}}"
        )
    if name == "height":
        return (
            f"heights: {{instrument: {1000 * stated.height_instrument * times:.1f}, "
            f"target: {1000 * stated.height_target * times:.1f}}}"
        )
    if len(stated.instruments) != 1:
        return f"{name} of each instrument {times_word(times)} times as large"
    one = next(iter(stated.instruments.values()))
    if name == "distance":
        constant, ppm = 1000 * one.distance_constant * times, one.distance_ppm * times
        return f"distance: [{constant:.1f}, {ppm:.1f}]"
    return f"{name}: {getattr(one, name) / ARC_SECOND * times:.1f}"


def run_components(adjustment: Adjustment) -> tuple[Component, ...]:
    """Return the variance factor of each kind of link."""
    links, sd = adjustment.problem.network.links, adjustment.link_sd
    kinds = links.kind[adjustment.problem.links]
    squares = (adjustment.link_residual / sd) ** 2
    found = []
    for kind in LINK_KINDS:
        own = kinds == kind
        share = float(adjustment.link_redundancy[own].sum())
        if share > UNCHECKED:
            square = float(squares[own].sum())
            chance = float(chi_square_tail(square, share))
            found.append(Component(kind, square / share, share, chance, 1.0 - chance))
    return tuple(found)


def precision_findings(found: tuple[Component, ...], kept: Sequence[str] = ()) -> list[Finding]:
    """Return a finding for each kind of level run or tape whose stated sds do not fit.

    ``kept`` are the ids of findings that a person put back as booked: they scatter as well, and
    nothing is said about the gear before they are settled.
    """
    judged = (component for component in found if component.redundancy >= LEAST)
    return [
        _of_component(component, kept)
        for component in judged
        if component.chance_larger < SURE or component.chance_smaller < SURE
    ]


def _of_component(component: Component, kept: Sequence[str]) -> Finding:
    scatter, too_small = component.factor**0.5, component.chance_larger < SURE
    kind, side = component.kind, "more" if too_small else "less"
    says = (
        f"The {kind}s scatter {times_word(scatter)} times as much as stated: {side} than chance "
        f"explains ({component.redundancy:.0f} checks)"
    )
    if too_small and kept:
        says += f"; what was kept as booked ({', '.join(kept)}) scatters with them"
        cure = "Settle what was kept before the stated sds are judged."
    else:
        cure = (
            f"State the standard deviation of {kind}s (or of centring) {times_word(scatter)} times "
            "as large, if this is how the gear works."
        )
    return PRECISION.found(
        severity="check" if too_small else "note",
        size=scatter,
        unit="1",
        statistic=scatter,
        says=f"{says}.",
        confirm="Compare with other days of the same instrument, target and crew.",
        cure=cure,
        key=kind,
    )
