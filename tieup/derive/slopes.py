"""Everything about the lines of a site: their order, legs, chainages, low spots, named checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tieup.derive.chainage import chainages
from tieup.derive.fall_checks import CheckedFalls, check_falls
from tieup.derive.legs import Legs, legs_of
from tieup.derive.measured_falls import Falls, falls_of, low_spots
from tieup.derive.places import Places
from tieup.linework.site_lines import SiteLine
from tieup.model.arrays import FloatArray
from tieup.model.falls import FallCheck


@dataclass(frozen=True)
class Slopes:
    """The lines of a site with what is known along them.

    ``chainage`` and ``sd_chainage`` (m) hold an array for each part, in the order of the lines;
    ``falls`` are those of the ``legs``; ``low`` says low or perhaps by the leg that ends at the
    spot.
    """

    places: Places
    lines: tuple[SiteLine, ...]
    legs: Legs
    falls: Falls
    chainage: tuple[FloatArray, ...]
    sd_chainage: tuple[FloatArray, ...]
    low: Mapping[int, str]
    checks: tuple[CheckedFalls, ...]


def slopes_of(
    places: Places,
    lines: Sequence[SiteLine],
    checks: Sequence[FallCheck],
    confidence: float,
) -> Slopes:
    """Work out what lies along the lines, and judge the named checks."""
    legs = legs_of(lines, places)
    along, sds = chainages([part for line in lines for part in line.parts], places)
    behind, sure = low_spots(legs, confidence)
    return Slopes(
        places=places,
        lines=tuple(lines),
        legs=legs,
        falls=falls_of(legs.length, legs.drop, legs.covariance),
        chainage=tuple(along),
        sd_chainage=tuple(sds),
        low=dict(zip(behind.tolist(), sure.tolist(), strict=True)),
        checks=check_falls(checks, places, lines, legs, confidence),
    )
