"""Gross mistakes: so large that they cannot enter a least-squares solution.

The consensus start already stands without them. Here each is explained by trying: a
mark is split in time, a setup is split in time, two names are exchanged, and what makes
most of the gross misfits vanish is the explanation. What the start itself shows, a station
or a control value that everything else contradicts, comes next. What remains belongs to
single sights and is told apart by which of their readings are off.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.predict import sighted_place
from tieup.diagnose.basis.solve import Solved, solve, swinging_sights
from tieup.diagnose.basis.whole_misfit import fits_badly, misfit_cost
from tieup.diagnose.evidence.evidence import stack, with_misfit
from tieup.diagnose.evidence.identification import search
from tieup.diagnose.evidence.thresholds import Thresholds
from tieup.diagnose.gross.contradicted import (
    gross_control,
    gross_stations,
    without_contradicted,
)
from tieup.diagnose.gross.exact_poles import with_exact_pole
from tieup.diagnose.gross.swapped_pairs import swapped_pairs
from tieup.diagnose.gross.trials import (
    Trial,
    all_trials,
    exchanges,
    gross_sights,
    listed_wrong,
    rows_of,
)
from tieup.diagnose.kinds.booked_links import gross_runs
from tieup.diagnose.kinds.catalogue import kind_of
from tieup.diagnose.kinds.kind import ALL
from tieup.diagnose.kinds.point_name import POINT_NAME, SAME_PLACE, wrong_targets
from tieup.diagnose.kinds.readings import single_readings
from tieup.diagnose.kinds.sight_kind import put_back
from tieup.diagnose.kinds.swapped_names import with_equal_setups
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT, target_heights
from tieup.errors import AdjustmentError, TieupError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE

LARGE = 600  # sights of shared marks; a hundred setups have more
MOST_TRIALS = 100  # solutions for trials in one job; sites with two mistakes take 20 at most
STRAINED = 4  # sights, stations and marks that are gross, from which one mark is asked first
WORTH = 50.0  # gain that a trial must bring beyond its price
AS_WELL = 15.0  # trials whose costs are this close cannot be told apart
FAMILY = 1000  # hypotheses that a single sight's cause is weighed against, as in a whole job


def explain_gross(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Explain everything gross; return the solution without it and the mistakes."""
    budget = iter(range(MOST_TRIALS))
    solved, listed = _one_listed(solved, budget)
    solved, found = _swapped(solved, budget)
    found += listed
    while not is_large(solved) and (_items(solved) > 1 or fits_badly(solved)):
        better = _best_trial(solved, all_trials(solved), budget)
        if better is None:
            break
        solved, mistakes = better
        found += mistakes
    direct = [*gross_control(solved), *gross_stations(solved), *gross_runs(solved)]
    if direct:
        solved, direct = without_contradicted(solved.case, direct)
        found += direct
    if solved.network.start.gross.any():
        single = single_sights(solved)
        torn, taken = _between_looks(solved, single)
        single += torn
        single += _swinging(solved, single)
        out = _gross_readings(solved)
        out[taken] = False
        case = solved.case.without_mask(out)
        for mistake in single:
            case = case.without(mistake.rows, mistake.kinds)
        found += single
        solved = solve(case)
    return solved, found


def _swinging(solved: Solved, known: list[Mistake]) -> list[Mistake]:
    """Return the sights that keep the solution from settling and that nothing ``known`` explains.

    Where the rest puts them nothing about them is off; as a rule the name is wrong.
    """
    sights, case = solved.network.sights, solved.case
    found = []
    for number in swinging_sights(solved).tolist():
        rows = rows_of(solved, np.array([number]))
        if not any(np.isin(rows, mistake.rows).any() for mistake in known):
            label, name = case.setups[sights.setup[number]].label, case.points[sights.point[number]]
            found.append(POINT_NAME.mistake(label, (name,), rows))
    return found


def _tried(trials: Iterable[Trial], budget: Iterator[int]) -> Iterator[tuple[Trial, Solved]]:
    """Solve trials while the budget lasts; those that cannot be solved say nothing."""
    for trial, _ in zip(trials, budget, strict=False):
        try:
            yield trial, solve(trial.case)
        except TieupError:
            continue


