"""The invented days: what they measure is what they claim."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.days import LOOKS, World, draw_day, without_errors
from tests.bench.outcomes import reconciled


@pytest.mark.parametrize("looks", LOOKS)
@pytest.mark.parametrize("layout", ["default", "small"])
def test_a_day_without_errors_gives_back_its_places(looks: str, layout: str) -> None:
    """Read without any error, every point comes back within 0.01 mm, held and free."""
    for job in (0, 2):  # held to control, free
        day = without_errors(draw_day(World(layout=layout, looks=looks), 1, job))
        off = reconciled(day).errors()
        assert len(off) == len(day.ground.places)
        assert max(np.abs(error).max() for error in off.values()) < 1e-5  # m
