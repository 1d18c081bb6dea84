"""What is said of a tie: where a setup puts a mark, and that it ties though beyond a limit."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tieup.lengths import Lengths
from tieup.model.reconciliation import Reconciliation
from tieup.sentences import listed

MOST_NAMES = 3


def beyond_words(names: Sequence[str]) -> str:
    """Say why setups and joints tie that show a difference beyond the limit; empty for none.

    >>> beyond_words(["S3"])
    'S3 ties though the difference shown is beyond the limit: it is within the scatter.'
    """
    if not names:
        return ""
    tie, what = ("ties", "difference") if len(names) == 1 else ("tie", "differences")
    said = listed(names, MOST_NAMES)
    are, they = ("is", "it is") if len(names) == 1 else ("are", "they are")
    return (
        f"{said} {tie} though the {what} shown {are} beyond the limit: {they} within the scatter."
    )


def tie_words(site: Reconciliation, row: int, *, over_only: bool = False) -> str:
    """Say where a setup puts a mark: "S2 puts CP4 12 mm low (limit 3 mm)".

    ``over_only`` leaves out what is within its limit, where something is beyond.
    """
    ties, lengths = site.ties, Lengths(site.job.length_unit)
    plan, rise = float(ties["d_horizontal"][row]), float(ties["d_elevation"][row])
    across, upright = (float(ties[f"limit_{of}"][row]) for of in ("horizontal", "elevation"))
    parts = [
        (abs(plan), across, f"{lengths.beside(plan, across)} off in plan"),
        (abs(rise), upright, lengths.height(rise, upright)),
    ]
    defined = [part for part in parts if math.isfinite(part[0])]
    over = [part for part in defined if part[0] > part[1]]
    said = ", ".join(
        f"{words} (limit {lengths.limit(limit)})"
        for _, limit, words in (over if over_only and over else defined)
    )
    return f"{ties['setup'][row]} puts {ties['point'][row]} {said or 'where nothing tests it'}"