def _swapped(solved: Solved, budget: Iterator[int]) -> tuple[Solved, list[Mistake]]:
    """Leave out the sights whose exchanged names alone explain two gross sights."""
    found = swapped_pairs(solved, gross_sights(solved))
    if found:
        rows = np.concatenate([mistake.rows for mistake in found])
        solved = solve(solved.case.without(rows, ALL))
    while not is_large(solved):
        exchanged = _exchange(solved, budget)
        if exchanged is None:
            break
        found.append(with_equal_setups(solved, exchanged))
        solved = solve(solved.case.without(exchanged.rows, ALL))
    return solved, found


def _exchange(solved: Solved, budget: Iterator[int]) -> Mistake | None:
    """Return the exchange of two names after which both marks have no gross sight any more.

    Two sights that each arrive at the other's mark do not do so by chance, whatever else is
    wrong with the site.
    """
    for trial, tried in _tried(exchanges(solved), budget):
        if _items(tried) <= _items(solved) - 2 and _arrives(tried, trial.mistake):
            return trial.mistake
    return None


def is_large(solved: Solved) -> bool:
    """Say whether a site is too large to try every explanation by solving it anew."""
    return len(solved.adjustment.connections) > LARGE


def _items(solved: Solved) -> int:
    """Count what is gross: sights, stations and control marks."""
    start = solved.network.start
    return (
        int(start.gross.any(axis=1).sum())
        + int(start.gross_station.any(axis=1).sum())
        + int(start.gross_control.any(axis=1).sum())
    )


def _gross_readings(solved: Solved) -> BoolArray:
    """Return the raw components (m, 3) that are part of gross means."""
    sight = solved.reduction.pointings.sight
    return (sight >= 0)[:, None] & solved.network.start.gross[np.maximum(sight, 0)]


def _one_listed(solved: Solved, budget: Iterator[int]) -> tuple[Solved, list[Mistake]]:
    """Take out the control mark without which nothing gross is left, where much was.

    Before names are exchanged: a site that is strained between two marks shows sights that seem
    to arrive at each other's marks.
    """
    if is_large(solved) or _items(solved) < STRAINED:
        return solved, []
    better = _best_trial(solved, listed_wrong(solved), budget)
    if better is None or _items(better[0]) or fits_badly(better[0]):
        return solved, []
    return better


def _best_trial(
    solved: Solved, trials: Iterable[Trial], budget: Iterator[int]
) -> tuple[Solved, list[Mistake]] | None:
    """Return the trial that leaves the least unexplained, None where none is worth its price."""
    now = misfit_cost(solved)
    good: list[tuple[float, Trial, Solved]] = []
    for trial, tried in _tried(trials, budget):
        cost = misfit_cost(tried) + trial.price
        settles = _items(tried) < _items(solved) - 1 or not fits_badly(tried)
        if not settles or cost > now - WORTH:
            continue
        if not _reaches_as_far(tried, solved, trial.new_setups):
            continue
        if trial.exchange and not _arrives(tried, trial.mistake):
            continue
        good.append((cost, trial, tried))
    if not good:
        return None
    least, trial, tried = min(good, key=lambda one: one[0])
    rivals = [
        other.mistake
        for cost, other, _ in good
        if other is not trial
        and other.mistake.kind == trial.mistake.kind
        and cost - least < AS_WELL
    ]
    return _chosen(solved, tried, replace(trial, mistake=_with_rivals(trial.mistake, rivals)))


def _chosen(before: Solved, tried: Solved, trial: Trial) -> tuple[Solved, list[Mistake]]:
    """Take the chosen trial: a sight out is told apart, swapped shots only go out."""
    mistake = trial.mistake
    if trial.sight_out:
        number = int(before.reduction.pointings.sight[mistake.rows[0]])
        case, causes = before.case, _single(before, tried, number)
        for cause in causes:
            case = case.without(cause.rows, cause.kinds)
        return (solve(case) if causes else tried), causes or [mistake]
    if trial.exchange:
        # A swap is only tried: the shots are left out until a person says so.
        left_out = solve(before.case.without(mistake.rows, ALL))
        return left_out, [with_equal_setups(before, mistake)]
    return tried, [mistake]


def _with_rivals(mistake: Mistake, others: list[Mistake]) -> Mistake:
    rivals = [RivalCause(o.kind, o.setup, o.points, np.nan, separable=False) for o in others]
    return replace(mistake, rivals=(*mistake.rivals, *rivals))


