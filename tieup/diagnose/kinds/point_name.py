"""A sight that is not of the mark it is booked under: another target, or a wrong backsight."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, at_marks, from_setup
from tieup.diagnose.basis.predict import sighted_place
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import ALL, RARE, from_to, some_points
from tieup.diagnose.kinds.sight_kind import SightKind
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import Sights

SAME_PLACE = 0.15  # m; a sight this close to another mark is a sight of that mark


def wrong_targets(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the target of a sight as not being the mark: all three readings are off at once."""
    for rows in subjects.sight_rows:
        if subjects.observed[rows].any(axis=0).sum() < 2:
            continue
        derivative = subjects.derivative[rows]
        shown = subjects.observed[rows]
        columns = tuple(
            BiasColumn(rows, np.where(shown, derivative[:, :, component], 0.0))
            for component in range(3)
        )
        yield Hypothesis(
            kind=POINT_NAME.name,
            setup=subjects.label(rows[0]),
            points=(subjects.name(rows[0]),),
            columns=columns,
            rows=rows,
            kinds=ALL,
            unit="m",
            prior=RARE - 1.0,
        )


def seen_instead(solved: Solved, number: int) -> tuple[str, ...]:
    """Return the name of the point at which a sight arrived, nothing where there is none."""
    sights = solved.network.sights
    place = sighted_place(sights, solved.adjustment, solved.case.refraction)[number]
    position = solved.adjustment.position
    away = np.where(np.isfinite(position[:, :2]), position[:, :2] - place[:2], np.inf)
    distance = np.hypot(away[:, 0], away[:, 1])
    distance[sights.point[number]] = np.inf
    if not len(distance) or not np.isfinite(distance).any():
        return ()
    nearest = int(np.argmin(distance))
    return (solved.case.points[nearest],) if distance[nearest] < SAME_PLACE else ()


class WrongTarget(SightKind):
    """A sight of another target than the mark of its name."""

    def sizes(self, solved: Solved, sights: Sights, off: FloatArray) -> FloatArray:
        """Return how far from its mark each sight arrives."""
        place = sighted_place(sights, solved.adjustment, solved.case.refraction)
        return place - solved.adjustment.position[sights.point]

    def named(self, solved: Solved, sight: int, rows: IntArray, mistake: Mistake) -> Mistake:
        """Name the mark that the sight really saw, where one lies there."""
        sights, case = solved.network.sights, solved.case
        label = case.setups[sights.setup[sight]].label
        name = case.points[sights.point[sight]]
        kind = BACKSIGHT if "backsight" in set(case.shots.role[rows]) else POINT_NAME
        seen = seen_instead(solved, sight)
        return replace(
            kind.mistake(label, (name,), rows),
            instead=seen,
            rivals=() if seen else mistake.rivals,
        )

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Give the shots their right name; leave them out where it is not known."""
        if not mistake.instead:
            return self.taken_out(case, mistake)
        return case.with_renamed(mistake.rows, mistake.instead[0])

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say which mark was shot, or how far from its own the shot lies."""
        m, at = mistake, at_marks(mistake)
        if m.instead:
            says = f"The shot {from_setup(m)} is on {m.instead[0]}, not on {at}"
        else:
            far = (
                f"{phrases.shift(m.magnitude)} away from" if np.isfinite(m.magnitude) else "not on"
            )
            says = (
                f"The shot {from_setup(m)} is {far} {at}: another "
                "target, a wrong name, or the pole beside the mark"
            )
        right = m.instead[0] if m.instead else ""
        return MistakeText(
            says,
            "it is left out",
            f"From {m.setup} shoot {at} again; compare the field sketch.",
            f"Rename the shot to {right} (accept)." if right else "Leave the shot out (accept).",
            f"the shot is taken as one of {right}" if right else "the shot stays left out",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that another mark was shot."""
        return f"{setup} shot another mark than {some_points(points)}"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the shot."""
        return f"shot {from_to(setup, points)}"


POINT_NAME = WrongTarget("point-name", ALL, "m", wrong_targets, of_sight=True, vague=True)
BACKSIGHT = WrongTarget(
    "backsight", ALL, "m", of_sight=True, like=POINT_NAME, as_well=("point-name",)
)
