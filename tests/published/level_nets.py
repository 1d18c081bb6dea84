"""Level nets of the textbooks, and their adjustment by the solver of every run.

L1: Krumm, Geodetic Network Adjustment Examples (2020), example 2.1, pp. 6-9 (= Ghilani,
Adjustment Computations, example 12.6), read in a transcription that cites the page.
L3: Ghilani and Wolf, Adjustment Computations, level net with bench marks X and Y; inputs and
answers from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.adjust.solution import Adjustment
from tieup.model.control import Control
from tieup.model.network import Links
from tieup.model.observations import Sights
from tieup.model.settings import Datum, Precision
from tieup.network.build import build_network

Run = tuple[str, str, float, float]  # from, to, rise, and an sd or a length

KRUMM: tuple[Run, ...] = (  # rise m, sd m
    ("A", "B", 10.509, 0.006),
    ("A", "C", 15.881, 0.012),
    ("B", "C", 5.360, 0.004),
    ("B", "D", -3.167, 0.004),
    ("C", "D", -8.523, 0.005),
    ("D", "A", -7.348, 0.003),
)
GHILANI: tuple[Run, ...] = (  # rise ft, length mi
    ("X", "A", 5.10, 4.0),
    ("A", "Y", 2.34, 3.0),
    ("Y", "C", -1.25, 2.0),
    ("C", "X", -6.13, 3.0),
    ("A", "B", -0.68, 2.0),
    ("Y", "B", -3.00, 2.0),
    ("B", "C", 1.70, 2.0),
)


def solve(runs: Sequence[Run], sd: Sequence[float], known: dict[str, float]) -> Adjustment:
    """Adjust level runs (m) held to bench marks that have an elevation and nothing else."""
    points = tuple(dict.fromkeys(name for run in runs for name in run[:2]))
    number = {name: i for i, name in enumerate(points)}
    none = np.zeros(0, dtype=np.int64)
    empty = np.zeros((0, 3))
    sights = Sights(none, none, np.zeros(0), empty, np.zeros((0, 3), np.int64), empty, empty)
    links = Links(
        kind=np.array(["level"] * len(runs), dtype=object),
        start=np.array([number[run[0]] for run in runs]),
        end=np.array([number[run[1]] for run in runs]),
        value=np.array([run[2] for run in runs]),
        sd=np.array(sd),
    )
    control = Control(
        file="control.csv",
        names=tuple(known),
        coordinates=np.array([[np.nan, np.nan, height] for height in known.values()]),
        sd=np.zeros((len(known), 3)),
        line=np.arange(len(known)) + 2,
        notes=("",) * len(known),
    )
    network = build_network((), points, sights, control, links, Datum("control"), 0.13)
    return adjust(network, Precision(), 0.13, held_frame(network))


def heights(result: Adjustment) -> dict[str, float]:
    """Return the elevation of every mark."""
    network = result.problem.network
    values = result.position[:, 2] + network.origin[2]
    return dict(zip(network.point_names, values.tolist(), strict=True))
