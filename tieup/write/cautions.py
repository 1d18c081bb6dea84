"""What every result says about its own use: someone can be hurt by a wrong grade."""

from __future__ import annotations

CAUTIONS = (
    "For the use of the person responsible for the survey.",
    "Not a substitute for a licensed surveyor where the law requires one.",
    "Check independently before excavating, paving or setting structure.",
    "Local codes and the contract's tolerances govern.",
    "Values from common practice are marked so.",
)
SHORT_CAUTION = CAUTIONS[2]  # on a small screen
UNCHECKED_MEANS = "a mistake beyond the limits could hide in"  # it, them
