"""Which setups and points a mistake speaks of: nothing else is judged more than chance.

All tests of a site are one family, made where mistakes are looked for. What found nothing there is
scatter, however many differences are looked at afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

from tieup.model.arrays import BoolArray


@dataclass(frozen=True)
class Suspects:
    """``setup`` (S,) and ``point`` (P,): spoken of by something noticed or named."""

    setup: BoolArray
    point: BoolArray
