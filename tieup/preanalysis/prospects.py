"""What a scheme would prove: which marks would be checked, which setups and joints would tie.

The definitions are those of a finished survey (`tieup.diagnose.proof.proving`,
`tieup.ties.bays`), asked before the readings: see `tieup.preanalysis.draws`. What serves a plan
serves a to-do list: a scheme can be made of what was shot (`tieup.preanalysis.believed`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import normal_critical, normal_tail, student_critical
from tieup.adjust.local_guards import local_hidden
from tieup.adjust.problem import levelled_only
from tieup.adjust.scatter import KNOWN, Scatter, expected_scatter
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.block_scatter import expected_block_scatter
from tieup.diagnose.evidence.margins import noticed_size
from tieup.diagnose.evidence.misclosures import misclosures_of
from tieup.diagnose.kinds.catalogue import thing
from tieup.diagnose.proof.certainty import Certainty, certainty_of
from tieup.diagnose.proof.guarding import Guarded, guard
from tieup.diagnose.proof.proving import HIDES, PARTS, link_sizes, moved_by, tests_of
from tieup.diagnose.search.look import evidence_of
from tieup.model.arrays import FloatArray
from tieup.model.settings import Datum
from tieup.preanalysis.draws import USUALLY, Days, draw_days
from tieup.preanalysis.scheme import Scheme, solve_scheme
from tieup.preanalysis.scheme_rows import as_solved
from tieup.ties.bay_places import Use, known_at, uses_of
from tieup.ties.bays import (
    PASSES,
    PlaceStanding,
    Shooting,
    local_bounds,
    shooting_of,
    stand_bays,
    ways_of,
)
from tieup.ties.pairs import joined_setups


@dataclass(frozen=True)
class Hidden:
    """What a mistake could do to n things, plan and height in m, infinite where none would show.

    ``before`` (n, 2): one just too small to be noticed. ``after`` (n, 2): what one could still hide
    after a day without mistakes, no more on 8 days in 10. ``share`` (n,): of days on which that
    keeps the limits in both.
    """

    before: FloatArray
    after: FloatArray
    share: FloatArray


@dataclass(frozen=True)
class Bay:
    """How a setup or a joint would stand where it is used: ``known`` (2,) plan and height at 95 %.

    ``before``, ``after`` (2,) and ``share`` as in `Hidden`, what is known included in the share.
    ``worst`` (2,) are words for the mistake that could do most in plan and in height, or empty.
    """

    use: Use
    known: FloatArray
    before: FloatArray
    after: FloatArray
    share: float
    worst: tuple[str, str]


@dataclass(frozen=True)
class Prospects:
    """What a scheme would prove: of points ``marks`` (P), of setups (S,) and of joints.

    ``margin`` (k, 3): delta0 of each sight's readings, ``usual`` that of most, and ``links`` (l,)
    that of each link of the adjustment.
    """

    marks: Hidden
    setups: tuple[Bay | None, ...]
    joints: dict[tuple[int, int], Bay]
    margin: FloatArray
    usual: float
    links: FloatArray


def prospects_of(
    scheme: Scheme,
    adjustment: Adjustment,
    limits: FloatArray,
    certainty: Certainty | None = None,
) -> Prospects:
    """Say what a solved scheme would prove against ``limits`` (2,) in m, plan and height.

    ``certainty`` is that of nearly the same scheme, to save its working out.
    """
    solved = _judged(scheme, adjustment)
    scatter = _scatter(solved)
    if scatter is None:
        return _nothing(solved)
    known = certainty or certainty_of(solved, scatter)
    guarded = guard(solved, scatter)
    if guarded is None:
        return _of_large(solved, scatter, known, limits)
    days = draw_days(guarded)
    words = tuple(thing(h) for h in guarded.hypotheses)
    shooting = _shooting(solved)
    uses, places = uses_of(solved.adjustment, joined_setups(solved.adjustment))

    def bay(use: Use, freedom: FloatArray) -> Bay:
        return _bay(solved.adjustment, days, use, freedom, shooting, words, limits)

    margin, usual = _margins(solved, guarded)
    return Prospects(
        _marks(solved, days, limits),
        tuple(None if use is None else bay(use, known.setup[s]) for s, use in enumerate(uses)),
        {pair: bay(use, known.setup[list(pair)].min(axis=0)) for pair, use in places.items()},
        margin,
        usual,
        link_sizes(solved, guarded, known.whole, planned=True),
    )


def _margins(solved: Solved, guarded: Guarded) -> tuple[FloatArray, float]:
    """Return delta0 of the readings of each sight (k, 3), and that of most."""
    values = noticed_size(guarded.family, guarded.guards.freedom, planned=True)
    usual = float(np.median(values))
    margin = np.full((len(solved.network.sights), 3), usual)
    sight = solved.reduction.pointings.sight
    for hypothesis, value in zip(guarded.hypotheses, values.tolist(), strict=True):
        if hypothesis.reading >= 0 and not hypothesis.detail:
            margin[sight[hypothesis.rows[0]], hypothesis.reading] = value
    return margin, usual


def expected_certainty(scheme: Scheme, adjustment: Adjustment) -> Certainty:
    """Return how well the sds of a scheme would be known."""
    solved = _judged(scheme, adjustment)
    return certainty_of(solved, _scatter(solved))


def _judged(scheme: Scheme, adjustment: Adjustment) -> Solved:
    """Return the rows of a scheme; how its bays lie hangs on no mark that somebody held."""
    if scheme.datum.kind == "local":
        scheme = replace(scheme, datum=Datum("free"))
        adjustment = solve_scheme(scheme)
    return as_solved(scheme, adjustment)


def _scatter(solved: Solved) -> Scatter | None:
    evidence = evidence_of(solved)
    dense = misclosures_of(evidence, solved.case.precision)
    if dense is None:
        return expected_block_scatter(evidence, solved.case.precision)
    return expected_scatter(dense.misclosures)


def _shooting(solved: Solved) -> Shooting:
    shots, aside = solved.case.shots, solved.adjustment.aside.connections
    order = np.arange(len(shots), dtype=np.float64)
    setups, points = len(solved.adjustment.axis), len(solved.adjustment.position)
    return shooting_of(shots.setup, shots.point, order, aside.point, setups, points)


def _marks(solved: Solved, days: Days, limits: FloatArray) -> Hidden:
    """Return what could be hidden in points, by their numbers."""
    adjustment = solved.adjustment
    count = len(adjustment.position)
    before, after = np.full((count, 2), np.inf), np.full((count, 2), np.inf)
    number, moved = moved_by(adjustment, days.guards)
    kept = np.zeros((count, len(days.sizes)), dtype=np.bool_)
    flat, level = levelled_only(solved.network), solved.network.start.height_point
    for point, effect in zip(number.tolist(), moved, strict=True):
        if point >= count:
            continue
        asked = np.array([not flat[point], level[point]])
        largest = np.zeros((2, len(days.sizes)))
        for column, part in enumerate(PARTS):
            before[point, column] = days.before(effect[None, part]).max(initial=0.0)
            largest[column] = days.after(effect[None, part], HIDES)[0].max(axis=1, initial=0.0)
        before[point, ~asked], largest[~asked] = 0.0, 0.0
        after[point] = _usual(largest)
        kept[point] = (largest <= limits[:, None]).all(axis=0)
    return Hidden(before, after, kept.mean(axis=1))


def _usual(largest: FloatArray) -> FloatArray:
    """Return what d days keep (2, d) 8 times in 10: (2,)."""
    return np.quantile(largest, USUALLY, axis=1, method="inverted_cdf")


def _bay(
    adjustment: Adjustment,
    days: Days,
    use: Use,
    freedom: FloatArray,
    shooting: Shooting,
    words: tuple[str, ...],
    limits: FloatArray,
) -> Bay:
    """Return how a place would stand."""
    known = known_at(adjustment, [use], freedom[None])[0]
    good = (days.whole[:, None] * known <= limits).all(axis=1)
    before, largest, worst = np.zeros(2), np.zeros((2, len(days.sizes))), ["", ""]
    for part, ways in enumerate(ways_of(adjustment, days.guards, use, shooting)):
        each = ways.largest(days.before(ways.effect))
        bounds = ways.largest(days.after(ways.effect, PASSES))
        largest[part] = bounds.max(axis=1, initial=0.0)
        if len(each):
            before[part] = each.max()
            worst[part] = words[int(np.argmax(each))]
    good &= (largest <= limits[:, None]).all(axis=0)
    return Bay(use, known, before, _usual(largest), float(good.mean()), (worst[0], worst[1]))


def _nothing(solved: Solved) -> Prospects:
    """Return the prospects where nothing checks anything."""
    count, adjustment = len(solved.adjustment.position), solved.adjustment
    open_ = np.full((count, 2), np.inf)
    uses, places = uses_of(adjustment, joined_setups(adjustment))

    def bay(use: Use) -> Bay:
        known = known_at(adjustment, [use], np.full((1, 2), KNOWN))[0]
        return Bay(use, known, np.full(2, np.inf), np.full(2, np.inf), 0.0, ("", ""))

    return Prospects(
        Hidden(open_, open_, np.zeros(count)),
        tuple(None if use is None else bay(use) for use in uses),
        {pair: bay(use) for pair, use in places.items()},
        np.full((len(solved.network.sights), 3), np.nan),
        np.nan,
        np.full(len(adjustment.problem.links), np.nan),
    )


def _of_large(
    solved: Solved, scatter: Scatter, certainty: Certainty, limits: FloatArray
) -> Prospects:
    """Return the prospects of a site too large to draw: each sight to its own mark and setup.

    The share is that of the one sight that could do most, in closed form: its estimate is normal.
    """
    adjustment = solved.adjustment
    count, freedom = len(adjustment.position), certainty.whole
    usual = float(noticed_size(tests_of(solved), freedom, planned=True))
    one = local_hidden(adjustment, 1.0)[:count]
    one[levelled_only(solved.network), 0] = 0.0
    one[~solved.network.start.height_point, 1] = 0.0
    marks = _closed(one, usual, float(student_critical(HIDES, freedom)), limits)
    joints = joined_setups(adjustment)
    stood = stand_bays(adjustment, None, certainty.setup, joints, _shooting(solved))
    setups, pairs = local_bounds(adjustment, stood, 1.0)
    quantile = float(student_critical(PASSES, freedom))

    def bay(one: PlaceStanding, size: FloatArray) -> Bay:
        found = _closed(size[None], usual, quantile, limits)
        share = float(found.share[0]) if (one.known <= limits).all() else 0.0
        return Bay(one.use, one.known, found.before[0], found.after[0], share, ("", ""))

    return Prospects(
        marks,
        tuple(None if one is None else bay(one, setups[s]) for s, one in enumerate(stood.setups)),
        {pair: bay(one, pairs[pair]) for pair, one in stood.joints.items()},
        np.full((len(solved.network.sights), 3), usual),
        usual,
        link_sizes(solved, None, freedom, planned=True),
    )


def _closed(one: FloatArray, margin: float, quantile: float, limits: FloatArray) -> Hidden:
    """Return what is hidden where a mistake of 1 sd does ``one`` (n, 2) in m."""
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(one > 0.0, limits / one, np.inf) - quantile
    share = (1.0 - 2.0 * normal_tail(np.maximum(room, 0.0))).prod(axis=1)
    usual = quantile + float(normal_critical((1.0 - USUALLY) / 2.0))
    return Hidden(margin * one, usual * one, share)
