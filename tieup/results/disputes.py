"""Points between two stories, written into the finding that tells of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.disputes import Dispute
from tieup.diagnose.report import Reporter
from tieup.model.finding import Finding, Place
from tieup.units import length_factor


def with_places(
    findings: Sequence[Finding],
    reporter: Reporter,
    disputes: Sequence[Dispute],
    length_unit: str,
) -> tuple[Finding, ...]:
    """Return the findings with the places of each point that depends on their rivals."""
    places: dict[str, list[Place]] = {}
    factor = length_factor(length_unit)
    for dispute in disputes:
        own = places.setdefault(reporter.finding(dispute.mistake).id, [])
        for story in dispute.stories:
            north, east, height = (story.place / factor).tolist()
            sds = tuple((np.asarray(story.sd) / factor).tolist())
            own.append(Place(dispute.point, story.clause, (north, east, height), sds))
    return tuple(
        replace(finding, places=tuple(places[finding.id])) if finding.id in places else finding
        for finding in findings
    )
