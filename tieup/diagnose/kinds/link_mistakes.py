"""A wrong level run, tape or baseline: a rod reading, a sign, a whole metre, a wrong pull.

A run is one number, so its mistakes differ by their size alone: twice the run itself is a
sign (or the two marks exchanged), a whole metre is a rod read a metre off, the rest is a rod
reading. Where two of them have the same size, the data cannot tell and both are named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_BIAS, NO_ROWS, BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.phrases import MistakeText, Phrases, too
from tieup.diagnose.basis.solve import Solved, job_frame, on_own_line, settled_fit, without_gross
from tieup.diagnose.evidence.evidence import gather, stack
from tieup.diagnose.evidence.identification import INSEPARABLE, WORTH_NAMING
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import USUAL, Kind
from tieup.model.arrays import FloatArray
from tieup.model.link_kinds import LEVEL, LINK_KINDS, LinkKind
from tieup.model.network import Links

UNCHECKED = 1e-8  # information (whitened) below which nothing checks a link
ALIKE = 3.3  # sds within which a size counts as that of a known mistake
NOT_SURE = 11.0  # difference of squares below which the sizes do not decide (3.3 sd squared)
SHARP = 20.0  # sds that a whole unit must measure, so that hitting one is no accident


def single_runs(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give every level run and every tape as wrong; ``links`` count those of the adjustment."""
    problem = subjects.evidence.adjustment.problem
    links = problem.network.links.take(problem.links)
    for first in np.unique(links.booked, return_index=True)[1].tolist():
        places = np.flatnonzero(links.booked == links.booked[first]).tolist()
        yield Hypothesis(
            kind=links.kind[first],
            setup="",
            points=(subjects.points[links.start[first]], subjects.points[links.end[first]]),
            columns=_columns(links, places),
            rows=NO_ROWS,
            kinds=(),
            unit="m",
            prior=USUAL,
            links=tuple(places),
        )


def _columns(links: Links, places: list[int]) -> tuple[BiasColumn, ...]:
    """Return what 1 m in each observation of one booked row adds to its links."""
    if len(places) == 1 and links.is_distance[places[0]]:
        return (BiasColumn(NO_ROWS, NO_BIAS, links=((places[0], 1.0),)),)
    columns = []
    for component in np.flatnonzero(links.along[places].any(axis=0)).tolist():
        along = links.along[places, component].tolist()
        pairs = tuple((place, bias) for place, bias in zip(places, along, strict=True) if bias)
        columns.append(BiasColumn(NO_ROWS, NO_BIAS, links=pairs))
    return tuple(columns)


