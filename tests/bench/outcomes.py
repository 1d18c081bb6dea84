"""What the program made of an invented day, beside the truth."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

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
    {"direction", "zenith", "distance", "visit", "target-height", "height-factor"}
    | {"instrument-height", "instrument-moved", "instrument-settled", "axis-tilt"}
    | {"prism-constant", "distance-scale", "distance-unit", "face", "collimation"}
    | {"point-name", "swapped-names", "name-collision", "unrecognised-tie", "backsight"}
    | {"station-name", "setup-reused", "mark-moved", "control-coordinate", "vertical-index"}
)  # kinds of finding that blame a reading, a height or a mark


@dataclass(frozen=True)
class Motion:
    """A shift and a turn about the vertical from one frame onto another."""

    middle: FloatArray = field(default_factory=lambda: np.zeros(3))
    aim: FloatArray = field(default_factory=lambda: np.zeros(3))
    turn: FloatArray = field(default_factory=lambda: np.eye(3))

    def onto(self, place: FloatArray) -> FloatArray:
        """Return where a place (3,) comes to lie."""
        return self.aim + self.turn @ (place - self.middle)

    def back(self, vector: FloatArray) -> FloatArray:
        """Return a vector (3,) of the aim along the axes that it came from."""
        return self.turn.T @ vector


@dataclass(frozen=True)
class Outcome:
    """One day and what came of it."""

    day: Day
    result: Reconciliation

    def places(self, leave: Collection[str] = ()) -> dict[str, FloatArray]:
        """Return the places (3,) of marks and side points that have one, in the frame of truth.

        A free job lies anywhere, turned any way: it is moved onto the truth by three shifts and a
        turn, fitted over the shared marks but those to ``leave``.
        """
        move = self._motion(leave)
        return {name: move.onto(place) for name, place in self._printed().items()}

    def errors(self, leave: Collection[str] = ()) -> dict[str, FloatArray]:
        """Return place minus true place (N, E, H) by point, along the axes of the printed frame.

        A mark that moved is off by the lesser of its two places.
        """
        move, last = self._motion(leave), len(self.day.booked)
        off = {}
        for name, place in self._printed().items():
            both = [move.onto(place) - self.day.place(name, bay) for bay in (-1, last)]
            off[name] = move.back(min(both, key=lambda error: float(np.linalg.norm(error))))
        return off

    def _printed(self) -> dict[str, FloatArray]:
        table = self.result.coordinates
        rows = zip(table["point"], *(table[name] for name in PLACE), strict=True)
        found = {str(name): np.array(place, dtype=float) for name, *place in rows}
        known = self.day.ground.places
        return {name: found[name] for name in known if np.isfinite(found.get(name, np.nan)).all()}

    def _motion(self, leave: Collection[str]) -> Motion:
        if not self.day.free:
            return Motion()
        known, printed = self.day.ground, self._printed()
        marks = [name for name in known.marks if name in printed and name not in leave]
        return fitted_motion(
            np.array([printed[name] for name in marks]),
            np.array([known.places[name] for name in marks]),
        )

    def column(self, name: str) -> Mapping[str, Any]:
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


def fitted_motion(here: FloatArray, there: FloatArray) -> Motion:
    """Return the motion (three shifts and a turn about the vertical) that fits best (n, 3)."""
    middle, aim = here.mean(axis=0), there.mean(axis=0)
    a, b = (here - middle)[:, :2], (there - aim)[:, :2]
    cross = (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()
    angle = np.arctan2(cross, (a * b).sum())
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    return Motion(middle, aim, turn)


def inside_ellipse(off: FloatArray, major: float, minor: float, azimuth: float) -> bool:
    """Say whether a plan error (N, E) lies in an ellipse; azimuth in degrees from north."""
    way = np.radians(azimuth)
    along = off[0] * np.cos(way) + off[1] * np.sin(way)
    across = off[1] * np.cos(way) - off[0] * np.sin(way)
    return bool((along / major) ** 2 + (across / minor) ** 2 <= 1.0)
