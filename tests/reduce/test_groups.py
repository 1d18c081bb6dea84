"""Values of groups, against pandas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tieup.reduce.groups import group_extreme, group_mean, group_median, group_sum


@pytest.mark.parametrize("count", [0, 1, 5, 60])
@pytest.mark.parametrize("holes", [0.0, 0.4])
def test_groups_have_the_values_that_pandas_gives(count: int, holes: float) -> None:
    """Mean, sum, largest and median of groups of any size, some without a finite value."""
    rng = np.random.default_rng(count)
    value, group = rng.normal(size=count), rng.integers(0, 12, count)
    by = pd.Series(value).groupby(group)
    np.testing.assert_allclose(group_mean(value, group), by.transform("mean"), atol=1e-12)
    every = range(13)
    total = by.sum().reindex(every, fill_value=0.0)
    np.testing.assert_allclose(group_sum(value, group, 13), total, rtol=0, atol=1e-12)
    value[rng.uniform(size=count) < holes] = np.nan
    by = pd.Series(value).groupby(group)
    np.testing.assert_array_equal(group_extreme(value, group, 13), by.max().reindex(every))
    np.testing.assert_allclose(
        group_median(value, group, 13), by.median().reindex(every), rtol=0, atol=1e-12
    )
