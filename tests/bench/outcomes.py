"""What the program made of an invented day, beside the truth."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from tests.bench.days import Day
from tests.bench.grounds import FloatArray
from tests.bench.jobfolders import job_folder
from tieup.config import load_job
from tieup.model.finding import Finding
from tieup.model.reconciliation import Reconciliation
from tieup.pipeline import run

PLACE = ("northing", "easting", "elevation")
SPREAD = ("ellipse_major", "ellipse_minor", "ellipse_azimuth", "elevation_interval")
SD = ("sd_northing", "sd_easting", "sd_elevation")
MISTAKES = frozenset(
    [
        "direction",
        "zenith",
        "distance",
        "target-height",
        "instrument-height",
        "prism-constant",
        "distance-scale",
        "distance-unit",
        "point-name",
        "swapped-names",
        "backsight",
        "station-name",
        "instrument-moved",
        "instrument-settled",
        "setup-reused",
        "mark-moved",
        "control-coordinate",
        "face",
        "collimation",
        "vertical-index",
        "axis-tilt",
        "height-factor",
        "name-collision",
        "unrecognised-tie",
        "visit",
        "centring",
        "reading",
    ]
)


@dataclass(frozen=True)
class Outcome:
    """One day and what came of it."""

    day: Day
    result: Reconciliation

    def places(self) -> dict[str, FloatArray]:
        """Return the printed coordinates (3,) of marks and side points that have a place."""
        table = self.result.coordinates
        rows = zip(table["point"], *(table[name] for name in PLACE), strict=True)
        found = {str(name): np.array(place, dtype=float) for name, *place in rows}
        known = self.day.ground.places
        return {name: found[name] for name in known if np.isfinite(found.get(name, np.nan)).all()}

    def errors(self, leave: Collection[str] = ()) -> dict[str, FloatArray]:
        """Return printed minus true (N, E, H) by point, in the frame of control.

        A free job is moved onto the truth by three shifts and a turn, fitted over the shared
        marks but those to ``leave``. A mark that moved is off by the lesser of its two places.
        """
        places = self.places()
        if self.day.free:
            known = self.day.ground
            marks = [name for name in known.marks if name in places and name not in leave]
            move = rigid(
                np.array([places[name] for name in marks]),
                np.array([known.places[name] for name in marks]),
            )
            places = {name: move(place) for name, place in places.items()}
        return {name: self._off(name, place) for name, place in places.items()}

    def _off(self, name: str, place: FloatArray) -> FloatArray:
        last = len(self.day.booked)
        both = [place - self.day.place(name, bay) for bay in (-1, last)]
        return min(both, key=lambda off: float(np.linalg.norm(off)))

    def column(self, name: str) -> Mapping[str, object]:
        """Return a column of the coordinates by point."""
        table = self.result.coordinates
        return dict(zip(map(str, table["point"]), table[name], strict=True))

    @property
    def stops(self) -> list[Finding]:
        """Return the findings that stop the job."""
        return [found for found in self.result.findings if found.severity == "stop"]

    @property
    def noticed(self) -> list[Finding]:
        """Return stops and checks that say a reading, height or mark is out of the ordinary."""
        checks = [
            found
            for found in self.result.findings
            if found.severity == "check" and found.statistic is not None and found.kind in MISTAKES
        ]
        return self.stops + checks

    def mdb(self) -> dict[tuple[str, int, str], float]:
        """Return the printed smallest detectable bias by file, line and kind (", ", mm)."""
        table = self.result.observations
        keys = zip(table["file"], table["line"], table["kind"], strict=True)
        used = zip(keys, table["mdb"], table["status"], strict=True)
        return {
            (str(file), int(line), str(kind)): float(value)
            for (file, line, kind), value, status in used
            if status == "used" and np.isfinite(value)
        }


def reconciled(day: Day) -> Outcome:
    """Write a day and reconcile it."""
    with job_folder(day) as folder:
        return Outcome(day, run(load_job(folder)))


def rigid(here: FloatArray, there: FloatArray):
    """Return the motion (three shifts and a turn about the vertical) that fits best (n, 3)."""
    middle, aim = here.mean(axis=0), there.mean(axis=0)
    a, b = (here - middle)[:, :2], (there - aim)[:, :2]
    cross = (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()
    angle = np.arctan2(cross, (a * b).sum())
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    return lambda place: aim + turn @ (place - middle)


def inside_ellipse(off: FloatArray, major: float, minor: float, azimuth: float) -> bool:
    """Say whether a plan error (N, E) lies in an ellipse; azimuth in degrees from north."""
    way = np.radians(azimuth)
    along = off[0] * np.cos(way) + off[1] * np.sin(way)
    across = off[1] * np.cos(way) - off[0] * np.sin(way)
    return bool((along / major) ** 2 + (across / minor) ** 2 <= 1.0)
