"""Columns that whole raw files lack: a matter of the file, said before anything else.

A target that stood on a pole and booked no height is taken at height 0: nothing else in the
data need show it. What the adjustment then finds wrong with heights is not the crew's mistake.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.kinds.occupations import INSTRUMENT_HEIGHT
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT
from tieup.diagnose.row_checks.doubts import keep_line
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import AbsentColumn, Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import MISSING_COLUMN
from tieup.model.observations import KINDS

HEIGHT = "target_height"
BLAMED = (TARGET_HEIGHT.name, INSTRUMENT_HEIGHT.name)  # what missing heights look like
_WITHOUT = {
    "direction": "nothing says which way the shots go",
    "zenith": "no shot gives a height, nor a distance in plan that is sure",
    "distance": "the shots give angles alone, and a mark seen from one setup has no place",
}


def missing_findings(fieldbook: Fieldbook, heights: FloatArray) -> Iterator[Finding]:
    """Give one finding for each column that files lack and that nothing may be meant for.

    Parameters
    ----------
    heights (m,)
        The target heights (m) that the decisions leave.
    """
    for kind in KINDS:
        places = [
            place
            for place in _lacking(fieldbook, kind)
            if not place.heading and not in_plan(fieldbook, place.file, kind)
        ]
        if places:
            plain = kind == "distance" and all(in_plan(fieldbook, p.file, "zenith") for p in places)
            yield _without_readings(kind, places, "note" if plain else "check")
    by_severity: dict[str, list[AbsentColumn]] = {}
    for place in _lacking(fieldbook, HEIGHT):
        severity = _severity(fieldbook, place, heights)
        if severity and not place.heading:
            by_severity.setdefault(severity, []).append(place)
    for severity, places in by_severity.items():
        yield _without_heights(fieldbook, severity, places)


def heights_matter(fieldbook: Fieldbook) -> bool:
    """Say whether a file that lacks the target heights surely needed them.

    Other files have them, or instruments stood over marks at booked heights.
    """
    occupied = any(s.station and s.instrument_height > 0.0 for s in fieldbook.setups)
    return occupied or bool((fieldbook.shots.target_height > 0.0).any())


def after_the_file(findings: Sequence[Finding], fieldbook: Fieldbook) -> tuple[Finding, ...]:
    """Return the findings, those that the missing heights of a file may explain saying so."""
    stops = [f for f in findings if f.kind == MISSING_COLUMN.name and f.severity == "stop"]
    missing = {line.rpartition(":")[0]: stop for stop in stops for line in stop.lines}
    files = {setup.label: setup.file for setup in fieldbook.setups}
    return tuple(
        _after(finding, missing[file])
        if finding.kind in BLAMED and (file := files.get(finding.setup, "")) in missing
        else finding
        for finding in findings
    )


def _after(finding: Finding, stop: Finding) -> Finding:
    why = f"its file has no {HEIGHT}, which may be all that is wrong"
    return replace(
        finding,
        confirm=f"Settle {stop.id} first: {why}.",
        cure=f"Settle {stop.id} first, then run it again.",
        decidable=False,
    )


def _lacking(fieldbook: Fieldbook, column: str) -> list[AbsentColumn]:
    """Return where a column is lacking in files that have rows."""
    return [
        place
        for place in fieldbook.absent
        if place.column == column and len(_rows(fieldbook, place.file))
    ]


def _rows(fieldbook: Fieldbook, file: str) -> IntArray:
    """Return the shots of a file."""
    number = [own.name for own in fieldbook.files].index(file)
    return np.flatnonzero(fieldbook.shots.file == number)


def in_plan(fieldbook: Fieldbook, file: str, kind: str) -> bool:
    """Say whether a file can lack a ``kind`` of reading because it is a plan, or angles alone.

    One with horizontal distances or azimuths, or without any distance, and no zenith angle gives
    no heights and wants none; horizontal distances alone need no directions.
    """
    shots, own = fieldbook.shots, _rows(fieldbook, file)
    if not np.isnan(shots.zenith[own]).all():
        return False
    level = bool(shots.level[own].any())
    if kind == "zenith":
        return level or bool(shots.azimuth[own].any() or np.isnan(shots.distance[own]).all())
    return kind == "direction" and level


def _severity(fieldbook: Fieldbook, place: AbsentColumn, heights: FloatArray) -> str:
    """Say how much the missing heights of a file matter; empty where it has no zenith angles."""
    own = _rows(fieldbook, place.file)
    own = own[np.isfinite(fieldbook.shots.zenith[own])]
    if not len(own):
        return ""
    if (heights[own] != 0.0).all():
        return "note"  # a person has set every one of them
    return "stop" if heights_matter(fieldbook) else "check"


def _without_heights(
    fieldbook: Fieldbook, severity: str, places: Sequence[AbsentColumn]
) -> Finding:
    files = [place.file for place in places]
    rows = np.concatenate([_rows(fieldbook, file) for file in files])
    labels = dict.fromkeys(fieldbook.setups[n].label for n in fieldbook.shots.setup[rows].tolist())
    set_first = f"{{set: {{setup: {next(iter(labels))}, {HEIGHT}: 1.500}}, reason: book}}"
    stated = places[0].entry.replace(f"{HEIGHT}: ...", f"{HEIGHT}: {{value: 0}}")
    every = f"; or state one height for all of them: {stated}" if stated else ""
    taken = "decisions set the height of" if severity == "note" else "the target is at height 0 in"
    finding = MISSING_COLUMN.found(
        severity=severity,
        lines=tuple(f"{place.file}:{place.line}" for place in places),
        action="set" if severity == "note" else "taken as 0",
        says=f"{_told(places, HEIGHT)}: {taken} all its {_shots(len(rows))}. What was shot with a "
        "pole then stands too high by the pole.",
        confirm="Look in the field book whether the target stood on a pole.",
        cure=f"Export the file again with its pole heights in a column {HEIGHT}, 0 where the "
        f"target stood on the mark; or decide for each setup: {set_first}{every}.",
        key=f"{HEIGHT} set" if severity == "note" else HEIGHT,
    )
    right = f" If every target stood on its mark, {keep_line(finding)}."
    return replace(finding, cure=finding.cure + right * (severity != "note"))


def _without_readings(kind: str, places: Sequence[AbsentColumn], severity: str) -> Finding:
    return MISSING_COLUMN.found(
        severity=severity,
        lines=tuple(f"{place.file}:{place.line}" for place in places),
        says=f"{_told(places, kind)}: {_WITHOUT[kind]}.",
        confirm="Look at the header of the raw file, and at how it was exported.",
        cure=f"Export it again with the column {kind}"
        + (f", or in job.yaml {places[0].entry}." if places[0].entry else "."),
        key=kind,
    )


def _told(places: Sequence[AbsentColumn], column: str) -> str:
    files = some([place.file for place in places])
    if all(place.empty for place in places):
        return f"{files}: column {column} is empty"
    return f"{files}: there is no column {column}"


def _shots(count: int) -> str:
    return "1 shot" if count == 1 else f"{count} shots"
