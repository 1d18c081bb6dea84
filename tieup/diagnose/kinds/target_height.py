"""A pole height booked wrong: of one sight, or of a run of shots in time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, first_mark, too
from tieup.diagnose.basis.predict import predicted
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import COMMON, from_to
from tieup.diagnose.kinds.pole_lengths import right_length
from tieup.diagnose.kinds.sight_kind import SightKind
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import DISTANCE, ZENITH, Sights
from tieup.reduce.target_visits import shooting_order

RUN = "run"  # the detail of a height that several shots share


def target_heights(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the booked pole height as wrong: of one sight, or of a run of shots in time.

    A pole booked too high makes the model expect the target too high: the readings are
    those of a lower one.
    """
    for rows in subjects.sight_rows:
        if subjects.observed[rows, ZENITH].any():
            yield _target_height(subjects, rows, "")
    for setup in range(len(subjects.setups)):
        yield from _runs(subjects, setup)


def _target_height(subjects: Subjects, rows: IntArray, detail: str) -> Hypothesis:
    bias = -subjects.derivative[rows][:, :, 2]
    names = tuple(dict.fromkeys(subjects.name(row) for row in rows))
    return Hypothesis(
        kind=TARGET_HEIGHT.name,
        setup=subjects.label(rows[0]),
        points=names,
        columns=(BiasColumn(rows, np.where(subjects.observed[rows], bias, 0.0)),),
        rows=rows,
        kinds=(ZENITH,),
        unit="m",
        prior=COMMON,
        detail=detail,
    )


def _runs(subjects: Subjects, setup: int) -> Iterator[Hypothesis]:
    """Give every run of two or more sights of one entry, in shooting order, but not a whole setup.

    One entry left standing is one mistake; sights of another entry in between are no part of it.
    """
    rows = subjects.of_setup(setup)
    rows = rows[subjects.observed[rows, ZENITH]]
    sight = subjects.evidence.pointings.sight[rows]
    _, first = np.unique(sight, return_index=True)
    ordered = [rows[sight == sight[i]] for i in np.sort(first)]
    entries = subjects.shots.target_height
    for entry in np.unique(entries[rows]):
        same = [own for own in ordered if entries[own[0]] == entry]
        for start in range(len(same)):
            for end in range(start + 2, len(same) + 1):
                if end - start < len(ordered):
                    yield _target_height(subjects, np.concatenate(same[start:end]), RUN)


def height_errors(solved: Solved, sights: Sights) -> FloatArray:
    """Return booked minus right pole height (k,) from the zenith angles alone."""
    bend = curvature_coefficient(solved.case.refraction)
    expected = predicted(sights, solved.adjustment, solved.case.refraction)
    plan = expected[:, DISTANCE] * np.sin(expected[:, ZENITH])
    seen = plan / np.tan(sights.value[:, ZENITH] - bend * plan)
    return np.asarray(plan / np.tan(expected[:, ZENITH] - bend * plan) - seen)


def _reached(solved: Solved, rows: IntArray, error: float) -> tuple[int, ...]:
    """Return the components of ``rows`` that a height ``error`` (m) is in.

    In a steep sight that is the distance too, where it changes by more than its sd.
    """
    sights = solved.network.sights
    number = solved.reduction.pointings.sight[rows]
    own = np.unique(number[number >= 0])
    change = np.abs(np.cos(sights.value[own, ZENITH]) * error)
    beyond = np.nan_to_num(change) > sights.pointing_sd[own, DISTANCE]
    return (ZENITH, DISTANCE) if beyond.any() else (ZENITH,)


