"""A setup over a mark that does not stand there, or not as high as was booked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_BIAS, NO_ROWS, BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, at_marks, too
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import COMMON, USUAL, Kind, some_points

NEAREST = 0.05  # m; an instrument this close to another mark stood over that one


def occupations(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the instrument height, or the occupied mark itself, as wrong.

    A height that no reading carries on is in nothing: one booked in a plan is no mistake.
    """
    high = subjects.evidence.adjustment.problem.network.start.height_setup
    for number, setup in enumerate(subjects.setups):
        if not setup.station:
            continue
        rows = subjects.of_setup(number)
        height = BiasColumn(NO_ROWS, NO_BIAS, plumb=((number, 2, 1.0),))
        label, over = setup.label, (setup.station,)
        carried = bool(high[number]) and np.isfinite(setup.instrument_height)
        if carried:
            name = INSTRUMENT_HEIGHT.name
            yield Hypothesis(name, label, over, (height,), NO_ROWS, (), "m", COMMON)
        columns = tuple(
            BiasColumn(NO_ROWS, NO_BIAS, plumb=((number, component, 1.0),))
            for component in range(2)
        )
        if carried:
            columns = (*columns, height)
        if len(rows):
            yield Hypothesis(STATION_NAME.name, label, over, columns, NO_ROWS, (), "m", USUAL)


class OccupationKind(Kind):
    """Something wrong with a setup over a mark: what was booked of it is not believed."""

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the setup as it was booked."""
        number = case.setup_number(mistake.setup)
        return case.with_setup(number, original.setups[number])


class InstrumentHeight(OccupationKind):
    """An instrument height booked wrong."""

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take the height as not booked."""
        return case.without_instrument_height(case.setup_number(mistake.setup))

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the error off the height."""
        number = case.setup_number(mistake.setup)
        old = case.setups[number]
        height = old.instrument_height - float(mistake.size[0])
        return case.with_setup(number, replace(old, instrument_height=height))

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Compare the booked height of the instrument with what its sights say."""
        case = solved.case
        setup = case.setup_number(mistake.setup)
        point = case.points.index(mistake.points[0])
        rise = solved.adjustment.axis[setup, 2] - solved.adjustment.position[point, 2]
        booked = case.booked_heights[setup]
        variance = solved.adjustment.setup_covariance[setup, 2, 2]
        variance = variance + solved.adjustment.point_covariance[point, 2, 2]
        variance += case.precision.height_instrument**2
        if not np.isfinite(rise):
            return mistake
        return self.sized(mistake, np.array([booked - rise]), np.array([[variance]]))

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the height was booked wrong."""
        m, size = mistake, phrases.shift(mistake.magnitude)
        return MistakeText(
            f"The instrument height of setup {m.setup} over {at_marks(m)} was booked {size} too "
            f"{too(m, 'large', 'small')}",
            "it is left out and the setup takes its height from its sights",
            f"Measure the instrument height again, or shoot a benchmark from over {at_marks(m)}.",
            f"Set the instrument height {size} {too(m, 'lower', 'higher')} (accept).",
            f"the instrument height is taken {size} {too(m, 'lower', 'higher')}",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the height is wrong."""
        return f"the instrument height of {setup} is wrong"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the height."""
        return f"instrument height of {setup}"


class StationName(OccupationKind):
    """A setup that stood over another mark, or beside its own."""

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take the setup as a free station."""
        return case.without_station(case.setup_number(mistake.setup))

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Give the setup the mark it stood over; a free station where that is not known."""
        if not mistake.instead:
            return self.taken_out(case, mistake)
        number = case.setup_number(mistake.setup)
        return case.with_setup(number, replace(case.setups[number], station=mistake.instead[0]))

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Compare where the instrument stood with the mark it was said to stand over."""
        case = solved.case
        setup = case.setup_number(mistake.setup)
        point = case.points.index(mistake.points[0])
        axis = solved.adjustment.axis[setup, :2]
        away = solved.adjustment.position[:, :2] - axis
        distance = np.where(np.isfinite(away[:, 0]), np.hypot(away[:, 0], away[:, 1]), np.inf)
        distance[point] = np.inf
        nearest = int(np.argmin(distance))
        instead = (case.points[nearest],) if distance[nearest] < NEAREST else ()
        size = solved.adjustment.position[point, :2] - axis
        if not np.isfinite(size).all():
            return replace(mistake, instead=instead)
        covariance = solved.adjustment.setup_covariance[setup, :2, :2]
        covariance = covariance + solved.adjustment.point_covariance[point, :2, :2]
        return replace(self.sized(mistake, size, covariance), instead=instead)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say over which mark the setup stood, or how far from its own."""
        m = mistake
        if m.instead:
            says = f"Setup {m.setup} did not stand over {at_marks(m)} but over {m.instead[0]}"
        else:
            away = f"stood {phrases.shift(m.magnitude)} away from"
            how = away if np.isfinite(m.magnitude) else "did not stand over"
            says = f"Setup {m.setup} {how} {at_marks(m)}"
        return MistakeText(
            says,
            "it is taken as a free station",
            f"Look at the mark under the instrument of {m.setup}; compare the field sketch.",
            f"Correct the station name to {m.instead[0]} (accept)."
            if m.instead
            else "Keep it a free station (accept), or name the right mark (set: station).",
            f"it stands over {m.instead[0]}" if m.instead else "it stays a free station",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the setup stood elsewhere."""
        return f"{setup} stood beside {some_points(points)}"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the centring."""
        return f"centring of {setup} over {some_points(points)}"


INSTRUMENT_HEIGHT = InstrumentHeight(
    "instrument-height", (), "m", occupations, action="freed", in_height=True
)
STATION_NAME = StationName("station-name", (), "m", occupations, action="freed")
