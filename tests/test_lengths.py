"""Small lengths in words: what is beyond a limit is never said to be within it, or back."""

from __future__ import annotations

import math

from hypothesis import example, given
from hypothesis import strategies as st

from tieup.lengths import Lengths

UNITS = {"mm": 1e-3, "m": 1.0, "ft": 1.0, "ft (US survey)": 1.0}
LIMITS = st.integers(1, 400).map(lambda tenths: tenths * 1e-4)  # 0.1 mm to 40 mm


def number(said: str) -> float:
    """Return a length in words as a number, in m or in feet."""
    value, _, unit = said.partition(" ")
    return float(value) * UNITS.get(unit, 1.0)


@given(st.floats(-0.08, 0.08), LIMITS, st.sampled_from(["m", "ft", "ftUS"]), st.booleans())
@example(0.0064, 0.006, "m", True)
@example(-0.00602, 0.006, "m", True)
@example(0.02001, 0.02, "ft", True)
def test_a_length_stays_on_its_side_of_the_limit(
    value: float, limit: float, unit: str, whole: bool
) -> None:
    """Whatever is rounded: said beyond the limit where it is, to 1e-8, and near what it is."""
    if unit != "m":
        limit = round(10.0 * limit, 3)  # in thousandths of a foot
    if math.isclose(abs(value), limit, abs_tol=1e-8):
        return
    said = number(Lengths(unit, whole=whole).beside(value, limit))
    assert (said > limit + 1e-9) == (abs(value) > limit)
    step = (1e-3 if whole else 1e-4) if unit == "m" else (1e-2 if whole else 1e-3)
    assert abs(said - abs(value)) <= step


def test_what_is_far_from_its_limit_is_said_as_ever() -> None:
    """No digit more where there is no doubt; no length, no words."""
    whole = Lengths("m", whole=True)
    assert whole.beside(0.0123, 0.006) == "12 mm" == whole.said(0.0123)
    assert whole.height(-0.0123, 0.003) == "12 mm low"
    assert whole.beside(math.nan, 0.006) == ""