def _arrives(tried: Solved, mistake: Mistake) -> bool:
    """Say whether both exchanged sights arrive at the marks of their new names in plan.

    An exchange that throws a sight with another fault far off explains nothing.
    """
    sights, adjustment = tried.network.sights, tried.adjustment
    numbers = np.unique(tried.reduction.pointings.sight[mistake.rows])
    numbers = numbers[numbers >= 0]
    place = sighted_place(sights, adjustment, tried.case.refraction)[numbers]
    away = np.hypot(*(place - adjustment.position[sights.point[numbers]])[:, :2].T)
    gross = tried.network.start.gross[numbers][:, [DIRECTION, DISTANCE]].any(axis=1)
    complete = np.isfinite(sights.value[numbers]).all(axis=1)
    return bool(np.where(complete, away < SAME_PLACE, ~gross).all())


def _reaches_as_far(tried: Solved, before: Solved, more: int) -> bool:
    """Say whether every setup and mark still has its place, both halves of a split one too."""
    now, then = tried.network.start, before.network.start
    setups = int(now.plan_setup.sum()) >= int(then.plan_setup.sum()) + more
    return setups and int(now.plan_point.sum()) >= int(then.plan_point.sum())


def single_sights(solved: Solved) -> list[Mistake]:
    """Tell the remaining gross sights apart, one by one."""
    calm = solve(solved.case.without_mask(_gross_readings(solved)))
    numbers = gross_sights(solved).tolist()
    return [mistake for number in numbers for mistake in _single(solved, calm, number)]


def _between_looks(solved: Solved, known: list[Mistake]) -> tuple[list[Mistake], IntArray]:
    """Tell looks of one setup at one mark apart, of which nothing ``known`` explains any.

    With all of them out nothing is left that they disagree with: the first is taken, and the others
    are held against it. Returns the mistakes and the rows of the looks that are taken.
    """
    sights, named = solved.network.sights, [one.rows for one in known]
    looks: dict[tuple[int, int], list[IntArray]] = {}
    for number in gross_sights(solved).tolist():
        rows = rows_of(solved, np.array([number]))
        if not any(np.isin(rows, others).any() for others in named):
            key = int(sights.setup[number]), int(sights.point[number])
            looks.setdefault(key, []).append(rows)
    found, taken = [], np.zeros(0, dtype=np.int64)
    for first, *others in looks.values():
        out = _gross_readings(solved)
        out[first] = False
        calm = solve(solved.case.without_mask(out)) if others else solved
        numbers = [int(solved.reduction.pointings.sight[rows[0]]) for rows in others]
        told = [mistake for number in numbers for mistake in _single(solved, calm, number)]
        found += told
        taken = np.concatenate([taken, first]) if told else taken
    return found, taken


def _single(solved: Solved, calm: Solved, number: int) -> list[Mistake]:
    """Name one gross sight; ``calm`` is the solution without any gross reading."""
    seen = solved.network.sights
    rows = rows_of(solved, np.array([number]))
    try:
        found = identify_sight(calm, rows)
    except AdjustmentError:  # with the sight put back the site does not settle: nothing says how
        setup, point = (int(ends[number]) for ends in (seen.setup, seen.point))
        found = [
            POINT_NAME.mistake(solved.case.setups[setup].label, (solved.case.points[point],), rows)
        ]
    return [kind_of(one).named(solved, number, rows, one) for one in found]


def identify_sight(calm: Solved, rows: IntArray) -> list[Mistake]:
    """Put one sight back: what explains its readings with the fewest mistakes?

    Mistakes in other setups' sights of the same mark may explain them as well; they are
    rivals only.
    """
    subjects, seen, off = put_back(calm, rows, ALL)
    sights = subjects.evidence.pointings.sight
    sight = int(sights[rows[0]])
    whole = (*single_readings(subjects), *target_heights(subjects), *wrong_targets(subjects))
    point = subjects.shots.point[rows[0]]
    about = [h for h in whole if not h.detail and (subjects.shots.point[h.rows] == point).all()]
    own = [h for h in about if set(sights[h.rows]) == {sight}]
    if not own:
        return []
    others = [h for h in about if set(sights[h.rows]) != {sight}]
    tested = stack(subjects.evidence, [*own, *others])
    degrees = np.array([float(h.degrees) for h in (*own, *others)])

    def explain(misfits: FloatArray) -> list[Mistake]:
        against = with_misfit(tested, own, misfits[sight])
        limits = Thresholds(degrees, FAMILY)
        accepted = search(against, [*own, *others], limits, choice=len(own))
        return [one.mistake for one in accepted]

    poles = [h for h in own if h.kind == TARGET_HEIGHT.name]
    return with_exact_pole(calm, seen, sight, off, poles, explain)
