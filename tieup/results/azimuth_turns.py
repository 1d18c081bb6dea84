"""What is added to the azimuths of each basis of bearings, for run.json and the screen."""

from __future__ import annotations

from typing import Any

import numpy as np

from tieup.diagnose.proof.certainty import spread_factor
from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray
from tieup.model.observations import DIRECTION
from tieup.results.job_units import in_angle_unit
from tieup.results.site import Site


def azimuth_turns(site: Site) -> list[dict[str, Any]]:
    """Return the turn of each basis of bearings with its sd, in the job's unit of angles.

    ``files`` are those whose azimuths are on it, ``azimuths`` how many take part; a turn that
    nothing shows is null.
    """
    shots, files = site.case.shots, site.fieldbook.files
    used = site.tests.solved[:, DIRECTION] & ~site.excluded[:, DIRECTION]
    found = []
    for number, turn in enumerate(site.adjustment.turn.tolist()):
        rows = np.flatnonzero(shots.basis == number)
        if not len(rows):
            continue
        sd = turn_sd(site)[number] if turn == turn else np.nan
        cells = in_angle_unit(
            np.array([wrap_half(turn) if turn == turn else turn, sd]), site.job.angle_unit
        )
        found.append(
            {
                "files": [files[n].name for n in np.unique(shots.file[rows]).tolist()],
                "azimuths": int(used[rows].sum()),
                "turn": cells.tolist()[0] if turn == turn else None,
                "sd": cells.tolist()[1] if turn == turn else None,
            }
        )
    return found


def turn_sd(site: Site) -> FloatArray:
    """Return the sd (g,) in rad of each turn, wider for the weights being estimated."""
    variance = np.diagonal(site.adjustment.with_turns.turn)
    return np.asarray(np.sqrt(variance) * spread_factor(site.proven.certainty.whole, 1))
