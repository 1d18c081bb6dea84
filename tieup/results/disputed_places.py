"""Points between two stories, written into the finding that tells of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.proof.disputes import Dispute
from tieup.model.finding import Finding, Place
from tieup.units import length_factor

MOST_TOLD = 2  # points of which a finding says how far apart their places are
SEEN = 5e-4  # m; less is not told


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
    phrases = Phrases(length_unit)
    return tuple(
        replace(
            finding,
            places=tuple(places[finding.id]),
            says=" ".join([finding.says, *_apart(places[finding.id], phrases)]),
        )
        if finding.id in places
        else finding
        for finding in findings
    )


def _apart(places: Sequence[Place], phrases: Phrases) -> Iterator[str]:
    """Say of the first few points how far apart their stories put them."""
    first: dict[str, Place] = {}
    told = 0
    for place in places:
        own = first.setdefault(place.point, place)
        if own is place or told == MOST_TOLD:
            continue
        told += 1
        yield f"If {place.story}, {place.point} {_words(own, place, phrases)}."


def _words(own: Place, other: Place, phrases: Phrases) -> str:
    """Say where another story puts a point, or what it makes of its height."""
    north, east, up = (np.array(other.coordinates) - own.coordinates) * phrases.factor
    known, before = (bool(np.isfinite(place.coordinates[2])) for place in (other, own))
    if known != before:
        return f"has {'a' if known else 'no'} height"
    parts = []
    if np.hypot(north, east) > SEEN:
        parts.append(f"{phrases.shift(float(np.hypot(north, east)))} away in plan")
    if abs(up) > SEEN:
        parts.append(f"{phrases.shift(float(up))} {'higher' if up > 0 else 'lower'}")
    return f"lies {' and '.join(parts) or 'elsewhere'}"
