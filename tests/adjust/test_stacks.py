"""Stacks of small matrices that lie by element, against numpy on ordinary arrays."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.adjust.stacks import new_columns, new_stack, product, put, sum_by, take, transposed


def stack_of(values: np.ndarray) -> np.ndarray:
    """Return the same numbers in the layout of the package."""
    stack = new_stack(*values.shape)
    stack[:] = values
    return stack


@pytest.mark.parametrize("count", [0, 1, 7, 5000])
def test_stacks_do_what_numpy_does(count: int) -> None:
    """Matrices of 3 by 4 and 4 by 2, so that rows and columns cannot be mistaken."""
    rng = np.random.default_rng(count)
    left, right = rng.normal(size=(count, 3, 4)), rng.normal(size=(count, 4, 2))
    a, b = stack_of(left), stack_of(right)
    np.testing.assert_allclose(product(a, b), left @ right, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(transposed(a), np.swapaxes(left, 1, 2))
    index = rng.integers(0, max(count, 1), 2 * count)
    np.testing.assert_array_equal(take(a, index), left[index])
    groups = rng.integers(0, 5, count)
    total = np.zeros((6, 3, 4))
    np.add.at(total, groups, left)
    np.testing.assert_allclose(sum_by(a, groups, 6), total, rtol=0, atol=1e-9)
    other, places = rng.normal(size=(count // 2, 3, 4)), rng.permutation(count)[: count // 2]
    expected = left.copy()
    expected[places] = other
    put(a, places, stack_of(other))
    np.testing.assert_array_equal(a, expected)
    assert new_columns(count, 3).shape == (count, 3)
