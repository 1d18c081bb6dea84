"""Headings that no column takes though one may be meant: findings, and why a run cannot go on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from tieup.diagnose.basis.row_lines import lines_of, some
from tieup.diagnose.row_checks.missing_columns import HEIGHT, heights_matter, in_plan
from tieup.errors import AdjustmentError, NetworkError
from tieup.model.fieldbook import AbsentColumn, Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import UNUSED_COLUMN
from tieup.model.observations import KINDS

# Columns without which the solution is another one; the others are only carried along.
OF_SOLUTION = (
    "station", "instrument_height", *KINDS, "elevation_angle", "horizontal_distance",
    "vertical_distance", "target_height", "face", "prism_constant",
)  # fmt: skip
LEVEL_IS_0 = " (elevation_angle, if it reads 0 when level)"


def column_findings(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for each heading that may be meant for a column that its files lack."""
    found: dict[tuple[str, str], list[AbsentColumn]] = {}
    for absent in fieldbook.absent:
        if absent.heading:
            found.setdefault((absent.heading, absent.column), []).append(absent)
    for (heading, column), places in found.items():
        files = some([place.file for place in places])
        matters, sure = column in OF_SOLUTION, any(place.sure for place in places)
        if column == HEIGHT:
            sure |= heights_matter(fieldbook)
        effect = "it is left out of the solution" if matters else "it is not in the results"
        yield UNUSED_COLUMN.found(
            severity="stop" if matters and sure else "check" if matters else "note",
            lines=tuple(f"{place.file}:{place.line}" for place in places),
            says=f"Column {heading} of {files} is not known and not used, and there is no column "
            f"{column}: if it is the {column.replace('_', ' ')}, {effect}.",
            confirm="Look at the header of the raw file.",
            cure=f"Rename the heading to {column}{LEVEL_IS_0 if column == 'zenith' else ''}, or in "
            f"job.yaml {places[0].entry}.",
            key=f"{heading} {column}",
        )


def explained(
    error: NetworkError | AdjustmentError, fieldbook: Fieldbook
) -> NetworkError | AdjustmentError:
    """Return the error with what the raw files lack, by file and line."""
    kind = NetworkError if isinstance(error, NetworkError) else AdjustmentError
    return kind(*error.problems, *_lacking(fieldbook), *_begins(error, fieldbook))


def _lacking(fieldbook: Fieldbook) -> Iterator[str]:
    """Say of each kind of reading that no row has where its column should be."""
    shots = fieldbook.shots
    for kind in KINDS:
        if not len(shots) or np.isfinite(getattr(shots, kind)).any():
            continue
        absent: dict[str, list[AbsentColumn]] = {}
        for place in (place for place in fieldbook.absent if _without(place, kind)):
            if in_plan(fieldbook, place.file, kind):
                continue
            absent.setdefault(place.heading, []).append(place)
        for heading, places in absent.items():
            told = f"Add it: no row of this job has a {kind}"
            if heading:
                told = f"If {heading} is meant, rename it, or in job.yaml {places[0].entry}"
            others = [place.file for place in places[1:]]
            also = f", and from {some(others)} as well" if others else ""
            yield f"{places[0].file}:{places[0].line}: column {kind} is missing{also}. {told}"
        there = [
            file.name
            for file in fieldbook.files
            if file.name not in _files(absent) and not in_plan(fieldbook, file.name, kind)
        ]
        if there:
            yield f"{some(there)}: no row has a {kind}. Fill its column in, or see why rows are out"


def _without(place: AbsentColumn, kind: str) -> bool:
    return place.column == kind and not place.empty


def _files(absent: Mapping[str, list[AbsentColumn]]) -> set[str]:
    return {place.file for places in absent.values() for place in places}


def _begins(error: NetworkError | AdjustmentError, fieldbook: Fieldbook) -> Iterator[str]:
    """Name file and first line of the setups that an error speaks of."""
    setups = error.setups if isinstance(error, AdjustmentError) else ()
    numbers = {setup.label: number for number, setup in enumerate(fieldbook.setups)}
    for label in setups:
        rows = np.flatnonzero(fieldbook.shots.setup == numbers.get(label, -1))
        for place in lines_of(fieldbook, rows[:1]):
            yield f"{place}: setup {label} begins here. Check its point names, units and station"
