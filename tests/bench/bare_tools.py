"""A city by general-purpose tools: what a good engineer puts together, as one command.

    python -m tests.bench.bare_tools JOB TABLES

reads the raw rows of a job of `tests.bench.sites` with `pandas.read_csv`, solves all unknowns
by `splu` on the normal equations from start values that are given (``start.npz`` in the job,
written by `give_start`), and writes each table in TABLES, an output folder of the tool, again
with `DataFrame.to_csv`. No start values of its own, no statistics, no search, no verdict, no
page: less than the tool does.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from tests.bench.rivals import solve_with_splu
from tests.bench.sites import INSTRUMENT, site_of, start_at
from tieup.model.network import Network
from tieup.model.observations import Sights
from tieup.threads import one_thread

START = "start.npz"
IMPORTED = time.process_time()  # s; what everything above took


def give_start(network: Network, job: Path) -> None:
    """Write the start values and the control of a site into its job folder."""
    start = network.start
    np.savez(
        job / START,
        axis=start.axis,
        orientation=start.orientation,
        position=start.position,
        control=network.control,
    )


def main() -> None:
    """Do it all and print the processor time that it took, imports included."""
    job, tables = (Path(name) for name in sys.argv[1:])
    frames = [pd.read_csv(path, low_memory=False) for path in sorted(tables.glob("*.csv"))]
    given = time.process_time()  # the tables are the tool's: who computes them has them
    with one_thread():
        solve_with_splu(_read(job), side_shots=True)
    with TemporaryDirectory() as folder:
        for number, frame in enumerate(frames):
            frame.to_csv(Path(folder) / f"{number}.csv", index=False)
    print(IMPORTED + time.process_time() - given)


def _read(job: Path) -> Network:
    """Read raw rows and given start values as a network."""
    rows = pd.read_csv(job / "raw" / "site.csv", low_memory=False)
    setup = rows["setup"].str[1:].astype(np.int64).to_numpy()
    point = rows["point"].str[1:].astype(np.int64).to_numpy()
    value = rows[["direction", "zenith", "distance"]].to_numpy(dtype=np.float64)
    value[:, :2] = np.radians(value[:, :2])
    sd = np.empty_like(value)
    sd[:, 0], sd[:, 1] = INSTRUMENT.direction, INSTRUMENT.zenith
    sd[:, 2] = INSTRUMENT.distance_constant + INSTRUMENT.distance_ppm * 1e-6 * value[:, 2]
    rise, once = rows["target_height"].to_numpy(), np.ones(value.shape, dtype=np.int64)
    sights = Sights(setup, point, rise, value, once, sd, np.zeros_like(value))
    with np.load(job / START) as given:
        near = (given[name] for name in ("axis", "orientation", "position"))
        return site_of(sights, given["control"], start_at(*near, len(sights)))


if __name__ == "__main__":
    main()
