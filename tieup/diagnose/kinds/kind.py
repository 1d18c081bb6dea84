"""A kind of mistake as one object: everything that search, decisions and report ask about it.

A new kind is one module here that makes an object of a class derived from `Kind`, and its place
in `tieup.diagnose.kinds.catalogue`. What a kind does not say of itself is said here: readings are
left out for it, come back as they were booked, and accepting it leaves them out for good.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.settings import Tolerances

# Common practice, no source: pole heights are what crews get wrong most; a wrong angle
# alone is rare with an instrument that records by itself.
COMMON, USUAL, RARE = 2.0, 1.0, 0.0

ALL = (0, 1, 2)
"""The components of a sight: direction, zenith angle, distance."""

Family = Callable[[Subjects], Iterable[Hypothesis]]
"""What gives the hypotheses of one or more kinds that a site could hold."""


@dataclass(frozen=True)
class Kind:
    """One kind of mistake.

    ``name`` stands in findings. ``components`` of a sight are what it contaminates, ``unit`` is
    that of its size (m, rad, 1). ``family`` gives its hypotheses, None where it is found in another
    way. ``action`` says in a finding what was done about it.

    ``in_height``: its size amounts to a height at the mark, not to a place. ``of_sight``: it is
    about the readings of one sight, and what else of the sight is good takes part. ``vague``: it
    says that a sight is wrong and not how. ``given``: it is in what was given, not in what was
    read. ``of_mark``: it is in a mark, whoever shot it. ``moves``: the instrument stood elsewhere
    after it. ``says_rivals``: its words name them.
    """

    name: str
    components: tuple[int, ...] = ALL
    unit: str = "m"
    family: Family | None = None
    action: str = "excluded"
    in_height: bool = False
    of_sight: bool = False
    vague: bool = False
    given: bool = False
    of_mark: bool = False
    moves: bool = False
    says_rivals: bool = False

    def mistake(self, setup: str, points: Sequence[str], rows: IntArray) -> Mistake:
        """Return a mistake of this kind whose size is not known."""
        return Mistake(self.name, setup, tuple(points), rows, self.components, self.unit)

    def rival(
        self, setup: str, points: Sequence[str] = (), statistic: float = np.nan
    ) -> RivalCause:
        """Return this kind as another cause that the readings cannot tell from a mistake."""
        return RivalCause(self.name, setup, tuple(points), statistic, separable=False)

    # What it does to the site

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return the rows that share a mistake, side shots that nothing tests included."""
        return mistake.rows

    def stays_in(self, mistake: Mistake) -> bool:
        """Say whether it is in the whole site alike, or perhaps none: nothing is left out."""
        return False

    def reached(self, solved: Solved, mistake: Mistake, error: float) -> Mistake:
        """Return the mistake with all components that an ``error`` (m) of this kind is in."""
        return mistake

    def renamed(self, case: Case, mistake: Mistake) -> Mistake:
        """Return the mistake with the names that taking it out will give."""
        return mistake

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Return the case without what a mistake contaminates."""
        return case.without(self.contaminated_rows(case, mistake), mistake.kinds)

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Return the case with what a mistake took out as it is in ``original``."""
        rows = self.contaminated_rows(original, mistake)
        use = case.use.copy()
        block = np.ix_(rows, np.array(mistake.kinds, dtype=np.int64))
        use[block] |= original.use[block]
        return replace(case, use=use)

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Return the case with a mistake put right, as its finding proposes."""
        return self.taken_out(case, mistake)

    # How large it is

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Return a gross mistake with size, covariance and statistic from the final solution."""
        return mistake

    def sized(self, mistake: Mistake, size: FloatArray, covariance: FloatArray) -> Mistake:
        """Return the mistake with its size (q,) and covariance (q, q), in the unit of its kind."""
        statistic = float(np.sqrt(size @ np.linalg.pinv(covariance, hermitian=True) @ size))
        return replace(
            mistake, unit=self.unit, size=size, covariance=covariance, statistic=statistic
        )

    def named(self, solved: Solved, sight: int, rows: IntArray, mistake: Mistake) -> Mistake:
        """Return a mistake of one gross ``sight`` for its ``rows``, with what it should have been.

        ``solved`` is the solution that has the sight among the gross ones.
        """
        return replace(mistake, rows=rows)

    def proposed(self, case: Case, mistake: Mistake) -> Mistake:
        """Return the mistake with the right value that its cure proposes."""
        return mistake

    # What it matters

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """Say whether a bay can be guarded against it: it is not in many readings at once."""
        return True

    def is_height(self, mistake: Mistake) -> bool:
        """Say whether what a mistake amounts to at the mark is a height."""
        return self.in_height

    def weak(self, mistake: Mistake) -> bool:
        """Say whether a mistake that stays in may be chance."""
        return False

    def within(self, mistake: Mistake, limits: Tolerances) -> bool:
        """Say whether a mistake is so small that nothing is to be settled before use."""
        return False

    def beyond(self, mistake: Mistake, case: Case, limits: Tolerances) -> bool:
        """Say whether a mistake amounts to more at the mark than a tie may differ.

        A mistake without a size counts as beyond.
        """
        if not len(mistake.size):
            return True
        plan, height = self._at_mark(mistake, case)
        return bool(plan > limits.horizontal or height > limits.elevation)

    def _at_mark(self, mistake: Mistake, case: Case) -> tuple[float, float]:
        """Return what a mistake amounts to at its farthest mark, in plan and in height (m)."""
        size = mistake.size
        if len(size) > 1:
            letters = mistake.detail if set(mistake.detail) <= set("NEH") else ""
            letters = (letters or "NEH")[: len(size)]
            shift = dict(zip(letters, np.abs(size[:3]).tolist(), strict=False))
            turn = abs(float(size[3])) * _reach(mistake, case) if len(size) > 3 else 0.0
            plan = float(np.hypot(shift.get("N", 0.0), shift.get("E", 0.0))) + turn
            return plan, shift.get("H", 0.0)
        amount = abs(mistake.magnitude)
        if mistake.unit in ("rad", "1"):
            amount *= _reach(mistake, case)
        return (0.0, amount) if self.is_height(mistake) else (amount, 0.0)

    # How it is said

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Return the text of a mistake."""
        raise NotImplementedError(self.name)

    def text(self, mistake: Mistake, phrases: Phrases, shots: Shots) -> MistakeText:
        """Return the text of a mistake in a job of these shots."""
        return self.words(mistake, phrases)

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Return what happened, as a clause: what else the readings could mean."""
        at = some_points(points)
        return f"{self._plain}{in_setup(setup)}{f' at {at}' if at else ''}"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Return what could be wrong, as a noun with its place, for "a mistake in the ..."."""
        return f"{self._plain}{in_setup(setup)}"

    @property
    def _plain(self) -> str:
        return self.name.replace("-", " ")


def _reach(mistake: Mistake, case: Case) -> float:
    """Return the longest distance (m) among the rows of a mistake, inf where none has one."""
    distance: FloatArray = case.shots.distance[mistake.rows]
    known = distance[np.isfinite(distance)]
    return float(known.max()) if len(known) else np.inf


def in_setup(setup: str) -> str:
    """Return " in S1", nothing for the whole job."""
    return f" in {setup}" if setup else ""


def some_points(points: Sequence[str]) -> str:
    """Return names for a clause; of many the first and the last."""
    if len(points) > 3:
        return f"{points[0]}, ..., {points[-1]}"
    return " and ".join(points)


def from_to(setup: str, points: Sequence[str]) -> str:
    """Return from where to where a sight goes, for a clause."""
    return f"from {setup} to {some_points(points)}"
