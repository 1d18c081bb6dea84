"""Mistakes about single sights: an angle, a distance, a pole height, a wrong target."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.diagnose.hypotheses import Column, Hypothesis, component_bias
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import IntArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH

# Common practice, no source: pole heights are what crews get wrong most; a wrong angle
# alone is rare with an instrument that records by itself.
COMMON = 2.0
USUAL = 1.0
RARE = 0.0


def single_readings(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give every reading of a tested sight as wrong: all its pointings, and each alone."""
    for rows in subjects.sight_rows:
        for kind in (DIRECTION, ZENITH, DISTANCE):
            own = rows[subjects.observed[rows, kind]]
            if not len(own):
                continue
            yield _reading(subjects, own, kind, "")
            if len(own) > 1:
                for row in own:
                    yield _reading(subjects, np.array([row]), kind, f"row {row}")


def _reading(subjects: Subjects, rows: IntArray, kind: int, detail: str) -> Hypothesis:
    return Hypothesis(
        kind=KINDS[kind],
        setup=subjects.label(rows[0]),
        points=(subjects.name(rows[0]),),
        columns=(component_bias(rows, kind),),
        rows=rows,
        kinds=(kind,),
        unit="m" if kind == DISTANCE else "rad",
        prior=USUAL if kind == DISTANCE else RARE,
        detail=detail,
    )


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
        kind="target-height",
        setup=subjects.label(rows[0]),
        points=names,
        columns=(Column(rows, np.where(subjects.observed[rows], bias, 0.0)),),
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
                    yield _target_height(subjects, np.concatenate(same[start:end]), "run")


def wrong_targets(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the target of a sight as not being the mark: all three readings are off at once."""
    for rows in subjects.sight_rows:
        if subjects.observed[rows].any(axis=0).sum() < 2:
            continue
        derivative = subjects.derivative[rows]
        shown = subjects.observed[rows]
        columns = tuple(
            Column(rows, np.where(shown, derivative[:, :, component], 0.0))
            for component in range(3)
        )
        yield Hypothesis(
            kind="point-name",
            setup=subjects.label(rows[0]),
            points=(subjects.name(rows[0]),),
            columns=columns,
            rows=rows,
            kinds=(DIRECTION, ZENITH, DISTANCE),
            unit="m",
            prior=RARE - 1.0,
        )
