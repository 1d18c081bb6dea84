"""The columns of the lists that a job may have beside its raw tables: the one place for each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tieup.model.link_kinds import BASELINE

COORDINATES = ("northing", "easting", "elevation")
SDS = tuple(f"sd_{name}" for name in COORDINATES)
NOTE = "note"


@dataclass(frozen=True)
class ListHead:
    """The headings that a list must have, and those that it may have."""

    needed: tuple[str, ...]
    possible: tuple[str, ...]


def _of_baselines() -> ListHead:
    """Return those of vectors: components, their sds or variances, covariances of each two."""
    parts = BASELINE.components
    spread = (f"{what}_{part}" for part in parts for what in ("sd", "var"))
    pairs = (f"cov_{a}_{b}" for n, a in enumerate(parts) for b in parts[n + 1 :])
    return ListHead(("from", "to", *(f"d_{part}" for part in parts)), (*spread, *pairs, NOTE))


LISTS: Mapping[str, ListHead] = {
    "control": ListHead(("point", *COORDINATES), (*SDS, NOTE)),
    "levels": ListHead(("from", "to", "difference"), ("sd", "length", NOTE)),
    "tapes": ListHead(("from", "to", "distance", "sd"), (NOTE,)),
    "baselines": _of_baselines(),
    "places": ListHead(("point", *COORDINATES), (NOTE,)),
    "sights": ListHead(
        ("setup", "point"),
        (
            "station",
            "instrument_height",
            "target_height",
            "target",
            "instrument",
            "rounds",
            "faces",
            "measured",
            NOTE,
        ),
    ),
}
"""Columns of each list, by the key of job.yaml that names it: of ``plan`` the last two."""
