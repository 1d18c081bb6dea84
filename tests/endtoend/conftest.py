"""The sample jobs, reconciled once for all tests that only read what came out."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from tests.endtoend.jobs import JOBS, Output, copy_sample, reconciled


@pytest.fixture(scope="session")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Output]:
    """Return a call that gives a sample job by its name, reconciled as it is; nobody changes it."""

    @cache
    def sample(name: str) -> Output:
        return reconciled(copy_sample(name, tmp_path_factory.mktemp("job")))

    return sample


@pytest.fixture(scope="session", params=JOBS)
def run(request: pytest.FixtureRequest, samples: Callable[[str], Output]) -> Output:
    """Return each sample job, reconciled."""
    return samples(request.param)


@pytest.fixture(scope="session")
def undecided(samples: Callable[[str], Output]) -> Output:
    """Return the job with mistakes as it stands before anybody decided."""
    return samples("fire_station")


@pytest.fixture(scope="session")
def clean_yard(samples: Callable[[str], Output]) -> Output:
    """Return the job without mistakes, reconciled."""
    return samples("fire_station_clean")


@pytest.fixture(scope="session")
def plain_dock(samples: Callable[[str], Output]) -> Output:
    """Return the job of two setups, reconciled."""
    return samples("two_setups")
