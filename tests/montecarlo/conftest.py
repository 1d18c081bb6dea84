"""One setting after the other, so that the draws of one at a time are kept."""

from __future__ import annotations

import pytest

from tests.montecarlo.sites import SETTINGS, Setting


@pytest.fixture(scope="session", params=SETTINGS, ids=str)
def setting(request: pytest.FixtureRequest) -> Setting:
    """Return each setting in turn."""
    chosen: Setting = request.param
    return chosen
