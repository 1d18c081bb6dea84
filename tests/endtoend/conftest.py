"""The sample jobs, reconciled once for all tests that only read what came out."""

from __future__ import annotations

import pytest

from tests.endtoend.jobs import JOBS, Output, copy_sample
from tieup import cli


@pytest.fixture(scope="session", params=JOBS)
def run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Output:
    """Return each sample job, reconciled."""
    job = copy_sample(request.param, tmp_path_factory.mktemp("job"))
    status = cli.outcome(["reconcile", str(job), "--quiet"])
    return Output(status, "", "", job / "out")
