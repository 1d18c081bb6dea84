"""A judge that shares no code with the simulator finds the noise as large as stated."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.simulate import random_site, simulate
from tests.simulate.referee import judge
from tieup.model.settings import Precision


@pytest.mark.parametrize(
    "options",
    [
        {"kind": "free", "control": "held"},
        {"kind": "mixed", "control": "weighted"},
        {"kind": "occupied", "control": "none"},
        {"kind": "free", "control": "held", "spread": "weak"},
    ],
)
def test_variance_factor_of_clean_surveys_is_one(options: dict[str, Any]) -> None:
    """Over 60 draws the weighted squares add up to the degrees of freedom.

    With f degrees of freedom in all, their ratio has the sd sqrt(2 / f); 4 sd are allowed.
    """
    rng = np.random.default_rng(17)
    verdicts = []
    for _ in range(12):
        site = random_site(rng, setups=3, side_shots=0, **options)
        verdicts += [judge(simulate(site, Precision(), rng)) for _ in range(5)]
    freedom = sum(v.freedom for v in verdicts)
    ratio = sum(v.squares for v in verdicts) / freedom
    assert freedom > 900
    assert ratio == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / freedom))