class TargetHeight(SightKind):
    """A pole height booked wrong."""

    def reached(self, solved: Solved, mistake: Mistake, error: float) -> Mistake:
        """Say whether it is in the distances too."""
        return replace(mistake, kinds=_reached(solved, mistake.rows, error))

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return the rows of a sight, or all that a run of shots with one entry holds.

        A wrong height of a run is in everything shot between its first and its last shot with the
        same entry.
        """
        shots, rows = case.shots, mistake.rows
        if len(np.unique(shots.point[rows])) < 2:
            return rows
        setup, entry = shots.setup[rows[0]], shots.target_height[rows[0]]
        order = shooting_order(shots)
        inside = (order >= order[rows].min()) & (order <= order[rows].max())
        return np.flatnonzero((shots.setup == setup) & inside & (shots.target_height == entry))

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the height that is proposed, or what was booked less the error."""
        if len(mistake.size) != 1:
            return self.taken_out(case, mistake)
        column = case.shots.target_height.copy()
        rows = self.contaminated_rows(case, mistake)
        known = np.isfinite(mistake.right)
        column[rows] = mistake.right if known else column[rows] - mistake.size[0]
        return replace(case, shots=replace(case.shots, target_height=column))

    def sizes(self, solved: Solved, sights: Sights, off: FloatArray) -> FloatArray:
        """Return the error of the height, from the zenith angles alone."""
        return height_errors(solved, sights)[:, None]

    def proposed(self, case: Case, mistake: Mistake) -> Mistake:
        """Propose the length that was meant, where the readings fit one."""
        found = right_length(case, mistake, self.contaminated_rows(case, mistake))
        if found is None:
            return mistake
        return replace(mistake, right=found[0], instead=(found[1],))

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """A run that is nearly all of a free station is its own height."""
        return hypothesis.detail != RUN

    def text(self, mistake: Mistake, phrases: Phrases, shots: Shots) -> MistakeText:
        """Where no height was booked at all none was booked wrong."""
        text = self.words(mistake, phrases)
        if shots.target_height.any():
            return text
        many = "s" if len(mistake.points) > 1 else ""
        by = f"{phrases.shift(mistake.magnitude)} {too(mistake, 'lower', 'higher')}"
        return replace(
            text,
            wrong=f"In setup {mistake.setup} the target of the shot{many} to "
            f"{some(mistake.points)} stood {by} than the height 0 that is taken where none is "
            "booked",
            confirm=f"From {mistake.setup} shoot {first_mark(mistake)} again and note the height "
            "of the target.",
        )

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the height was booked wrong."""
        m = mistake
        run = len(m.points) > 1
        what = (
            f"the pole height of the shots from {m.points[0]} to {m.points[-1]}"
            if run
            else (f"the pole height of the shot to {m.points[0]}")
        )
        also = " and distances" if DISTANCE in m.kinds else ""
        cure, applied = _right_pole(m, phrases)
        return MistakeText(
            f"In setup {m.setup} {what} was booked {phrases.shift(m.magnitude)} "
            f"too {too(m, 'large', 'small')}",
            f"the heights{also} are left out",
            f"From {m.setup} shoot {first_mark(m)} again and read the pole height aloud; look up "
            "the pole height in the field book.",
            f"{cure} (accept), set what the field book has (set: target_height), or leave the "
            "heights out (exclude).",
            f"{applied} and the shots are used",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the height is wrong."""
        return f"the pole height {from_to(setup, points)} is wrong"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the height."""
        return f"pole height {from_to(setup, points)}"


def _right_pole(m: Mistake, p: Phrases) -> tuple[str, str]:
    """Return how the pole height is put right, as a cure and as done."""
    if np.isfinite(m.right):
        right = f"{p.height(m.right)}, {m.instead[0]}, which the readings fit"
        return f"Set the pole height to {right}", f"the pole height is taken as {right},"
    by = f"{p.shift(m.magnitude)} {too(m, 'lower', 'higher')}"
    return f"Set the pole height {by}", f"the pole height is taken {by}"


TARGET_HEIGHT = TargetHeight(
    "target-height", (ZENITH,), "m", target_heights, in_height=True, of_sight=True,
    as_well=("zenith",),
)  # fmt: skip
