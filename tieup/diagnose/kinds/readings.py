"""A wrong reading of a sight: a direction or azimuth, a zenith angle, a distance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.hypotheses import (
    EVERY_LOOK,
    OF_AZIMUTH,
    OF_LEVEL_DISTANCE,
    Hypothesis,
    component_bias,
)
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, at_marks, from_setup, too
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import RARE, USUAL, from_to, some_points
from tieup.diagnose.kinds.movements import INSTRUMENT_MOVED
from tieup.diagnose.kinds.sight_kind import SightKind
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH, Sights

HALF_TURN = np.radians(0.1)  # rad; so near to 180 deg off it is the other face, or the other end


def single_readings(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give every reading of a tested sight as wrong: all its pointings, and each alone."""
    for rows in subjects.sight_rows:
        for kind in (DIRECTION, ZENITH, DISTANCE):
            own = rows[subjects.observed[rows, kind]]
            if not len(own):
                continue
            yield _reading(subjects, own, kind, "")
            if len(own) > 1:
                for row in own:
                    yield _reading(subjects, np.array([row]), kind, f"row {row}")
    yield from _every_look(subjects)


def _every_look(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the distances of all looks at one mark as off alike: another prism stood there.

    Of one setup, and of all.
    """
    shots, rows = subjects.shots, subjects.rows
    rows = rows[subjects.observed[rows, DISTANCE]]
    sight, setup, point = (
        subjects.evidence.pointings.sight[rows],
        shots.setup[rows],
        shots.point[rows],
    )
    for mark in np.unique(point).tolist():
        at = point == mark
        setups = np.unique(setup[at]).tolist()
        for number in setups:
            own = at & (setup == number)
            if len(np.unique(sight[own])) > 1:
                yield _reading(subjects, rows[own], DISTANCE, EVERY_LOOK)
        if len(setups) > 1:
            yield replace(_reading(subjects, rows[at], DISTANCE, EVERY_LOOK), setup="")


def _reading(subjects: Subjects, rows: IntArray, kind: int, detail: str) -> Hypothesis:
    return Hypothesis(
        kind=_name(subjects, rows, kind),
        setup=subjects.label(rows[0]),
        points=(subjects.name(rows[0]),),
        columns=(component_bias(rows, kind),),
        rows=rows,
        kinds=(kind,),
        unit="m" if kind == DISTANCE else "rad",
        prior=USUAL if kind == DISTANCE else RARE,
        detail=detail,
    )


def _name(subjects: Subjects, rows: IntArray, kind: int) -> str:
    """Return which kind of reading the rows are: an azimuth is no direction of a circle."""
    shots = subjects.shots
    if kind == DIRECTION and shots.azimuth[rows].all():
        return OF_AZIMUTH
    if kind == DISTANCE and shots.level[rows].all():
        return OF_LEVEL_DISTANCE
    return KINDS[kind]


@dataclass(frozen=True)
class ReadingKind(SightKind):
    """One reading of a sight; ``noun`` and ``cause`` say what it is and why it is wrong.

    ``again`` is how it is looked at again.
    """

    noun: str = ""
    cause: str = ""
    again: str = ", both faces"

    @property
    def component(self) -> int:
        """Return which reading of a sight it is."""
        return self.components[0]

    def sizes(self, solved: Solved, sights: Sights, off: FloatArray) -> FloatArray:
        """Return what the reading is off by itself."""
        return off[:, self.component][:, None]

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """Guard against one sight; what is in every look at a mark is looked for as well."""
        return hypothesis.detail != EVERY_LOOK

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how far the reading is off."""
        m = mistake
        if m.detail == EVERY_LOOK:
            return _another_prism(m, phrases, self.noun)
        if m.unit == "m":
            size, side = phrases.shift(m.magnitude), too(m, "long", "short")
        else:
            size, side = phrases.angle(m.magnitude), too(m, "large", "small")
        return MistakeText(
            f"The {self.noun} {from_setup(m)} is {size} too {side}, likely {self.cause}",
            "it is left out",
            f"From {m.setup} or another setup shoot {at_marks(m)} again{self.again}.",
            "Leave the reading out (accept), or shoot again.",
            "the reading stays left out",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the reading is off."""
        if not setup:
            return f"another prism stood at {some_points(points)}"
        return f"the {self.noun} {from_to(setup, points)} is off"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the reading."""
        return f"{self.noun} {from_to(setup, points)}"


def _another_prism(m: Mistake, p: Phrases, noun: str) -> MistakeText:
    """Say that all looks of a setup at one mark have the same error in their distances."""
    size, at = p.shift(m.magnitude), at_marks(m)
    whence, again = (
        (f" from setup {m.setup}", f"from {m.setup}") if m.setup else ("", "from two setups")
    )
    return MistakeText(
        f"All {noun}s{whence} to {at} are {size} too {too(m, 'long', 'short')}, "
        "likely another prism, or its constant not set",
        "they are left out",
        f"Look at the prism on {at}; {again} shoot it again.",
        "Leave the distances out (accept), or set the prism (set: prism_constant).",
        "the distances stay left out",
    )


class Direction(ReadingKind):
    """A direction; half a circle off it is the other face."""

    def named(self, solved: Solved, sight: int, rows: IntArray, mistake: Mistake) -> Mistake:
        """Tell the other face from a wrong pointing."""
        if abs(abs(mistake.size[0]) - np.pi) < HALF_TURN:
            return replace(mistake, kind=FACE.name, rows=rows)
        return replace(mistake, rows=rows)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say what to do where the instrument may have been turned instead."""
        text = super().words(mistake, phrases)
        turned = (r for r in mistake.rivals if r.kind == INSTRUMENT_MOVED.name and r.points)
        knock = next((rival for rival in turned if not rival.separable), None)
        if knock is None:
            return text
        since, at = knock.points[0], at_marks(mistake)
        return replace(
            text,
            confirm=f"From {mistake.setup} shoot {at} again: if it reads as before, {since} and "
            "what followed are to be shot again.",
            cure=f"Shoot {since} and what followed again. Leave the reading out (accept) only "
            "where the pointing is known to be wrong.",
        )


class Azimuth(ReadingKind):
    """An azimuth; half a circle off it is that of the line from its other end."""

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how far it is off, or that it is that of the other end."""
        text = super().words(mistake, phrases)
        if abs(abs(mistake.magnitude) - np.pi) > HALF_TURN:
            return text
        where = from_setup(mistake)
        return replace(
            text, wrong=f"The azimuth {where} is half a circle off: that of the line's other end"
        )


class Face(ReadingKind):
    """A direction of the other face than was booked."""

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say that the direction is of the other face."""
        where = from_setup(mistake)
        return MistakeText(
            f"The direction {where} is half a circle off: the other face",
            "it is left out",
            f"Look at the zenith angle of the row {where}: over 180 degrees is face 2.",
            "Leave it out (accept), or correct the face of the row (set: face).",
            "the direction stays left out",
        )


DIRECTION_READING = Direction(
    KINDS[DIRECTION],
    (DIRECTION,),
    "rad",
    single_readings,
    of_sight=True,
    noun="direction",
    cause="a wrong pointing, or the pole not plumb",
)
ZENITH_READING = ReadingKind(
    KINDS[ZENITH],
    (ZENITH,),
    "rad",
    single_readings,
    in_height=True,
    of_sight=True,
    as_well=("target-height",),
    noun="zenith angle",
    cause="a wrong pointing at height, or a wrong pole height",
)
DISTANCE_READING = ReadingKind(
    KINDS[DISTANCE],
    (DISTANCE,),
    "m",
    single_readings,
    of_sight=True,
    noun="distance",
    cause="another surface, an edge or another prism hit",
)
AZIMUTH_READING = Azimuth(
    OF_AZIMUTH,
    (DIRECTION,),
    "rad",
    single_readings,
    of_sight=True,
    noun="azimuth",
    cause="a wrong pointing, a figure taken down wrong, or another basis of bearings",
    again=" and look up the azimuth in the plan or the field book",
)
LEVEL_DISTANCE_READING = ReadingKind(
    OF_LEVEL_DISTANCE,
    (DISTANCE,),
    "m",
    single_readings,
    of_sight=True,
    noun="horizontal distance",
    cause="a figure taken down wrong, a slope distance booked as horizontal, or another target hit",
    again=" and look up the distance in the plan or the field book",
)
FACE = Face("face", (DIRECTION,), "rad", like=DIRECTION_READING, noun="direction")
