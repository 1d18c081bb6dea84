"""Booked heights and constants that nobody works with: signs of another unit, or of a slip.

When every setup of a job is in the wrong unit nothing in the network contradicts it; only the
heights that people work at, and the constants that prisms have, can tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import lines_of, some
from tieup.diagnose.kinds.convention_catalogue import FOOT
from tieup.diagnose.row_checks.doubts import BEYOND, keep_line
from tieup.model.arrays import FloatArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import JOB_UNIT, UNUSUAL_POLE, UNUSUAL_TRIPOD
from tieup.units import length_word

HEIGHTS, CONSTANTS = "heights", "constants"  # what tells two findings of the kind apart
# Heights (m) that nobody works at and that are usual ones in the other unit: common practice,
# no source. A tripod is set up 1.2-2.1 m high, a pole 1.2-2.4 m.
INSTRUMENT = (1.2, 2.1)
TARGET = (1.2, 2.4)
# No tripod is as high, no pole as long (m), and none is that in feet: common practice, no source.
LONGEST = 10.0
# Constants of prisms are 0 or some 2 to 90 mm (common practice, no source): a thousandth of one
# is a constant in metres under a heading of millimetres.
SMALL_CONSTANT = (2e-6, 9e-5)  # m

_FROM_METRES = {"feet": FOOT, "millimetres": 1e-3, "centimetres": 1e-2}
_FROM_FEET = {"metres": 1.0 / FOOT, "inches": 1.0 / 12.0, "millimetres": 1e-3 / FOOT}


def unusual_findings(fieldbook: Fieldbook, case: Case, phrases: Phrases) -> Iterator[Finding]:
    """Give what is unusual about booked heights and prism constants.

    ``case`` has them as the decisions leave them.
    """
    found = tuple(height_findings(fieldbook, phrases))
    if not found:  # else the unit explains them all
        found += tuple(_too_long(fieldbook, case.shots.target_height, phrases))
        found += tuple(_too_high(fieldbook, case, phrases))
    for finding in (*found, *_constant_findings(case.shots.prism_constant)):
        yield replace(finding, cure=f"{finding.cure} If it is right, {keep_line(finding)}.")


def told_once(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return the findings; heights only confirm where known lengths tell the unit already."""
    known = any(f.kind == JOB_UNIT.name and f.size is not None and not f.setup for f in findings)
    return tuple(
        replace(finding, severity="check")
        if known and finding.kind == JOB_UNIT.name and finding.key == HEIGHTS
        else finding
        for finding in findings
    )


def height_findings(fieldbook: Fieldbook, phrases: Phrases) -> Iterator[Finding]:
    """Say that heights look like another unit, where both instruments and targets do."""
    booked = [s.instrument_height for s in fieldbook.setups if s.station]
    sources = (
        ("instrument", _told(np.array(booked, dtype=np.float64)), INSTRUMENT),
        ("target", _told(fieldbook.shots.target_height), TARGET),
    )
    known = [source for source in sources if len(source[1])]
    for other, factor in _others(phrases).items():
        strange = [low <= np.median(values) * factor <= high for _, values, (low, high) in known]
        if known and all(strange):
            name, values, _ = known[0]
            yield _heights(name, values, other, factor, phrases)
            return


def _others(phrases: Phrases) -> Mapping[str, float]:
    """Return what turns heights of each other unit right."""
    return _FROM_METRES if phrases.unit == "m" else _FROM_FEET


def _heights(name: str, values: FloatArray, other: str, factor: float, phrases: Phrases) -> Finding:
    ends = [f"{value / phrases.factor:.1f}" for value in np.percentile(values, [10, 90])]
    unusual = "high" if factor < 1.0 else "low"
    unit = length_word(phrases.unit)
    return JOB_UNIT.found(
        says=f"{name.capitalize()} heights of {'-'.join(dict.fromkeys(ends))} {unit} are unusually "
        f"{unusual}: are lengths in {other}? Then every limit is of the wrong size as well. "
        "Common practice, no source.",
        confirm="Look up a booked height and the unit of the export.",
        cure="State the unit in which the lengths were exported: units: {length: ...}, or of the "
        "heights alone: columns: {target_height: {column: ..., unit: ...}}.",
        key=HEIGHTS,
    )


def _constant_findings(constants: FloatArray) -> Iterator[Finding]:
    """Say that prism constants look like metres, where every one that is not 0 does."""
    known = np.abs(constants[np.isfinite(constants) & (constants != 0.0)])
    low, high = SMALL_CONSTANT
    if not len(known) or known.min() < low or known.max() > high:
        return
    yield JOB_UNIT.found(
        says=f"Prism constants of {np.median(known) * 1e3:.3g} mm are a thousandth of what prisms "
        "have: are they in metres? They are read in mm. Common practice, no source.",
        confirm="Read the constant off the prism.",
        cure="State them in mm, or the unit of the column: columns: {prism_constant: {column: "
        "..., unit: m}}.",
        key=CONSTANTS,
    )


def _too_long(fieldbook: Fieldbook, booked: FloatArray, phrases: Phrases) -> Iterator[Finding]:
    """Give the shots of each file with a pole (m) that nobody carries."""
    for number, file in enumerate(fieldbook.files):
        own = (np.abs(booked) > LONGEST) & (fieldbook.shots.file == number)
        rows = np.flatnonzero(own)
        if not len(rows):
            continue
        told = some([phrases.length(height) for height in np.unique(booked[rows]).tolist()])
        shots = "1 shot" if len(rows) == 1 else f"{len(rows)} shots"
        yield UNUSUAL_POLE.found(
            lines=lines_of(fieldbook, rows),
            says=f"{file.name}: {shots} booked a target height of {told}; no pole is as "
            "long, and all that these shots place is off by it. Common practice, no source.",
            confirm="Look up the pole height in the field book.",
            cure="Set it: decisions: set target_height; or export the file in the unit that is "
            "stated.",
            key=f"{BEYOND} {file.name}",
        )


def _too_high(fieldbook: Fieldbook, case: Case, phrases: Phrases) -> Iterator[Finding]:
    """Give the setups over a mark with an instrument that nobody could look into."""
    for number, setup in enumerate(case.booked):
        if not setup.station or not abs(setup.instrument_height) > LONGEST:
            continue
        rows = np.flatnonzero(fieldbook.shots.setup == number)
        yield UNUSUAL_TRIPOD.found(
            setup=setup.label,
            points=(setup.station,),
            lines=lines_of(fieldbook, rows[:1]),
            says=f"Setup {setup.label} booked an instrument height of "
            f"{phrases.length(setup.instrument_height)}; no tripod is as high. Common practice, "
            "no source.",
            confirm="Look up the instrument height in the field book.",
            cure="Set it: decisions: set instrument_height.",
            key=BEYOND,
        )


def _told(heights: FloatArray) -> FloatArray:
    """Return the heights that were booked at all."""
    return heights[np.isfinite(heights) & (heights > 0.0)]
