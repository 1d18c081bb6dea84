"""A vertical axis that leans: heights too low on one side of the instrument, too high on the other.

With the axis leaning by t0 toward the circle's zero and by t1 toward a quarter turn from it, a
direction d with zenith angle z reads

    z - t0 cos d - t1 sin d          d + cot z (t0 sin d - t1 cos d)

to first order. Both faces read it alike, so that no second face takes it out.

Reference: handbooks of the instrument: the error of the standing axis (vertical axis tilt) has
the same sign in both faces; Deumlich and Staiger, Instrumentenkunde der Vermessungstechnik.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import RARE, Kind, in_setup
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, ZENITH

FEWEST = 5  # marks with zenith angles: of fewer a height and a lean explain what one pole does


def axis_tilts(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the vertical axis of each setup as leaning, by its parts along and across the circle."""
    for number, setup in enumerate(subjects.setups):
        rows = subjects.of_setup(number)
        rows = rows[subjects.observed[rows, ZENITH] & subjects.observed[rows, DIRECTION]]
        if len(set(subjects.shots.point[rows])) < FEWEST:
            continue
        read = subjects.evidence.pointings.corrected[rows]
        along, across = (
            BiasColumn(rows, part) for part in _leans(read[:, DIRECTION], read[:, ZENITH])
        )
        yield Hypothesis(
            AXIS_TILT.name, setup.label, (), (along, across), rows, (ZENITH,), "rad", RARE
        )


def _leans(direction: FloatArray, zenith: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what a lean of 1 rad along and across the circle's zero adds to readings (n, 3)."""
    along, across = np.zeros((len(direction), 3)), np.zeros((len(direction), 3))
    steep = 1.0 / np.tan(zenith)
    along[:, ZENITH], along[:, DIRECTION] = -np.cos(direction), steep * np.sin(direction)
    across[:, ZENITH], across[:, DIRECTION] = -np.sin(direction), -steep * np.cos(direction)
    return along, across


class AxisTilt(Kind):
    """The vertical axis of one setup, not upright."""

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return every shot of the setup."""
        return np.flatnonzero(case.shots.setup == case.setup_number(mistake.setup))

    def stays_in(self, mistake: Mistake) -> bool:
        """One whose size is not known, as a rival of another mistake, cannot be taken off."""
        return not len(mistake.size)

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take the lean off: leaving the zenith angles of a setup out would leave no height."""
        return self.cured(case, mistake) if len(mistake.size) else case

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Return the case with the readings of the setup as they were read."""
        case = super().put_back(case, original, mistake)
        shots, before = case.shots, original.shots
        rows = self.contaminated_rows(case, mistake)
        direction, zenith = shots.direction.copy(), shots.zenith.copy()
        direction[rows], zenith[rows] = before.direction[rows], before.zenith[rows]
        return replace(case, shots=replace(shots, direction=direction, zenith=zenith))

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the lean off all readings of the setup."""
        shots, rows = case.shots, self.contaminated_rows(case, mistake)
        second = shots.zenith[rows] > np.pi
        zenith = np.where(second, 2.0 * np.pi - shots.zenith[rows], shots.zenith[rows])
        along, across = _leans(shots.direction[rows] - np.pi * second, zenith)
        lean = mistake.size[0] * along + mistake.size[1] * across
        direction, upright = shots.direction.copy(), shots.zenith.copy()
        direction[rows] -= lean[:, DIRECTION]
        upright[rows] -= np.where(second, -1.0, 1.0) * lean[:, ZENITH]
        return replace(case, shots=replace(shots, direction=direction, zenith=upright))

    def proposed(self, case: Case, mistake: Mistake) -> Mistake:
        """Say toward which mark the axis leans, the one nearest to that side."""
        shots, rows = case.shots, mistake.rows
        second = shots.zenith[rows] > np.pi
        toward = np.arctan2(mistake.size[1], mistake.size[0])
        off = np.cos(shots.direction[rows] - np.pi * second - toward)
        return replace(mistake, instead=(case.points[shots.point[rows[int(np.argmax(off))]]],))

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """It is in all readings of the setup at once."""
        return False

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much and toward which mark."""
        m = mistake
        toward = f" toward {m.instead[0]}" if m.instead else ""
        return MistakeText(
            f"The vertical axis of setup {m.setup} leaned by {phrases.angle(m.magnitude)}{toward}: "
            "heights are low on that side and high on the other",
            "it is taken off all its readings for now",
            f"Level {m.setup} again, look at the compensator, and shoot two marks on opposite "
            "sides.",
            "Take the lean off all readings of the setup (accept), or shoot it again.",
            "the lean is taken off all readings of the setup",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the axis leaned."""
        return f"the vertical axis{in_setup(setup)} leaned"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the axis."""
        return f"vertical axis{in_setup(setup)}"


AXIS_TILT = AxisTilt("axis-tilt", (ZENITH,), "rad", axis_tilts, action="applied", in_height=True)