@dataclass(frozen=True)
class LinkMistake(Kind):
    """A link that is wrong: it takes no part, whatever its rows are."""

    link: LinkKind = LEVEL

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Do not believe the link."""
        return case.without_links(mistake.links)

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Believe it again."""
        return replace(case, left_links=case.left_links - set(mistake.links))

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Return the mistake with size, test, rivals and its name; as it is without places.

        The size is what was booked less what the rest of the site says.
        """
        position, origin = solved.adjustment.position, solved.network.origin
        case = solved.case
        link = case.links.take(case.links.booked == mistake.links[0])
        link = on_own_line(link, position + origin, case.precision.grid)
        ends = np.array([link.start[0], link.end[0]])
        joint = point_covariance(solved.adjustment, ends)
        spread = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
        expected, by_end = link.predicted(position)
        used = by_end.any(axis=0)
        by_end, spread = by_end[:, used], spread[np.ix_(used, used)]
        covariance = by_end @ spread @ by_end.T + np.diag(link.sd**2)
        if not np.isfinite(expected).all() or not np.isfinite(covariance).all():
            return mistake
        back = np.linalg.inv(link.along) if len(expected) > 1 else np.eye(1)
        size = back @ (link.value - expected)
        measured = replace(
            mistake,
            size=size,
            covariance=back @ covariance @ back.T,
            statistic=float(
                np.linalg.norm(
                    np.linalg.solve(np.linalg.cholesky(covariance), link.value - expected)
                )
            ),
            rivals=_rivals(solved, replace(link, value=expected), size),
        )
        return named_run(solved.case, measured)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the link is off, where that is known."""
        which = _which(mistake)
        if mistake.instead:
            return MistakeText(
                f"The {self.link.noun} {which} is booked the other way round: it is that from "
                f"{' to '.join(mistake.instead)}",
                "it is left out",
                f"Look up in the log of the observer which way the {self.link.noun} {which} goes.",
                "Exchange from and to in its row, or leave it out (accept).",
                "it stays left out",
            )
        return MistakeText(
            f"The {self.link.noun} {which} {_off(mistake, phrases, self.link)}{self.link.likely}",
            "it is left out",
            self.link.again.format(which=which),
            self.link.cure,
            "it stays left out",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the link is wrong."""
        return f"the {self.link.brief} {' to '.join(points)} is wrong"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the link."""
        return f"{self.link.brief} {' to '.join(points)}"


class ExactRun(LinkMistake):
    """A mistake of a level run whose size is known exactly once it is named."""

    def exact_size(self, case: Case, mistake: Mistake) -> float:
        """Return how much it adds to its run (m)."""
        raise NotImplementedError(self.name)

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Take the exact size off the run."""
        return case.with_link_less(mistake.links[0], self.exact_size(case, mistake))

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say what happened, by the name of the kind."""
        return Kind.clause(self, setup, points)


class LevelSign(ExactRun):
    """A level run of the wrong sign, or between its two marks the other way."""

    def exact_size(self, case: Case, mistake: Mistake) -> float:
        """Return twice the run."""
        return 2.0 * float(case.links.value[case.links.booked == mistake.links[0]][0])

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say which run has the wrong sign."""
        return MistakeText(
            f"The level run {_which(mistake)} has the wrong sign, or its two marks are exchanged",
            "it is left out",
            "Look in the level book which mark is the higher one.",
            "Turn the sign of the run round (accept), or level it again.",
            "the sign of the run is turned round and it is used",
        )


class LevelMetre(ExactRun):
    """A level run that is off by whole units of the rod."""

    def exact_size(self, case: Case, mistake: Mistake) -> float:
        """Return the whole units that are nearest to the size."""
        return round(mistake.magnitude / case.rod_unit) * case.rod_unit

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say by how much the run is off."""
        m, which = mistake, _which(mistake)
        return MistakeText(
            f"The level run {which} is {phrases.shift(m.magnitude)} too {too(m, 'high', 'low')}: "
            "whole units of the rod misread",
            "it is left out",
            f"Look up the rod readings in the level book. {LEVEL.again.format(which=which)}",
            "Take the whole units off the run (accept), or level it again.",
            "the whole units are taken off the run and it is used",
        )


def _which(m: Mistake) -> str:
    return f"from {m.points[0]} to {m.points[1]}" + (f" ({m.detail})" if m.detail else "")


def _other_way(case: Case, mistake: Mistake) -> tuple[str, ...]:
    """Return the marks of a baseline from end to start where it was booked so, else none."""
    booked = np.array(case.booked_links[mistake.links[0]].values)
    if len(mistake.size) != len(booked) or not np.isfinite(mistake.covariance).all():
        return ()  # not all of it is tested
    inverse = np.linalg.pinv(mistake.covariance, hermitian=True)
    turned = 2.0 * booked - mistake.size  # 0 where what is right is its opposite
    fits = turned @ inverse @ turned <= len(turned) * ALIKE**2
    long = booked @ inverse @ booked > SHARP**2
    return mistake.points[::-1] if fits and long else ()


def _off(m: Mistake, p: Phrases, kind: LinkKind) -> str:
    """Say by how much a run, tape or baseline is off, where that is known."""
    if not len(m.size):
        return "does not fit the rest"
    if len(m.size) > 1:
        return f"is off by {p.shift(m.magnitude)} ({p.vector(m)})"
    return f"is {p.shift(m.magnitude)} too {too(m, kind.more, kind.less)}"


LINKS = tuple(
    LinkMistake(link.name, (), "m", single_runs, in_height=link.by_rod, link=link)
    for link in LINK_KINDS.values()
)
LEVEL_SIGN = LevelSign("level-sign", (), "m", in_height=True)
LEVEL_METRE = LevelMetre("level-metre", (), "m", in_height=True)


def named_run(case: Case, mistake: Mistake) -> Mistake:
    """Say from its size what a level run's mistake is, or that a baseline is turned round."""
    kind_of = LINK_KINDS.get(mistake.kind)
    if kind_of is None or not len(mistake.size):
        return mistake
    if kind_of.is_vector:
        return replace(mistake, instead=_other_way(case, mistake))
    if not kind_of.by_rod:
        return mistake
    sd = max(mistake.sd, 1e-9)
    causes = [LEVEL_SIGN, LEVEL_METRE] if case.rod_unit > SHARP * sd else [LEVEL_SIGN]
    sizes = {kind.name: kind.exact_size(case, mistake) for kind in causes}
    miss = {
        name: ((mistake.magnitude - size) / sd) ** 2 for name, size in sizes.items() if size != 0.0
    }
    likely = sorted((square, name) for name, square in miss.items() if square <= ALIKE**2)
    if not likely:
        return mistake
    least, name = likely[0]
    others = tuple(
        RivalCause(other, "", mistake.points, mistake.statistic, square - least > NOT_SURE)
        for square, other in likely[1:]
    )
    return replace(mistake, kind=name, rivals=(*others, *mistake.rivals))


def _rivals(solved: Solved, link: Links, size: FloatArray) -> tuple[RivalCause, ...]:
    """Name the other links that would explain the same misfit, by putting ``link`` back.

    It is put back at what the site expects of it.
    """
    case, calm = solved.case, without_gross(solved.network)
    count = len(calm.links.kind)
    put = calm.links.joined(link)
    start = replace(calm.start, gross_link=np.zeros(len(put.kind), dtype=np.bool_))
    network, adjustment = settled_fit(
        replace(calm, links=put, start=start), case, lambda left: job_frame(case, left)
    )
    network = without_gross(network)
    evidence = gather(network, adjustment, solved.reduction.pointings)
    runs = list(single_runs(Subjects(case.shots, case.setups, case.points, evidence)))
    added = [n for n, run in enumerate(runs) if adjustment.problem.links[run.links[0]] >= count]
    if not added:
        return ()
    tested = stack(evidence, runs)
    pull, statistic = tested.cross(tested.index(added)) @ size, np.zeros(len(runs))
    for group in tested.alike:
        for number, block in zip(group.numbers.tolist(), group.block, strict=True):
            statistic[number] = _explained(block, pull[tested.span[number]])
    best = float(statistic[added[0]])
    statistic[added] = 0.0
    order = np.argsort(-statistic, kind="stable")[:4]
    return tuple(
        RivalCause(
            runs[n].kind,
            "",
            runs[n].points,
            float(statistic[n] ** 0.5),
            separable=bool(best - statistic[n] > INSEPARABLE),
        )
        for n in order.tolist()
        if statistic[n] > WORTH_NAMING * best
    )


def _explained(block: FloatArray, pull: FloatArray) -> float:
    """Return what a link explains that is pulled so far, 0 where nothing checks it."""
    if len(pull) == 1:
        return float(pull[0] ** 2 / block[0, 0]) if block[0, 0] > UNCHECKED else 0.0
    return float(pull @ np.linalg.pinv(block, rcond=UNCHECKED, hermitian=True) @ pull)
