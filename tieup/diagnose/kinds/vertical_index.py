"""A vertical index error that zenith angles of one face bring in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import Hypothesis, component_bias
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, of_setup_or_job, too
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import RARE, Kind, in_setup
from tieup.model.observations import ZENITH

FEWEST = 2  # sights that an index must be in, so that it is more than one sight


def index_errors(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a vertical index error of single-face zenith angles, by setup and of the site."""
    shots, tested = subjects.shots, subjects.rows
    rows = tested[subjects.observed[tested, ZENITH]]
    groups = [("", rows)]
    for number, setup in enumerate(subjects.setups):
        groups.append((setup.label, rows[shots.setup[rows] == number]))
    for label, own in groups:
        if len(np.unique(subjects.evidence.pointings.sight[own])) < FEWEST:
            continue
        column = component_bias(own, ZENITH, np.where(shots.zenith[own] > np.pi, -1.0, 1.0))
        name = VERTICAL_INDEX.name
        yield Hypothesis(name, label, (), (column,), own, (ZENITH,), "rad", RARE)


class VerticalIndex(Kind):
    """The vertical index of the instrument, not measured out by a second face."""

    def stays_in(self, mistake: Mistake) -> bool:
        """Leaving the zenith angles of a setup out would leave no height."""
        return True

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the index off the zenith angles it is in."""
        shots = case.shots
        inside = np.isin(shots.setup, np.unique(shots.setup[mistake.rows]))
        sign = np.where(shots.zenith > np.pi, -1.0, 1.0)
        zenith = np.where(inside, shots.zenith - sign * mistake.size[0], shots.zenith)
        return replace(case, shots=replace(shots, zenith=zenith))

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """An index of one setup in one face stays open for ever."""
        return not hypothesis.setup

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how large the index is."""
        m = mistake
        whose = f"of setup {m.setup}" if m.setup else "of the whole job"
        return MistakeText(
            f"The zenith angles {whose} are {phrases.angle(m.magnitude)} too "
            f"{too(m, 'large', 'small')}: the vertical index of the instrument, not measured out "
            "by a second face",
            "they are left in",
            f"Shoot one mark in both faces with the instrument {of_setup_or_job(m)}; the zenith "
            "angles should sum to 360 degrees.",
            "Take it off these zenith angles (accept); adjust the instrument; shoot control in "
            "both faces.",
            "it is taken off these zenith angles",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the index is off."""
        return f"the vertical index{in_setup(setup)} is off"


VERTICAL_INDEX = VerticalIndex("vertical-index", (ZENITH,), "rad", index_errors, in_height=True)
