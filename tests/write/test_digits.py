"""Fixed decimals in blocks: the same text as Python's own formatting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tieup.write import digits
from tieup.write.digits import Numbers, number_rows


@given(
    st.lists(st.integers(-(10**14), 10**14), min_size=1, max_size=40),
    st.integers(0, 8),
)
def test_numbers_read_as_pythons_formatting_prints_them(whole: list[int], places: int) -> None:
    """Where no half has to be rounded, the text is that of ``f"{value:.4f}"``."""
    values = np.array(whole) / 10.0**places
    expected = [f"{value:.{places}f}" for value in values.tolist()]
    expected = [text.lstrip("-") if float(text) == 0 else text for text in expected]
    assert number_rows([[Numbers(values, places)]]) == expected


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_rounding_is_to_the_nearest(values: list[float]) -> None:
    """No number moves by more than half of the last decimal."""
    texts = number_rows([[Numbers(np.array(values), 4)]])
    for value, text in zip(values, texts, strict=True):
        assert abs(float(text) - value) <= 0.5e-4 + 1e-9
        assert len(text.split(".")[1]) == 4
        assert text != "-0.0000"


def test_rows_of_several_blocks_keep_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of different widths, the last one short, make one list."""
    monkeypatch.setattr(digits, "BLOCK", 7)
    values = np.concatenate([np.arange(20.0), 1e5 * np.arange(20.0), [np.nan]])
    texts = number_rows([[Numbers(values, 1)], [Numbers(-values, 0)]])
    assert texts[1] == "1.0,-1"
    assert texts[-2:] == ["1900000.0,-1900000", ","]
    assert len(texts) == 41


def test_large_numbers_are_told_apart() -> None:
    """What would lose digits in the quick way is not called printable."""
    assert Numbers(np.array([9e10, np.inf, np.nan]), 4).printable
    assert not Numbers(np.array([1.0, -2e11]), 4).printable
