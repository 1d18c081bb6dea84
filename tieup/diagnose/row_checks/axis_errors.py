"""Collimation and vertical index that two faces reveal, by instrument and by setup.

The reduction takes an instrument's own axis errors off its readings. A setup that shows
another one than the instrument on the whole was shot with another state of the instrument.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.solve import Solved
from tieup.geometry import ARC_SECOND
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import COLLIMATION, INDEX_ERROR
from tieup.model.observations import DIRECTION, ZENITH
from tieup.reduce.faces import AxisError, face_sign, resolve_face
from tieup.reduce.groups import group_mean

NOTED, CHECKED = 10.0, 20.0  # arc seconds; usual limits of the trade: common practice, no source
OTHER_STATE = 4.5  # sds by which a setup departs from its instrument; some 100 setups are tested
READING = {COLLIMATION.name: DIRECTION, INDEX_ERROR.name: ZENITH}
NOUN = {COLLIMATION.name: "collimation error", INDEX_ERROR.name: "vertical index error"}


def axis_findings(fieldbook: Fieldbook, solved: Solved) -> list[Finding]:
    """Return findings for axis errors beyond what is left alone."""
    findings = []
    for error in solved.reduction.axis_errors:
        if error.significant and abs(error.value) > NOTED * ARC_SECOND:
            findings.append(_finding(error, _only_setup(fieldbook, error)))
        for setup, own in _departures(solved, error):
            if abs(own.value) > NOTED * ARC_SECOND:
                findings.append(_finding(own, solved.case.setups[setup].label))
    return findings


def _only_setup(fieldbook: Fieldbook, error: AxisError) -> str:
    """Return the label of the setup an instrument was used in, empty where there are more."""
    labels = [s.label for s in fieldbook.setups if s.instrument == error.instrument]
    return labels[0] if len(labels) == 1 else ""


def _departures(solved: Solved, error: AxisError) -> Iterator[tuple[int, AxisError]]:
    """Give the axis errors of setups that depart from their instrument's."""
    case, pointings = solved.case, solved.reduction.pointings
    kind = READING[error.kind]
    instruments = np.array([setup.instrument for setup in case.setups], dtype=object)
    rows = np.flatnonzero(
        (pointings.sight >= 0)
        & np.isfinite(pointings.deviation[:, kind])
        & (instruments[case.shots.setup] == error.instrument)
    )
    design = _design(solved, rows, kind)
    design = design - group_mean(design, pointings.sight[rows])
    rows, design = rows[np.abs(design) > 1e-9], design[np.abs(design) > 1e-9]
    sd = solved.network.sights.pointing_sd[pointings.sight[rows], kind]
    setup = case.shots.setup[rows]
    if len(np.unique(setup)) < 2:
        return
    weight = np.bincount(setup, weights=(design / sd) ** 2, minlength=len(case.setups))
    # deviation = mean - reading, and a reading is the mean + design * error
    score = np.bincount(
        setup,
        weights=-design * pointings.deviation[rows, kind] / sd**2,
        minlength=len(case.setups),
    )
    for number in np.flatnonzero(weight > 0).tolist():
        own, own_sd = float(score[number] / weight[number]), float(weight[number] ** -0.5)
        if abs(own) > OTHER_STATE * float(np.hypot(own_sd, error.sd)):
            marks = len(np.unique(pointings.sight[rows[setup == number]]))
            yield number, replace(error, value=error.value + own, sd=own_sd, pairs=marks)


def _design(solved: Solved, rows: IntArray, kind: int) -> FloatArray:
    """Return d(reading) / d(axis error) of rows, face-1 form; see `tieup.reduce.faces`."""
    shots = solved.case.shots
    face, _ = resolve_face(shots.face[rows], shots.zenith[rows])
    sign = face_sign(face)
    if kind == ZENITH:
        return sign
    zenith = solved.reduction.pointings.corrected[rows, ZENITH]
    return -sign / np.sin(np.where(np.isfinite(zenith), zenith, 0.5 * np.pi))


def _finding(error: AxisError, setup: str) -> Finding:
    size, sd = error.value / ARC_SECOND, error.sd / ARC_SECOND
    gear = "" if error.instrument == "default" else f" {error.instrument}"
    whose = f"in setup {setup}" if setup else f"of the instrument{gear}"
    kind = INDEX_ERROR if READING[error.kind] == ZENITH else COLLIMATION
    at_50 = 50_000.0 * abs(error.value)
    effect = (
        f"one face alone is {at_50:.0f} mm off in height at 50 m"
        if kind is INDEX_ERROR
        else "directions of one face alone are off on steep sights"
    )
    what = NOUN[error.kind]
    return kind.found(
        severity="check" if abs(size) > CHECKED else "note",
        setup=setup,
        size=size,
        unit="arcsec",
        sd=sd,
        statistic=abs(size) / sd,
        says=f"{what.capitalize()} {whose}: {size:+.0f} seconds (from {error.pairs} marks in both "
        f"faces). Both faces cancel it; {effect}.",
        confirm="Sight one far mark in both faces before work.",
        cure="Adjust the instrument, or shoot control and ties in both faces.",
        key=error.instrument,
    )
