"""From setups that fit under another convention to mistakes, alike ones taken together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import Agreement, rows_of_setup
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.diagnose.kinds.convention_catalogue import Convention

LEAST_MISFIT = 0.001  # m; a better fit than this says no more


@dataclass(frozen=True)
class Claim:
    """A setup that fits under a convention, how well as stated (``before``) and with it.

    ``witness`` is the one setup whose word stands against this one's, -1 where there is more.
    ``rivals`` explain the same.
    """

    setup: int
    convention: Convention
    before: Agreement
    after: Agreement
    witness: int
    rivals: tuple[Claim, ...] = ()

    @property
    def statistic(self) -> float:
        """Return how many times larger the misfit is as stated than under the convention."""
        return self.before.misfit / max(self.after.misfit, LEAST_MISFIT)


def mistakes_of(case: Case, claims: list[Claim]) -> list[Mistake]:
    """Return a mistake a setup, or one for all setups of an instrument, or for the job."""
    by_convention: dict[Convention, list[Claim]] = {}
    for claim in sorted(claims, key=lambda claim: claim.setup):
        by_convention.setdefault(claim.convention, []).append(claim)
    found = []
    for alike in by_convention.values():
        for group in _groups(case, alike):
            label = case.setups[group[0].setup].label if len(group) == 1 else ""
            found.append(_mistake(case, group, label))
    return found


def _groups(case: Case, alike: list[Claim]) -> list[list[Claim]]:
    """Take the setups of one instrument together where all of them are misread alike."""
    misread = {claim.setup for claim in alike}
    if len(misread) == len(case.setups):
        return [alike]
    members: dict[str, set[int]] = {}
    for number, setup in enumerate(case.setups):
        members.setdefault(setup.instrument, set()).add(number)
    whole = [own for own in members.values() if len(own) > 1 and own <= misread]
    groups = [[claim for claim in alike if claim.setup in own] for own in whole]
    grouped = set().union(*whole)
    return groups + [[claim] for claim in alike if claim.setup not in grouped]


def _mistake(case: Case, group: list[Claim], label: str) -> Mistake:
    """Return the mistake of a group; ``instead`` is what the numbers are, then the setups."""
    convention = group[0].convention
    setups = [claim.setup for claim in group]
    rows = np.concatenate([rows_of_setup(case, setup) for setup in setups])
    scale = convention.factor != 1.0
    statistic = min(claim.statistic for claim in group)
    labels = tuple(case.setups[setup].label for setup in setups)
    rivals = tuple(
        KINDS[r.convention.kind].rival(case.setups[r.setup].label, (), statistic)
        for claim in group
        for r in claim.rivals
    )
    return replace(
        KINDS[convention.kind].mistake(label, (), np.sort(rows)),
        kinds=convention.kinds,
        size=np.array([1.0 / convention.factor] if scale else []),
        covariance=np.zeros((int(scale), int(scale))),
        statistic=statistic,
        detail=convention.name,
        instead=(convention.right, *(labels if len(group) > 1 else ())),
        rivals=rivals,
    )
