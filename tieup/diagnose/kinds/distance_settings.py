"""What all distances of a setup, a prism or the job are off by: a constant, or a scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import Hypothesis, component_bias
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, of_setup_or_job, too
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import RARE, USUAL, Kind, in_setup
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DISTANCE

FEWEST = 2  # sights that a constant must be in, so that it is more than one sight
SURE = 3.3  # sds from which a constant of the job is more than chance, at 0.1 %


def distance_constants(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give one constant as added to all distances: of a setup, a target type, the instrument."""
    shots, tested = subjects.shots, subjects.rows
    ranged = tested[subjects.observed[tested, DISTANCE]]
    groups: dict[tuple[str, str], IntArray] = {}
    for number, setup in enumerate(subjects.setups):
        own = ranged[shots.setup[ranged] == number]
        groups[(setup.label, "")] = own
        kinds = set(shots.target[own])
        for target in sorted(kinds) if len(kinds) > 1 else ():
            groups[(setup.label, target)] = own[shots.target[own] == target]
    everywhere = sorted(set(shots.target[ranged]))
    for target in everywhere if len(everywhere) > 1 else ():
        groups[("", target)] = ranged[shots.target[ranged] == target]
    groups[("", "")] = ranged
    yield from PRISM_CONSTANT.of_groups(subjects, groups)


