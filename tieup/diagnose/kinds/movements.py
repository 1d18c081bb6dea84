"""An instrument that was knocked between two shots, or that sank or turned in time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.distributions import chi_square_critical
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis, component_bias
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, too
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import ALL, RARE, USUAL, Kind
from tieup.geometry import wrap_full, wrap_half
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.observations import DIRECTION, ZENITH
from tieup.reduce.target_visits import shooting_order

FEWEST = 2  # sights on each side of a break, so that the break is more than one sight
NO_SHIFT = 0.001  # chance below which a shift is one
SINKING, TURNING = "height", "direction"
ONE_LOOK = "one look"  # the detail of a knock seen in one look: a turn and no more, taken off


def movements(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the hypotheses that the instrument was knocked between two shots, or sank or turned."""
    for number in range(len(subjects.setups)):
        rows = subjects.of_setup(number)
        if len(rows) < 2 * FEWEST:
            continue
        yield from _breaks(subjects, number, rows)
        yield from _drifts(subjects, number, rows)


def _breaks(subjects: Subjects, number: int, rows: IntArray) -> Iterator[Hypothesis]:
    points = subjects.shots.point[rows]
    name, label = INSTRUMENT_MOVED.name, subjects.setups[number].label
    for cut in range(1, len(rows)):
        if (
            subjects.order[rows[cut]] == subjects.order[rows[cut - 1]]
            or subjects.run[rows[cut]] == subjects.run[rows[cut - 1]]
        ):
            continue
        after = rows[cut:]
        if len(set(points[:cut])) < FEWEST or len(set(points[cut:])) < FEWEST:
            continue
        twist = component_bias(after, DIRECTION)
        shifts = tuple(
            BiasColumn(
                after,
                np.where(subjects.observed[after], -subjects.derivative[after][:, :, k], 0.0),
            )
            for k in range(3)
        )
        detail, only, both = f"before row {after[0]}", (twist,), (*shifts, twist)
        yield Hypothesis(name, label, (), only, after, (DIRECTION,), "rad", USUAL, detail)
        yield Hypothesis(name, label, (), both, after, ALL, "m", RARE - 1.0, detail)


def _drifts(subjects: Subjects, number: int, rows: IntArray) -> Iterator[Hypothesis]:
    """Give a steady sinking (m) or turning (rad) from the first shot to the last."""
    order = subjects.order[rows]
    span = float(order[-1] - order[0])
    if span <= 0.0 or len(set(subjects.shots.point[rows])) < FEWEST:
        return
    share = ((order - order[0]) / span)[:, None]
    name, label = INSTRUMENT_SETTLED.name, subjects.setups[number].label
    sinking = np.where(subjects.observed[rows], -subjects.derivative[rows][:, :, 2] * share, 0.0)
    turning = np.zeros((len(rows), 3))
    turning[:, DIRECTION] = share[:, 0]
    sunk, turned = (BiasColumn(rows, sinking),), (BiasColumn(rows, turning),)
    yield Hypothesis(name, label, (), sunk, rows, (ZENITH,), "m", RARE, SINKING)
    yield Hypothesis(name, label, (), turned, rows, (DIRECTION,), "rad", RARE, TURNING)


