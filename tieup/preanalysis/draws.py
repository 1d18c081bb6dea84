"""What mistakes would hide, before any reading: the smallest noticed, and days that are drawn.

Two questions have different answers.

Before the readings: what a mistake just too small to be noticed would do, delta0 sd(E) for every
mistake, E what one unit of it does to a place. It is the most that could be wrong on a bad day.

After the readings: a day without mistakes shows that no mistake is there, and the bound is
|E size| + t sd(E), as in `tieup.adjust.guards`. That is what `checked` and "ties" mean. Before the
field it is the share of days on which the bound would keep the limit: readings are drawn as the
gear is stated, DRAWS days with one seed, from the very misclosures of the plan; and with each the
scatter that would be estimated from it, the larger of it and the stated one taken as there. That
nothing is out of the ordinary on such a day, 99 in 100, is taken for granted.

The value before calls a tenth of the marks of a good day checked, the one after nearly all: the
first is what could be, the second what will be shown. Both are printed, and words go by the share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.adjust.guards import Guards
from tieup.adjust.scatter import Scatter, expected_scatter
from tieup.diagnose.evidence.margins import noticed_sizes
from tieup.diagnose.proof.guarding import Guarded
from tieup.model.arrays import FloatArray

DRAWS, SEED = 200, 1968
USUALLY = 0.80  # share of days from which a mark would be checked, a bay would tie
SELDOM = 0.20
FEWEST = 1e-9  # checks of all readings below which there are none


@dataclass(frozen=True)
class Days:
    """Days drawn for n mistakes with h columns.

    ``margin`` (n,) is delta0 of each; ``sizes`` (d, h) what each day shows of the mistakes, and
    ``wider`` (d, n) what their sds are multiplied by on it, ``whole`` (d,) the sds of places.
    """

    guards: Guards
    margin: FloatArray
    sizes: FloatArray
    wider: FloatArray
    whole: FloatArray

    def before(self, effect: FloatArray) -> FloatArray:
        """Return what each mistake just not noticed does to f places (f, n) in m."""
        return self.margin * self.guards.sds(effect)

    def after(self, effect: FloatArray, chance: float) -> FloatArray:
        """Return the bound of each mistake on each day (f, d, n) in m.

        ``effect`` (f, k, h); ``chance`` is that by which the bound may be too small.
        """
        spread = student_critical(chance, self.guards.freedom) * self.guards.sds(effect)
        return self.guards.displaced(effect, self.sizes) + self.wider * spread[:, None]


def draw_days(guarded: Guarded, draws: int = DRAWS) -> Days:
    """Draw days on which what is ``guarded`` would be measured without mistakes."""
    rng, tested, guards = np.random.default_rng(SEED), guarded.tested, guarded.guards
    scatter = expected_scatter(tested.misclosures)
    flat = tested.stack(np.ones(5)).columns
    score = rng.standard_normal((draws, len(flat))) @ flat
    sizes = np.zeros_like(score)
    for number, span in enumerate(tested.span):
        q = span.stop - span.start
        sizes[:, span] = score[:, span] @ guards.spread[number, :q, :q]
    larger = np.maximum(_factors(scatter, draws, rng), 1.0)
    # Levels, tapes and baselines alone have no group of readings: all is as wide as stated.
    share = scatter.redundancy / max(float(scatter.redundancy.sum()), FEWEST)
    return Days(
        guards,
        noticed_sizes(guarded.family, guards.freedom, guards.degrees, planned=True),
        sizes,
        np.sqrt(larger @ tested.shares(np.ones(5)).T),
        np.sqrt(1.0 + (larger - 1.0) @ share),
    )


def _factors(scatter: Scatter, draws: int, rng: np.random.Generator) -> FloatArray:
    """Draw variance factors (d, 5) as they would be estimated."""
    size, axes = np.linalg.eigh(scatter.swing)
    root = axes * np.sqrt(np.maximum(size, 0.0))
    return np.asarray(np.exp(rng.standard_normal((draws, len(size))) @ root.T))