def distance_scales(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a scale as applied to all distances of a setup or of the site."""
    shots, tested = subjects.shots, subjects.rows
    ranged = tested[subjects.observed[tested, DISTANCE]]
    groups = {
        (setup.label, ""): ranged[shots.setup[ranged] == number]
        for number, setup in enumerate(subjects.setups)
    }
    groups[("", "")] = ranged
    yield from DISTANCE_SCALE.of_groups(subjects, groups)


def job_distances(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give one constant and one scale of all distances of the job."""
    tested = subjects.rows
    whole = {("", ""): tested[subjects.observed[tested, DISTANCE]]}
    yield from PRISM_CONSTANT.of_groups(subjects, whole)
    yield from DISTANCE_SCALE.of_groups(subjects, whole)


@dataclass(frozen=True)
class DistanceSetting(Kind):
    """Something set wrong that is in many distances alike; ``prior`` says how common it is."""

    prior: float = RARE

    def per_unit(self, distance: FloatArray) -> FloatArray:
        """Return what one unit of the size adds to distances (n,)."""
        raise NotImplementedError(self.name)

    def of_groups(
        self, subjects: Subjects, groups: dict[tuple[str, str], IntArray]
    ) -> Iterator[Hypothesis]:
        """Give the hypotheses of groups of rows, by setup label and target type."""
        for (label, target), rows in groups.items():
            if len(np.unique(subjects.evidence.pointings.sight[rows])) < FEWEST:
                continue
            value = self.per_unit(subjects.evidence.pointings.corrected[rows, DISTANCE])
            own = rows if label else ()
            yield Hypothesis(
                kind=self.name,
                setup=label,
                points=tuple(dict.fromkeys(subjects.name(row) for row in own)),
                columns=(component_bias(rows, DISTANCE, value),),
                rows=rows,
                kinds=self.components,
                unit=self.unit,
                prior=self.prior,
                detail=target,
            )

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return every shot of the setups it is in."""
        shots = case.shots
        return np.flatnonzero(np.isin(shots.setup, np.unique(shots.setup[mistake.rows])))

    def stays_in(self, mistake: Mistake) -> bool:
        """Leaving all distances of the job out would leave nothing."""
        return not mistake.setup

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """It is in many readings at once."""
        return False

    def corrected(self, distance: FloatArray, size: float) -> FloatArray:
        """Return distances (n,) with an error of this size taken off."""
        raise NotImplementedError(self.name)

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the error off the distances."""
        column = case.shots.distance.copy()
        rows = self.contaminated_rows(case, mistake)
        column[rows] = self.corrected(column[rows], float(mistake.size[0]))
        return replace(case, shots=replace(case.shots, distance=column))


class PrismConstant(DistanceSetting):
    """A constant added to all distances."""

    def per_unit(self, distance: FloatArray) -> FloatArray:
        """Return 1 for each distance."""
        return np.ones(len(distance))

    def corrected(self, distance: FloatArray, size: float) -> FloatArray:
        """Subtract the constant."""
        return distance - size

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return the shots of the setups it is in, those to its target type."""
        shots = case.shots
        mask: BoolArray = np.isin(shots.setup, np.unique(shots.setup[mistake.rows]))
        if mistake.detail:
            mask &= shots.target == mistake.detail
        return np.flatnonzero(mask)

    def weak(self, mistake: Mistake) -> bool:
        """Say whether a constant of the job is within chance."""
        return bool(mistake.statistic <= SURE)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say which distances are off by how much."""
        m = mistake
        if not m.setup and not m.detail:
            return _job_constant(m, phrases)
        whose = f"of setup {m.setup}" if m.setup else "of the whole job"
        prism = f" to the target {m.detail}" if m.detail else ""
        size, sign = phrases.shift(m.magnitude), "-" if m.magnitude > 0 else "+"
        return MistakeText(
            f"All distances {whose}{prism} are {size} too {too(m, 'long', 'short')}, "
            "whatever their length: a wrong prism constant",
            "they are left out" if m.setup else "they are left in",
            _measure_a_line(m),
            f"Add {sign}{size} to these distances (accept).",
            f"{sign}{size} is added to these distances",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that a constant is wrong."""
        return f"a prism constant{in_setup(setup)} is wrong"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the constant."""
        return f"prism constant{in_setup(setup)}"


def _job_constant(m: Mistake, p: Phrases) -> MistakeText:
    """Say what all distances ask for and how well they know it."""
    change = f"{'-' if m.magnitude > 0 else '+'}{p.shift(m.magnitude)}"
    sure = "" if m.statistic > SURE else ", so it may be chance"
    return MistakeText(
        f"All distances of the job would fit better with {change} added, give or take "
        f"{p.shift(m.sd)}{sure}: a prism constant set wrong shows like this",
        "it is left in",
        _measure_a_line(m),
        f"Add {change} to all distances (accept) if the known line says so too.",
        f"{change} is added to all distances",
    )


def _measure_a_line(m: Mistake) -> str:
    return (
        f"Measure a known short line with the prism {of_setup_or_job(m)}; compare the prism set in "
        "the instrument with the one on the pole."
    )


class DistanceScale(DistanceSetting):
    """A scale applied to all distances."""

    def per_unit(self, distance: FloatArray) -> FloatArray:
        """Return the distances themselves."""
        return distance

    def corrected(self, distance: FloatArray, size: float) -> FloatArray:
        """Take the factor off."""
        return np.asarray(distance / (1.0 + size))

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much per km the distances are off."""
        m = mistake
        whose = f"of setup {m.setup}" if m.setup else "of the whole job"
        return MistakeText(
            f"The distances {whose} are too {too(m, 'long', 'short')} by "
            f"{abs(m.magnitude) * 1e6:.0f} mm per km: weather correction or a grid factor in the "
            "instrument",
            "they are left out" if m.setup else "they are left in",
            f"Look at the scale factor and the weather set in the instrument {of_setup_or_job(m)}; "
            "measure a known line.",
            "Correct the setting and take the factor off these distances (accept).",
            "the factor is taken off these distances",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the distances are off."""
        return f"the distances{in_setup(setup)} are off by a scale"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the scale."""
        return f"scale of the distances{in_setup(setup)}"


PRISM_CONSTANT = PrismConstant("prism-constant", (DISTANCE,), "m", distance_constants, prior=USUAL)
DISTANCE_SCALE = DistanceScale("distance-scale", (DISTANCE,), "1", distance_scales, prior=RARE)
