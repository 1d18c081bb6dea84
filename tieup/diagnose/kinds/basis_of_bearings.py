"""Azimuths of a file, or of the job, that run from another north than the grid of the control."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import Hypothesis, component_bias
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases, too
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import COMMON, Kind, some_points
from tieup.model.arrays import IntArray
from tieup.model.fieldbook import Setup, Shots
from tieup.model.job import BY_FILE, BY_JOB
from tieup.model.observations import DIRECTION

FEWEST = 3  # azimuths that a turn must be in, so that it is more than one sight
JOB = ""  # the detail of what is in every file


def files_of_azimuths(
    shots: Shots, setups: Sequence[Setup], rows: IntArray
) -> Mapping[str, IntArray]:
    """Return the ``rows`` whose azimuths may be turned by themselves, by file.

    Those from grid north, with those of all files as `JOB`. Of several files on one basis all but
    the one with most azimuths, against which they are turned.
    """
    read = rows[shots.azimuth[rows] & np.isfinite(shots.direction[rows])]
    own = read[shots.basis[read] < 0]
    groups = _by_file(shots, setups, own)
    found = {file: held for file, held in groups.items() if len(held) >= FEWEST}
    if len(groups) > 1 and len(own) >= FEWEST:
        found[JOB] = own
    for basis in np.unique(shots.basis[read][shots.basis[read] >= 0]).tolist():
        joined = _by_file(shots, setups, read[shots.basis[read] == basis])
        most = max(joined, key=lambda file: len(joined[file]))
        found |= {f: held for f, held in joined.items() if f != most and len(held) >= FEWEST}
    return found


def _by_file(shots: Shots, setups: Sequence[Setup], rows: IntArray) -> dict[str, IntArray]:
    parts = (rows[shots.file[rows] == number] for number in np.unique(shots.file[rows]))
    return {setups[shots.setup[part[0]]].file: part for part in parts}


def turned_bases(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the azimuths of each file, and those of the job, as turned by one angle.

    Of a large site too, of which otherwise a part is looked at.
    """
    tested = np.flatnonzero(subjects.evidence.row_connection >= 0)
    tested = tested[subjects.observed[tested, DIRECTION]]
    for file, rows in files_of_azimuths(subjects.shots, subjects.setups, tested).items():
        yield Hypothesis(
            kind=BASIS_OF_BEARINGS.name,
            setup="",
            points=(),
            columns=(component_bias(rows, DIRECTION),),
            rows=rows,
            kinds=(DIRECTION,),
            unit="rad",
            prior=COMMON,
            detail=file,
        )


class BasisOfBearings(Kind):
    """Azimuths turned against the grid, all by one angle; a detail names the file."""

    def contaminated_rows(self, case: Case, mistake: Mistake) -> IntArray:
        """Return every azimuth of the files it is in, tested or not."""
        shots = case.shots
        files = np.unique(shots.file[mistake.rows])
        return np.flatnonzero(shots.azimuth & np.isin(shots.file, files))

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Let the azimuths have a turn of their own, to be estimated."""
        basis = case.shots.basis.copy()
        basis[self.contaminated_rows(case, mistake)] = basis.max(initial=-1) + 1
        return replace(case, shots=replace(case.shots, basis=basis))

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Return the case with the azimuths on the basis that they were on."""
        basis, rows = case.shots.basis.copy(), self.contaminated_rows(case, mistake)
        basis[rows] = original.shots.basis[rows]
        return replace(case, shots=replace(case.shots, basis=basis))

    def guarded(self, hypothesis: Hypothesis) -> bool:
        """It is in many readings at once."""
        return False

    def proposed(self, case: Case, mistake: Mistake) -> Mistake:
        """Say against which files the azimuths of one file are turned, where not against grid."""
        shots = case.shots
        basis = shots.basis[mistake.rows[0]]
        if basis < 0 or not mistake.detail:
            return mistake
        joined = _by_file(shots, case.setups, np.flatnonzero(shots.basis == basis))
        return replace(mistake, instead=tuple(name for name in joined if name != mistake.detail))

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the azimuths are turned, and what to state."""
        if mistake.instead:
            return _against_files(mistake, phrases)
        whose, key = (mistake.detail, BY_FILE) if mistake.detail else ("the job", BY_JOB)
        size = phrases.exact_angle(mistake.magnitude)
        return MistakeText(
            f"All azimuths of {whose} are turned by {size}: they read too "
            f"{too(mistake, 'large', 'small')} against the grid of the control, another basis of "
            "bearings",
            "their turn is estimated",
            f"Look up from which north the azimuths of {whose} run, and whether the control is on "
            "the same grid; check the coordinates of the known marks that they join.",
            f"Set azimuths: {key} in job.yaml (accept does the same for these azimuths), or turn "
            "them onto the grid.",
            "their turn against the grid is estimated",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that azimuths run from another north."""
        return "the azimuths are on another basis of bearings"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the north."""
        return "basis of bearings of the azimuths"


def _against_files(mistake: Mistake, phrases: Phrases) -> MistakeText:
    """Return the words of azimuths that have not the turn of those of other files."""
    others = some_points(mistake.instead)
    return MistakeText(
        f"All azimuths of {mistake.detail} are turned by {phrases.exact_angle(mistake.magnitude)} "
        f"against those of {others}: they read too {too(mistake, 'large', 'small')}, another "
        "basis of bearings",
        "their turn is estimated",
        f"Look up from which north the azimuths of {mistake.detail} run, and those of {others}.",
        f"Set azimuths: {BY_FILE} in job.yaml (accept does the same for these azimuths).",
        "their turn is estimated",
    )


BASIS_OF_BEARINGS = BasisOfBearings(
    "basis-of-bearings", (DIRECTION,), "rad", turned_bases, action="turned", given=True
)
