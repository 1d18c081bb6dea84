"""Mistakes about whole setups: heights, constants, a knocked or sinking instrument."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.diagnose.hypotheses import NO_BIAS, NO_ROWS, Column, Hypothesis, component_bias
from tieup.diagnose.shots import COMMON, RARE, USUAL
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

FEWEST = 2  # sights on each side of a break, so that the break is more than one sight


def occupations(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the instrument height, or the occupied mark itself, as wrong."""
    for number, setup in enumerate(subjects.setups):
        if not setup.station:
            continue
        rows = subjects.of_setup(number)
        height = Column(NO_ROWS, NO_BIAS, plumb=((number, 2, 1.0),))
        if np.isfinite(setup.instrument_height):
            yield Hypothesis(
                "instrument-height", setup.label, (setup.station,), (height,), NO_ROWS, (), "m",
                COMMON,
            )  # fmt: skip
        columns = tuple(
            Column(NO_ROWS, NO_BIAS, plumb=((number, component, 1.0),)) for component in range(2)
        )
        if np.isfinite(setup.instrument_height):
            columns = (*columns, height)
        if len(rows):
            yield Hypothesis(
                "station-name", setup.label, (setup.station,), columns, NO_ROWS, (), "m", USUAL
            )


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
    yield from _distances(groups, subjects, "prism-constant")


def distance_scales(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a scale as applied to all distances of a setup or of the site."""
    shots, tested = subjects.shots, subjects.rows
    ranged = tested[subjects.observed[tested, DISTANCE]]
    groups = {
        (setup.label, ""): ranged[shots.setup[ranged] == number]
        for number, setup in enumerate(subjects.setups)
    }
    groups[("", "")] = ranged
    yield from _distances(groups, subjects, "distance-scale")


def job_distances(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give one constant and one scale of all distances of the job."""
    tested = subjects.rows
    whole = {("", ""): tested[subjects.observed[tested, DISTANCE]]}
    yield from _distances(whole, subjects, "prism-constant")
    yield from _distances(whole, subjects, "distance-scale")


def _distances(
    groups: dict[tuple[str, str], IntArray], subjects: Subjects, kind: str
) -> Iterator[Hypothesis]:
    scale = kind == "distance-scale"
    for (label, target), rows in groups.items():
        if len(np.unique(subjects.evidence.pointings.sight[rows])) < FEWEST:
            continue
        value = subjects.evidence.pointings.corrected[rows, DISTANCE] if scale else 1.0
        own = rows if label else ()
        yield Hypothesis(
            kind=kind,
            setup=label,
            points=tuple(dict.fromkeys(subjects.name(row) for row in own)),
            columns=(component_bias(rows, DISTANCE, value),),
            rows=rows,
            kinds=(DISTANCE,),
            unit="1" if scale else "m",
            prior=RARE if scale else USUAL,
            detail=target,
        )


def movements(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give the hypotheses that the instrument was knocked between two shots, or sank or turned."""
    for number in range(len(subjects.setups)):
        rows = subjects.of_setup(number)
        if len(rows) < 2 * FEWEST:
            continue
        yield from _breaks(subjects, number, rows)
        yield from _drifts(subjects, number, rows)


def _breaks(subjects: Subjects, number: int, rows: IntArray) -> Iterator[Hypothesis]:
    points = subjects.shots.point[rows]
    label = subjects.setups[number].label
    for cut in range(1, len(rows)):
        if (
            subjects.order[rows[cut]] == subjects.order[rows[cut - 1]]
            or points[cut] == points[cut - 1]
        ):
            continue
        after = rows[cut:]
        if len(set(points[:cut])) < FEWEST or len(set(points[cut:])) < FEWEST:
            continue
        twist = component_bias(after, DIRECTION)
        shifts = tuple(
            Column(
                after,
                np.where(subjects.observed[after], -subjects.derivative[after][:, :, k], 0.0),
            )
            for k in range(3)
        )
        detail = f"before row {after[0]}"
        kinds = (DIRECTION, ZENITH, DISTANCE)
        yield Hypothesis(
            "instrument-moved", label, (), (twist,), after, (DIRECTION,), "rad", USUAL, detail
        )
        yield Hypothesis(
            "instrument-moved", label, (), (*shifts, twist), after, kinds, "m", RARE - 1.0, detail
        )


def _drifts(subjects: Subjects, number: int, rows: IntArray) -> Iterator[Hypothesis]:
    """Give a steady sinking (m) or turning (rad) from the first shot to the last."""
    order = subjects.order[rows]
    span = float(order[-1] - order[0])
    if span <= 0.0 or len(set(subjects.shots.point[rows])) < FEWEST:
        return
    share = ((order - order[0]) / span)[:, None]
    label = subjects.setups[number].label
    sinking = np.where(subjects.observed[rows], -subjects.derivative[rows][:, :, 2] * share, 0.0)
    turning = np.zeros((len(rows), 3))
    turning[:, DIRECTION] = share[:, 0]
    yield Hypothesis(
        "instrument-settled", label, (), (Column(rows, sinking),), rows, (ZENITH,), "m", RARE,
        "height",
    )  # fmt: skip
    yield Hypothesis(
        "instrument-settled", label, (), (Column(rows, turning),), rows, (DIRECTION,), "rad", RARE,
        "direction",
    )  # fmt: skip


def vertical_index(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a vertical index error of single-face zenith angles, by setup and of the site."""
    shots, tested = subjects.shots, subjects.rows
    rows = tested[subjects.observed[tested, ZENITH]]
    groups = [("", rows)]
    for number, setup in enumerate(subjects.setups):
        groups.append((setup.label, rows[shots.setup[rows] == number]))
    for label, own in groups:
        if len(np.unique(subjects.evidence.pointings.sight[own])) < FEWEST:
            continue
        column = component_bias(own, ZENITH, np.where(shots.zenith[own] > np.pi, -1.0, 1.0))
        yield Hypothesis("vertical-index", label, (), (column,), own, (ZENITH,), "rad", RARE)
