"""A job whose adjustment swings about its solution is solved like any other."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.endtoend.jobs import reconcile

DATA = Path(__file__).parent / "data"
NOT_YET = 1  # exit status: it does not tie


def test_two_swapped_names_are_a_finding_though_the_free_net_swings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four setups, poles set down again, CP3 and CP4 swapped in S4: named, and no refusal."""
    run = reconcile(capsys, shutil.copytree(DATA / "two_names_swapped", tmp_path / "job"))
    assert run.status == NOT_YET, run.errors
    assert "did not settle" not in run.text + run.errors
    found = run.finding("swapped-names")
    assert found["setup"] == "S4" and found["points"] == ["CP3", "CP4"]
