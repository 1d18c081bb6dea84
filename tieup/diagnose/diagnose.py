"""The diagnosis: gross mistakes first, then what the statistics show, until all is explained.

Takes a case, gives the last solution, in which nothing contaminated takes part, and the
mistakes. Detect, identify, adapt, look back: the search looks back inside one solution;
here the site is solved anew after each adaptation until nothing is found any more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import normal_critical
from tieup.adjust.pointings import examine_pointings
from tieup.diagnose.adapt import adapt, as_mistake, stays_in
from tieup.diagnose.case import Case
from tieup.diagnose.evidence import gather, stack
from tieup.diagnose.gross import explain_gross, identify_sight, is_large
from tieup.diagnose.levels import of_case
from tieup.diagnose.measure import measure
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.noise import left_over, own_scatter, refined, settled, with_scatter
from tieup.diagnose.opening import open_case
from tieup.diagnose.registry import all_hypotheses
from tieup.diagnose.rescue import rescue
from tieup.diagnose.search import FALSE_ALARM, found_mistake, search
from tieup.diagnose.solve import Prepared, Solved, solve, without_gross
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.network import Network
from tieup.threads import one_thread

ROUNDS = 4
ROUNDS_LARGE = 20  # one setup and one mark are looked at in each
SIGHT_KINDS = ("direction", "zenith", "distance", "target-height", "point-name", "backsight")
SCATTERS = 4  # times that the scatter of the gear is estimated anew
FEW = 3  # mistakes that a job may have however small it is
NOISY = 1.3  # scatter in units of the stated sds from which these are not believed


@dataclass(frozen=True)
class Diagnosis:
    """The final solution, the mistakes taken out of it, and those of the whole site that stay in.

    ``kept`` is in all readings alike: leaving it out would leave nothing.
    """

    solved: Solved
    mistakes: tuple[Mistake, ...]
    kept: tuple[Mistake, ...] = ()


def diagnose(case: Case, prepared: Prepared | None = None) -> Diagnosis:
    """Find and take out the mistakes of a case.

    Raises
    ------
    NetworkError, AdjustmentError
        The data cannot be tied or solved at all.
    """
    with one_thread():
        return _diagnose(case, prepared)


def _diagnose(case: Case, prepared: Prepared | None) -> Diagnosis:
    solved, whole = open_case(case, prepared)
    plain, scatter = None, own_scatter(solved)
    if scatter is None:
        plain = _found(solved, case)
        scatter = left_over(solved, plain.solved, len(plain.mistakes))
    found = None if scatter is None else _found_in_noise(solved, case, scatter)
    found = found or plain or _found(solved, case)
    return replace(found, mistakes=(*whole, *found.mistakes))


def _found_in_noise(solved: Solved, case: Case, scatter: FloatArray) -> Diagnosis | None:
    """Find the mistakes that stand out of how the readings really scatter, None if as stated."""
    for _ in range(SCATTERS):
        found = _found(with_scatter(solved, case.precision, scatter), case)
        better = refined(scatter, found.solved)
        if better is None:
            return None
        if settled(scatter, better):
            break
        scatter = better
    return replace(found, solved=solve(replace(found.solved.case, precision=case.precision)))


def _found(solved: Solved, case: Case) -> Diagnosis:
    """Find and take out the mistakes of a solution of ``case``."""
    solved, rescued = rescue(solved)
    solved, gross = explain_gross(solved)
    gross = [*rescued, *gross]
    found: list[Mistake] = []
    seen: list[Mistake] = []
    for _ in range(ROUNDS_LARGE if is_large(solved) else ROUNDS):
        new = [as_mistake(solved.case, mistake) for mistake in look(solved)]
        seen = [m for m in new if stays_in(m)]
        new = [m for m in new if m not in seen]
        if not new:
            break
        adapted = solved.case
        for mistake in new:
            adapted = adapt(adapted, mistake)
        solved, more = explain_gross(solve(adapted))
        found += new
        gross += more
    gross = [_seen_again(solved, mistake) for mistake in gross]
    solved = _with_good_readings(solved, case, gross)
    measured = [measure(solved, mistake) for mistake in gross]
    return Diagnosis(solved, (*measured, *found), tuple(seen))


def _seen_again(solved: Solved, mistake: Mistake) -> Mistake:
    """Look at a gross sight again, now that no other mistake is in the solution."""
    if mistake.kind not in SIGHT_KINDS or mistake.instead or not len(mistake.rows):
        return mistake
    found = identify_sight(solved, mistake.rows)
    if len(found) != 1:
        return mistake
    kind = mistake.kind if found[0].kind == "point-name" else found[0].kind
    return replace(mistake, kind=kind, kinds=found[0].kinds, rivals=found[0].rivals)


def _with_good_readings(solved: Solved, case: Case, gross: list[Mistake]) -> Solved:
    """Take back in what was left out of a sight whose other reading alone was wrong."""
    use = solved.case.use.copy()
    for mistake in gross:
        if mistake.kind in SIGHT_KINDS:
            good = [kind for kind in (0, 1, 2) if kind not in mistake.kinds]
            block = np.ix_(mistake.rows, np.array(good, dtype=np.int64))
            use[block] |= case.use[block]
    if (use == solved.case.use).all():
        return solved
    again = solve(replace(solved.case, use=use))
    return solved if again.network.start.gross.any() else again


def look(solved: Solved) -> list[Mistake]:
    """Search one solution for mistakes that its statistics show."""
    network = without_gross(solved.network)
    evidence = gather(network, solved.adjustment, solved.reduction.pointings)
    case = solved.case
    focus = None
    if is_large(solved):
        focus = _focus(solved, network)
        if focus is None:
            return []
    hypotheses = all_hypotheses(Subjects(case.shots, case.setups, case.points, evidence, focus))
    if not hypotheses:
        return []
    tested = stack(evidence, hypotheses)
    found = search(tested, hypotheses)
    if len(found) > max(FEW, len(network.sights) // 8):
        # So many mistakes at once are no mistakes: the readings scatter more than stated.
        scatter = _scatter(solved)
        if scatter > NOISY:
            found = search(tested, hypotheses, scatter=scatter)
    mistakes = [found_mistake(accepted) for accepted in found]
    return [of_case(solved, m) if m.links else m for m in mistakes]


def _focus(solved: Solved, network: Network) -> BoolArray | None:
    """Return the rows (m,) about the setup and the mark of the worst reading of a large site.

    None where no reading stands out of so many.
    """
    tests = examine_pointings(solved.adjustment, network.sights, solved.reduction.pointings)
    size = np.nan_to_num(np.abs(tests.statistic))
    limit = float(normal_critical(0.5 * FALSE_ALARM / max(int(tests.solved.sum()), 1)))
    row = int(np.argmax(size.max(axis=1)))
    if size[row].max() < limit:
        return None
    shots = solved.case.shots
    return np.asarray((shots.setup == shots.setup[row]) | (shots.point == shots.point[row]))


def _scatter(solved: Solved) -> float:
    """Return the robust scatter of the noisiest kind of reading, in units of the stated sds."""
    w = np.abs(solved.adjustment.standardised[~solved.adjustment.connections.plumb])
    kinds = [column[np.isfinite(column)] for column in w.T]
    return max((float(np.median(k)) / 0.6745 for k in kinds if len(k) >= 8), default=1.0)
