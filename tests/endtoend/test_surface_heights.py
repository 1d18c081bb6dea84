"""How well heights of a surface are known together, against the covariance of all its points."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from tieup import pipeline
from tieup.config import load_job
from tieup.derive.placed import full_covariance
from tieup.results import surface_ground

SAMPLES = Path(__file__).parents[2] / "sample_raw"


@pytest.mark.parametrize("job", ["drill_yard", "fire_station_clean"])
def test_the_parts_make_up_the_whole(
    job: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """own^2 on the diagonal plus F F' is `full_covariance` of every point, derived ones too.

    Points with a typed elevation, an offset, a projection and a crossing among them; F has far
    fewer columns than there are points.
    """
    folder = tmp_path / job
    shutil.copytree(SAMPLES / job, folder)
    seen = []
    whole = surface_ground._spread

    def spy(*arguments: object) -> object:
        seen.append((arguments, whole(*arguments)))
        return seen[-1][1]

    monkeypatch.setattr(surface_ground, "_spread", spy)
    pipeline.run(pipeline.with_surface(load_job(folder)))
    ((site, places, number), spread) = seen[0]
    joint = full_covariance(site.wide, [places.placed(p) for p in number.tolist()])[:, 2, :, 2]
    own = np.diag(spread.own**2) + spread.common @ spread.common.T
    assert np.abs(own - joint).max() < 1e-6 * joint.max()
    assert spread.common.shape[1] < len(number) / 2
    assert (spread.own > 0).mean() > 0.7  # most are side shots
