"""Kinds of mistakes in the readings of one sight, and how large one is.

Readings of a single sight are put back at the values that the solution expects of them, so that
nothing is pulled; the difference to what was read is the mistake, exact however gross it is, and
the put-back solution gives its standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.predict import misfit
from tieup.diagnose.basis.solve import Solved, job_frame, settled_fit, without_gross
from tieup.diagnose.evidence.evidence import gather, stack
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import Kind
from tieup.errors import AdjustmentError
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import Sights
from tieup.reduce.sights import reduce_shots


@dataclass(frozen=True)
class SightKind(Kind):
    """A kind of mistake in the readings of one sight.

    ``like`` is the kind whose hypotheses measure it, where it has none of its own. ``as_well``
    names the kinds that the same readings could as well mean.
    """

    like: SightKind | None = None
    as_well: tuple[str, ...] = ()

    def sizes(self, solved: Solved, sights: Sights, off: FloatArray) -> FloatArray:
        """Return observed minus right of each sight (k, q), without linearising.

        ``off`` (k, 3) is what the readings are off by themselves, in rad, rad, m.
        """
        raise NotImplementedError(self.name)

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Measure a mistake by putting its readings back."""
        try:
            subjects, sights, off = put_back(solved, mistake.rows, mistake.kinds)
        except AdjustmentError:  # put back, it keeps the site from settling: no size is known
            return mistake
        own = np.unique(subjects.evidence.pointings.sight[mistake.rows])
        own = own[own >= 0]
        if not len(own):
            return mistake
        kind = self.like or self
        sizes = kind.sizes(solved, sights, off)
        best = mistake
        for number in own:
            hypothesis = kind.of_whole_sight(subjects, int(number))
            if hypothesis is None:
                continue
            tested = stack(subjects.evidence, (hypothesis,))
            information = tested.own(tested.index((0,)))
            spread: FloatArray = np.asarray(np.linalg.pinv(information, hermitian=True), np.float64)
            measured = self.sized(mistake, sizes[number], spread)
            if not best.statistic > measured.statistic:
                best = measured
        known = {(rival.kind, rival.setup) for rival in best.rivals}
        more = tuple(
            RivalCause(name, best.setup, best.points, best.statistic, separable=False)
            for name in (self.as_well if not best.instead else ())
            if (name, best.setup) not in known
        )
        return replace(best, rivals=(*best.rivals, *more))

    def of_whole_sight(self, subjects: Subjects, sight: int) -> Hypothesis | None:
        """Return the hypothesis of this kind about one whole sight."""
        for hypothesis in self.family(subjects) if self.family is not None else ():
            one = subjects.evidence.pointings.sight[hypothesis.rows]
            if hypothesis.kind == self.name and not hypothesis.detail and (one == sight).all():
                return hypothesis
        return None


def put_back(
    solved: Solved, rows: IntArray, kinds: tuple[int, ...]
) -> tuple[Subjects, Sights, FloatArray]:
    """Put ``rows`` back at their expected values.

    Returns
    -------
    the site with them, its sights as really observed, and their misfit (k, 3): observed
    minus expected in rad, rad, m, 0 for every other reading.
    """
    case = solved.case
    touched = np.zeros(case.use.shape, dtype=bool)
    touched[np.ix_(rows, np.array(kinds, dtype=np.int64))] = True
    reduction = reduce_shots(case.shots, case.setups, case.precision, case.use | touched)
    sights = reduction.sights
    off = misfit(sights, solved.adjustment, case.refraction)
    back = np.zeros(off.shape, dtype=bool)
    row, kind = np.nonzero(touched & (reduction.pointings.sight >= 0)[:, None])
    back[reduction.pointings.sight[row], kind] = True
    off = np.where(back & np.isfinite(off), off, 0.0)
    network = without_gross(solved.network)
    calm = replace(
        network,
        sights=replace(sights, value=sights.value - off),
        start=replace(network.start, gross=np.zeros(off.shape, dtype=bool)),
    )
    left, adjustment = settled_fit(calm, case, lambda network: job_frame(case, network))
    evidence = gather(without_gross(left), adjustment, reduction.pointings)
    return Subjects(case.shots, case.setups, case.points, evidence), sights, off
