"""Small lengths as the crew reads them."""

from __future__ import annotations

from tieup.units import length_factor, length_word


def said(size: float, length_unit: str) -> str:
    """Return a small length (m) in the words of a job.

    >>> said(0.0041, "m"), said(0.0041, "ft")
    ('4.1 mm', '0.013 ft')
    """
    if length_unit == "m":
        return f"{1000 * size:.1f} mm"
    return f"{size / length_factor(length_unit):.3f} {length_word(length_unit)}"
