"""Two marks that a setup booked under each other's name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, at_marks
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.kind import ALL, in_setup, some_points
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.kinds.sight_kind import SightKind
from tieup.model.arrays import IntArray


class SwappedNames(SightKind):
    """Two names exchanged in one setup."""

    def of_pair(self, setup: str, names: Sequence[str], rows: IntArray) -> Mistake:
        """Return the mistake that two names were exchanged, not known how far apart."""
        return self.mistake(setup, sorted(names), rows)

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Leave the shots out; of two names exchanged in the control list, exchange them back."""
        control = case.control
        if mistake.setup or control is None:
            return super().taken_out(case, mistake)
        rows = [control.names.index(name) for name in mistake.points]
        coordinates, sd = control.coordinates.copy(), control.sd.copy()
        coordinates[rows], sd[rows] = coordinates[rows[::-1]], sd[rows[::-1]]
        return replace(case, control=replace(control, coordinates=coordinates, sd=sd))

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Exchange the two names."""
        first, second = (case.points.index(name) for name in mistake.points)
        numbers = case.shots.point.copy()
        own = case.shots.point[mistake.rows]
        numbers[mistake.rows] = np.where(own == first, second, first)
        return replace(case, shots=replace(case.shots, point=numbers))

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say which names were exchanged, and in which setups that may have been."""
        m = mistake
        others = [r.setup for r in m.rivals if r.kind == m.kind and not r.separable]
        setups = " or ".join(dict.fromkeys([m.setup, *others]))
        doubt = ": the readings cannot tell in which" if setups != m.setup else ""
        only = f", if it was in {m.setup}" if doubt else ""
        return MistakeText(
            f"In setup {setups} the names {at_marks(m)} were swapped{doubt}",
            f"both shots of {m.setup} are left out" if doubt else "both shots are left out",
            f"From {setups} shoot {' or '.join(m.points)} again; compare the field sketch.",
            f"Swap the two names (accept){only}.",
            "the two names are exchanged and both shots are used",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the names were exchanged."""
        where = in_setup(setup) if setup else " in the control list"
        return f"{some_points(points)} were swapped{where}"


def with_equal_setups(solved: Solved, swap: Mistake) -> Mistake:
    """Name the setup that may as well have swapped the names: the only other one to see either.

    Where a third setup or control says which mark is which, nothing is added.
    """
    network, case = solved.network, solved.case
    pair = [case.points.index(name) for name in swap.points]
    known = np.isfinite(network.control[pair, :2]).all(axis=1) | np.isin(pair, network.station)
    sights = network.sights
    setups = [set(sights.setup[sights.point == point].tolist()) for point in pair]
    if known.any() or setups[0] != setups[1] or len(setups[0]) != 2:
        return swap
    labels = sorted(case.setups[n].label for n in setups[0])
    (other,) = (label for label in labels if label != swap.setup)
    shots = case.shots
    own = (shots.setup == case.setup_number(other)) & np.isin(shots.point, pair)
    rows = np.flatnonzero(own & ~shots.repeated)
    cause = replace(swap, setup=other, rows=rows, rivals=())
    rival = replace(SWAPPED_NAMES.rival(other, swap.points), cause=cause)
    return replace(swap, rivals=(*swap.rivals, rival))


SWAPPED_NAMES = SwappedNames("swapped-names", ALL, "m", like=POINT_NAME)
