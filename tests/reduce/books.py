"""Small field books for the tests of the reduction: rows in, shots out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tieup.model.fieldbook import Setup, Shots
from tieup.model.settings import Instrument, Precision
from tieup.reduce.sights import Reduction, reduce_shots

ARC_SECOND = np.pi / 648_000
BATCH = 100

NAN = float("nan")
DEFAULTS: dict[str, Any] = {
    "setup": 0,
    "point": 0,
    "direction": NAN,
    "zenith": NAN,
    "distance": NAN,
    "target_height": 0.0,
    "face": 1,
    "round": 1,
    "prism_constant": NAN,
    "temperature": NAN,
    "pressure": NAN,
    "time": NAN,
    "target": "",
}
WHOLE = ("setup", "point", "face", "round")


def shots_of(rows: Sequence[dict[str, Any]]) -> Shots:
    """Return shots of rows given by column; rad, m, degrees C, hPa."""
    count = len(rows)
    columns = {
        name: np.array([row.get(name, default) for row in rows])
        for name, default in DEFAULTS.items()
    }
    for name in WHOLE:
        columns[name] = columns[name].astype(np.int64)
    columns["target"] = columns["target"].astype(object)
    text = np.full(count, "", dtype=object)
    return Shots(
        file=np.zeros(count, dtype=np.int64),
        line=np.arange(count) + 2,
        role=text,
        code=text,
        string=text,
        note=text,
        field_coordinates=np.full((count, 3), np.nan),
        repeated=np.zeros(count, dtype=bool),
        **columns,
    )


def setups_of(count: int, instrument: str = "default") -> tuple[Setup, ...]:
    """Return free stations of one instrument."""
    return tuple(
        Setup(f"S{n}", f"S{n}", "raw/a.csv", "", 0.0, instrument) for n in range(1, count + 1)
    )


def gear(seconds: float = 2.0, **more: Any) -> Precision:
    """Return a precision whose angles have the given sd of one pointing in arc seconds.

    The targets stand as long as one setup looks at them.
    """
    sd = seconds * ARC_SECOND
    precision = Precision({"default": Instrument(sd, sd, 0.001, 0.0, **more)})
    return precision.with_targets_standing()


def reduce_rows(rows: Sequence[dict[str, Any]], precision: Precision | None = None) -> Reduction:
    """Reduce rows, all of their components."""
    shots = shots_of(rows)
    setups = setups_of(int(shots.setup.max()) + 1)
    use = np.ones((len(shots), 3), dtype=bool)
    return reduce_shots(shots, setups, precision or gear(), use)


def reduce_draws(
    rows: Sequence[dict[str, Any]], noise: np.ndarray, seconds: float
) -> list[Reduction]:
    """Reduce rows of one setup once for each draw of noise (d, n, 2) in rad, a batch at a time.

    Each draw is a setup of its own with an instrument of its own; ``noise`` goes to direction and
    zenith. Every reduction has BATCH draws, one behind the other.
    """
    assert len(noise) % BATCH == 0
    plain = gear(seconds)
    names = [f"instrument {copy}" for copy in range(BATCH)]
    precision = replace(plain, instruments=dict.fromkeys(names, plain.instruments["default"]))
    setups = tuple(setups_of(1, name)[0] for name in names)
    found = []
    for batch in noise.reshape(-1, BATCH, len(rows), 2):
        drawn = [
            {**row, "setup": copy, "direction": row["direction"] + a, "zenith": row["zenith"] + b}
            for copy, own in enumerate(batch)
            for row, (a, b) in zip(rows, own, strict=True)
        ]
        use = np.ones((len(drawn), 3), dtype=bool)
        found.append(reduce_shots(shots_of(drawn), setups, precision, use))
    return found


def dms(degrees: int, minutes: int = 0, seconds: float = 0.0) -> float:
    """Return an angle in rad."""
    return float(np.radians(degrees + minutes / 60.0 + seconds / 3600.0))