class SplitSetup(Kind):
    """A setup that is taken as two: the later shots are of an instrument that had moved."""

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the two halves as one setup again."""
        row = mistake.rows[0]
        first, second = int(original.shots.setup[row]), int(case.shots.setup[row])
        if first == second:
            return case
        number = np.where(case.shots.setup == second, first, case.shots.setup)
        number -= number > second
        setups = (*case.setups[:second], *case.setups[second + 1 :])
        return replace(case, shots=replace(case.shots, setup=number), setups=setups)


class InstrumentMoved(SplitSetup):
    """An instrument knocked during its setup."""

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take all rows of the setup from the knock on, side shots too, as a setup of their own."""
        number = case.setup_number(mistake.setup)
        order = shooting_order(case.shots)
        later = (case.shots.setup == number) & (order >= order[int(mistake.rows[0])])
        if mistake.detail == ONE_LOOK:
            return _turned_back(case, later, float(mistake.size[0]))
        return case.with_split_setup(number, np.flatnonzero(later))

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Compare where the instrument stood and how it was turned: later minus earlier.

        A shift within chance is none: the instrument was turned and no more.
        """
        case, adjustment = solved.case, solved.adjustment
        first = case.setup_number(mistake.setup)
        second = int(case.shots.setup[mistake.rows[0]])
        shift = adjustment.axis[second] - adjustment.axis[first]
        turn = float(wrap_half(adjustment.orientation[first] - adjustment.orientation[second]))
        size = np.array([*shift, turn])
        if first == second or not np.isfinite(size).all():
            return mistake
        covariance = adjustment.setup_covariance[first] + adjustment.setup_covariance[second]
        moved = float(shift @ np.linalg.pinv(covariance[:3, :3], hermitian=True) @ shift)
        if moved > chi_square_critical(NO_SHIFT, 3.0):
            return self.sized(mistake, size, covariance)
        return replace(self.sized(mistake, size[3:], covariance[3:, 3:]), unit="rad")

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """Guard against a turn; a shift with it is looked for as well."""
        return hypothesis.degrees == 1

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how far it was shifted and turned."""
        m = mistake
        moved = f"shifted by {phrases.shift(m.magnitude)}" if m.unit == "m" else ""
        turns = moved == "" or len(m.size) > 3
        turned = f"turned by {phrases.angle(float(m.size[-1]))}" if turns else ""
        return MistakeText(
            f"The instrument of setup {m.setup} was knocked during the setup: what was shot later "
            f"is {' and '.join(filter(None, (moved, turned)))}",
            "the later shots are taken as a setup of their own",
            f"From {m.setup} shoot the backsight and a second mark again; compare with the opening "
            "shots.",
            "Keep the setup split (accept), or shoot the later points again.",
            "the later shots stay a setup of their own",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the instrument was knocked, and before what where that is told."""
        return f"{setup} was knocked{f' before {points[0]} was shot' if points else ''}"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the stand."""
        return f"stand of {setup} (a knock)"


def _turned_back(case: Case, later: BoolArray, turn: float) -> Case:
    """Return the case with ``turn`` (rad) off the circle readings of ``later`` rows (m,)."""
    shots = case.shots
    turned = np.where(later & ~shots.azimuth, shots.direction - turn, shots.direction)
    return replace(case, shots=replace(shots, direction=wrap_full(turned)))


class InstrumentSettled(Kind):
    """An instrument that sank or turned from its first shot to its last."""

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return every shot of the setup."""
        shots = case.shots
        return np.flatnonzero(np.isin(shots.setup, np.unique(shots.setup[mistake.rows])))

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """It is in all readings of the setup at once."""
        return False

    def is_height(self, mistake: Mistake) -> bool:
        """Say whether it sank, which is in heights; what turned is in plan."""
        return mistake.detail == SINKING

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how far it sank or turned."""
        m = mistake
        if m.unit == "rad":
            says = f"turned by {phrases.angle(m.magnitude)}"
        else:
            says = f"{too(m, 'sank', 'rose')} by {phrases.shift(m.magnitude)}"
        return MistakeText(
            f"The instrument of setup {m.setup} {says} from its first shot to its last",
            "these readings are left out",
            f"From {m.setup} shoot the backsight again after half an hour; look at the tripod's "
            "feet.",
            "Leave these readings out (accept), or shoot this setup again on firm ground.",
            "these readings stay left out",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the instrument sank or turned."""
        return f"{setup} sank or turned"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the stand."""
        return f"stand of {setup} (legs that sink or turn)"


class SetupReused(SplitSetup):
    """One label over two positions of the instrument."""

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say that a label stands for two positions of the instrument."""
        return MistakeText(
            f"Setup {mistake.setup} stands in two places: from some shot on its readings are those "
            "of an instrument that was moved without a new setup being begun",
            f"they are taken as a setup of their own, {mistake.instead[0]}, a free station",
            "Look in the field book for a second setup; look at the times between the shots.",
            "Keep the setup split (accept); give the second part a label of its own in the export.",
            "the setup stays split",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the setup is two."""
        return f"{setup} was set up twice"


INSTRUMENT_MOVED = InstrumentMoved(
    "instrument-moved", ALL, "m", movements, action="split", moves=True
)
INSTRUMENT_SETTLED = InstrumentSettled("instrument-settled", ALL, "m", movements)
SETUP_REUSED = SetupReused("setup-reused", (), "", action="split")
