"""What a similarity needs and what it makes of marks that are known in part."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.adjust.similarity import fit_similarity
from tieup.errors import AdjustmentError

NAN = np.nan
MARKS = np.array([[10.0, 20.0, 1.0], [60.0, 25.0, 2.0], [30.0, 90.0, 4.0], [80.0, 70.0, 3.0]])  # m
SD = np.full((4, 3), 0.002)


def placed(scale: float, turn: float, shift: tuple[float, float, float]) -> np.ndarray:
    """Return the marks turned clockwise and scaled about their middle, and shifted."""
    plan = (MARKS[:, :2] - MARKS[:, :2].mean(axis=0)) @ np.array([1.0, 1j])
    moved = scale * plan * np.exp(1j * turn)
    middle = MARKS[:, :2].mean(axis=0) + shift[:2]
    return np.column_stack([moved.real + middle[0], moved.imag + middle[1], MARKS[:, 2] + shift[2]])


def test_a_similarity_that_was_put_in_comes_back() -> None:
    """Turned by 120 degrees, 3 % larger, moved: with sds as worked for a set about its middle.

    Turn and scale are known to sd over the root of the sum of squares from the middle, a shift to
    sd over the root of the number of marks.
    """
    found = fit_similarity(MARKS, placed(1.03, 2.0944, (5.0, -7.0, 0.25)), SD)
    assert (found.scale, found.turn) == pytest.approx((1.03, 2.0944), abs=1e-12)
    np.testing.assert_allclose(found.shift, [5.0, -7.0, 0.25], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.pivot, MARKS[:, :2].mean(axis=0))
    np.testing.assert_allclose(found.residuals, 0.0, atol=1e-12)
    size = np.sqrt(((MARKS[:, :2] - found.pivot) ** 2).sum())
    assert found.sd_scale == pytest.approx(0.002 / size)
    assert found.sd_turn == pytest.approx(0.002 / size / 1.03)
    np.testing.assert_allclose(found.sd_shift, 0.002 / 2.0)
    assert (found.dof_plan, found.dof_height) == (4, 3)
    assert np.nansum(found.redundancy[:, :2]) == pytest.approx(4.0)
    assert np.nansum(found.redundancy[:, 2]) == pytest.approx(3.0)


def test_what_is_known_in_part_takes_part_with_that() -> None:
    """A northing alone, a mark without a height, one whose source has no place: by hand."""
    source, target = MARKS.copy(), placed(1.0, 0.3, (1.0, 2.0, 0.5))
    target[0, 1] = NAN
    target[1, 2] = NAN
    source[2, 0] = NAN
    found = fit_similarity(source, target, SD)
    assert (found.scale, found.turn) == pytest.approx((1.0, 0.3), abs=1e-9)
    used = [[True, False, True], [True, True, False], [False, False, True], [True, True, True]]
    assert np.isfinite(found.residuals).tolist() == used
    assert np.isfinite(found.redundancy).tolist() == used
    assert (found.dof_plan, found.dof_height) == (5 - 4, 3 - 1)
    target[:, 2] = NAN
    flat = fit_similarity(source, target, SD)
    assert np.isnan([flat.shift[2], flat.sd_shift[2]]).all()
    assert (flat.dof_height, flat.weighted_sum_height) == (0, 0.0)


def test_marks_above_each_other_are_one_place() -> None:
    """Turn and scale need two places in plan; three marks of one plumb line are told as one."""
    tower = np.array([[5.0, 5.0, 0.0], [5.0, 5.0, 10.0], [5.0, 5.0, 20.0]])
    with pytest.raises(AdjustmentError, match="1 different places"):
        fit_similarity(tower, tower + 1.0, SD[:3])
    two = np.array([[5.0, 5.0, 0.0], [5.0, 5.0, 10.0], [15.0, 5.0, 0.0]])
    assert fit_similarity(two, two, SD[:3]).scale == pytest.approx(1.0)
    with pytest.raises(AdjustmentError, match="0 different places"):
        fit_similarity(two, np.full((3, 3), NAN), SD[:3])
