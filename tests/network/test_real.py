"""Three real instruments that sighted the same prisms.

Data: norlab-ulaval/RTS_project, data/<date>/total_stations, MIT licence, (c) 2022 Maxime
Vaidis. Not part of this project: read where a copy lies beside it.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.at_hand import RTS, needs_rts
from tests.network.sites import Gear, make_sights
from tieup.geometry import curvature_coefficient
from tieup.model.fieldbook import Setup
from tieup.model.settings import Datum
from tieup.network.assembly import assemble
from tieup.network.build import build_network
from tieup.network.gross_marks import StartValues, sight_misfits

FILES = ("20220314_GCP.txt", "20220331-1_GCP.txt", "20220622-1_GCP_raw.txt")
FREE = Datum("free")


@needs_rts
@pytest.mark.parametrize("name", FILES)
def test_three_instruments_start_tied(name):
    """All three setups stand in one frame and every sight fits to 10 mm."""
    table = np.genfromtxt(RTS / name, delimiter=",", skip_header=1)
    table = table[table[:, 2] == 0]
    labels, setup = np.unique(table[:, 0].astype(int), return_inverse=True)
    marks, point = np.unique(table[:, 1].astype(int), return_inverse=True)
    value = table[:, [4, 3, 5]]
    sights = make_sights(setup, point, np.zeros(len(table)), value, Gear(4.0, 0.002))
    setups = tuple(Setup(f"S{n}", f"S{n}", name, "", 0.0, "default") for n in labels)
    points = tuple(str(mark) for mark in marks)
    network = build_network(setups, points, sights, None, None, FREE, 0.13)
    found = network.start
    assert found.plan_setup.all() and found.height_setup.all()
    assert found.plan_point.all() and found.height_point.all()
    assert not found.gross.any()
    placed = StartValues(
        found.axis, found.orientation, found.position, found.height_setup, found.height_point
    )
    assembly = assemble(setups, points, sights, None, None, FREE)
    misfit = sight_misfits(assembly, placed, curvature_coefficient(0.13))
    assert np.nanmax(misfit) < 0.010  # m
