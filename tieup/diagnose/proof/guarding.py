"""Every mistake that a job could hold, as what it would do to its marks and setups.

The same hypotheses that the search asks about are what the verdict guards against, but those of
many readings at once: they are looked for, and no bay can be guarded against them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tieup.adjust.guards import OPEN, Guards
from tieup.adjust.hypothesis import everything, responses
from tieup.adjust.scatter import Scatter
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.evidence import Evidence, full_columns, own_parts, spans_of
from tieup.diagnose.evidence.misclosures import Dense, Tested, misclosures_of
from tieup.diagnose.kinds.catalogue import kind_of
from tieup.diagnose.search.look import evidence_of, hypotheses_of
from tieup.model.arrays import FloatArray

MOST_SIZES = 4  # columns that a hypothesis has at most
NOTHING = 1e-6  # share of the readings below which a direction is none


@dataclass(frozen=True)
class Guarded:
    """The ``hypotheses`` that a solution is guarded against and what each would do, ``guards``.

    ``family`` is the number of all that are tested, ``tested`` their columns in the misclosures.
    ``reply`` (h, k) is what the k readings of a chosen sight add to the sizes: for each their
    misclosure, in sds, from what the rest of the site expects. ``unread`` (k, k) is the covariance
    of that before they are read. k is 0 without one.
    """

    hypotheses: tuple[Hypothesis, ...]
    guards: Guards
    family: int
    reply: FloatArray
    unread: FloatArray
    tested: Tested


def guard(solved: Solved, scatter: Scatter, sight: int = -1) -> Guarded | None:
    """Return what the mistakes that could be in a solution would do, None of a large site.

    ``solved`` is weighed by the larger of stated and estimated scatter; ``scatter`` says how well
    that is known. ``sight`` is a sight that has not been read yet, -1 for none.
    """
    evidence = evidence_of(solved)
    dense = misclosures_of(evidence, solved.case.precision)
    if dense is None:
        return None
    every = hypotheses_of(solved, evidence)
    hypotheses = tuple(h for h in every if kind_of(h).guarded(h) and _closed(h, solved, evidence))
    if not hypotheses:
        return None
    full = full_columns(evidence, hypotheses)
    tested = dense.brought(full, spans_of(hypotheses))
    observed = len(everything(solved.adjustment))
    setup, point = responses(solved.adjustment, full[:observed])
    first = np.array([span.start for span in tested.span], dtype=np.int64)
    degrees = np.array([h.degrees for h in hypotheses], dtype=np.int64)
    size, spread, hidden = _sizes(tested, full[dense.observed])
    readings = _readings(dense, sight)
    guards = Guards(
        first=first,
        degrees=degrees,
        size=size,
        spread=spread,
        hidden=hidden,
        freedom=tested.freedom(np.ones(5), scatter),
        setup=setup,
        point=point,
        given=np.array([kind_of(h).given for h in hypotheses]),
        **_movements(solved, hypotheses),
    )
    reply = _reply(tested, readings, spread)
    unread: FloatArray = np.asarray(np.linalg.pinv(readings @ readings.T, hermitian=True))
    return Guarded(hypotheses, guards, len(every), reply, unread, tested)


def _readings(dense: Dense, sight: int) -> FloatArray:
    """Return how the readings of a sight enter the misclosures (k, r), k of them observed."""
    connections = dense.evidence.adjustment.connections
    own = np.flatnonzero((connections.source == sight) & ~connections.plumb)
    rows = (3 * own[:, None] + np.arange(3)).ravel()
    place = np.cumsum(dense.observed) - 1
    return np.asarray(dense.basis[place[rows[dense.observed[rows]]]])


def _reply(tested: Tested, readings: FloatArray, spread: FloatArray) -> FloatArray:
    """Return what one sd in each of ``readings`` (k, r) adds to the sizes (h, k)."""
    weight = np.linalg.inv(tested.misclosures.covariance(np.ones(5)))
    reply = tested.columns.T @ (weight @ readings.T)
    for number, span in enumerate(tested.span):
        q = span.stop - span.start
        reply[span] = spread[number, :q, :q] @ reply[span]
    return np.asarray(reply)


def _closed(hypothesis: Hypothesis, solved: Solved, evidence: Evidence) -> bool:
    """Say whether a knock is one that the closing looks of a setup are there to show.

    A knock before all marks were sighted is looked for as well, but what the closing looks guard is
    the work between. Without any nothing guards it, and the setup is said to have none.
    """
    if not kind_of(hypothesis).moves:
        return True
    shots, after = solved.case.shots, hypothesis.rows
    own = (shots.setup == shots.setup[after[0]]) & (evidence.row_connection >= 0)
    before = np.setdiff1d(np.flatnonzero(own), after)
    return set(shots.point[after].tolist()) <= set(shots.point[before].tolist())


def _movements(solved: Solved, hypotheses: Sequence[Hypothesis]) -> dict[str, Any]:
    """Return which setup moved, before which row, and by what, of each hypothesis."""
    labels = {setup.label: number for number, setup in enumerate(solved.case.setups)}
    moved, row = np.full(len(hypotheses), -1), np.full(len(hypotheses), -1)
    pose = np.zeros((len(hypotheses), 4, MOST_SIZES))
    for number, hypothesis in enumerate(hypotheses):
        if not kind_of(hypothesis).moves:
            continue
        moved[number], row[number] = labels[hypothesis.setup], hypothesis.rows[0]
        q = hypothesis.degrees
        pose[number, range(q - 1), range(q - 1)] = 1.0
        pose[number, 3, q - 1] = -1.0  # directions grow when the circle turns back
    return {"moved": moved, "row": row, "pose": pose}


def _sizes(tested: Tested, full: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the sizes (h,), their covariances and what is hidden of each mistake (n, 4, 4).

    ``full`` (n, h) are the columns over every observation.
    """
    stack = tested.stack(np.ones(5))
    size = np.zeros(len(stack.score))
    spread = np.zeros((len(stack.span), MOST_SIZES, MOST_SIZES))
    hidden = np.zeros_like(spread)
    for alike in stack.alike:
        q = alike.columns.shape[1]
        wholes = own_parts(full, full, alike.columns)
        if q == 1:
            told = _told_alone(alike.block[:, 0, 0], wholes[:, 0, 0])
            spread[alike.numbers, 0, 0], hidden[alike.numbers, 0, 0] = told
        else:
            for number, block, whole in zip(alike.numbers, alike.block, wholes, strict=True):
                inverse, directions = _told_apart(block, whole)
                spread[number, :q, :q] = inverse
                hidden[number, :q, : directions.shape[1]] = directions
        covariance = spread[alike.numbers, :q, :q]
        size[alike.columns] = (covariance @ stack.score[alike.columns][:, :, None])[:, :, 0]
    return size, spread, hidden


def _told_alone(block: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what `_told_apart` does for mistakes (n,) of one size each, 0 for no direction."""
    unit = np.divide(1.0, np.sqrt(whole), out=np.zeros_like(whole), where=whole > 0.0)
    share = unit**2 * block
    shown = share > OPEN
    inverse = np.divide(unit**2, share, out=np.zeros_like(share), where=shown)
    return inverse, np.where(shown, 0.0, unit)


def _told_apart(block: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the inverse (q, q) of C'RC where it shows, and the directions (q, k) where not.

    ``whole`` (q, q) is C'PC: what is nothing there puts nothing into the readings. The directions
    are one sd of the readings long.
    """
    scale = np.sqrt(np.maximum(np.diagonal(whole), 1e-30))
    size, axes = np.linalg.eigh(whole / np.outer(scale, scale))
    real = size > NOTHING * size.max()
    unit = axes[:, real] / np.sqrt(size[real]) / scale[:, None]
    share, inner = np.linalg.eigh(unit.T @ block @ unit)
    along, shown = unit @ inner, share > OPEN
    return (along[:, shown] / share[shown]) @ along[:, shown].T, along[:, ~shown]
