"""The one answer to "does the site tie": screens, page, run.json and exit status follow it.

A site ties where every setup and every joint is proved and no tie lies beyond its limit. It
does not tie where something fails or a mistake must be settled first. Anything between is not
proved, and never called good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.adjust.distributions import GlobalTest
from tieup.model.answer import UNPROVED, JointAnswer, SetupAnswer, SiteVerdict
from tieup.model.finding import Finding
from tieup.ties.verdicts import FAILS, LOOSE, TIES, Judgement

Part = SetupAnswer | JointAnswer

NAMED = 4  # names written out before "and n more"
STOP, CHECK = "stop", "check"


def site_verdict(
    ties: Judgement,
    setups: Sequence[SetupAnswer],
    joints: Sequence[JointAnswer],
    findings: Sequence[Finding],
) -> SiteVerdict:
    """Return the verdict of a site with its reasons, the worst first."""
    parts: list[Part] = [*setups, *joints]
    count = int((ties.verdict == FAILS).sum())
    stops = sum(finding.severity == STOP for finding in findings)
    wrong = [part for part in parts if part.verdict == FAILS]
    unproved = tuple(_unproved(ties, [part for part in parts if part.verdict not in (TIES, FAILS)]))
    checks = sum(finding.severity == CHECK for finding in findings)
    look = (f"{checks:,} to check",) if checks else ()
    if not (count or stops or wrong):
        return SiteVerdict(UNPROVED if unproved else TIES, (*unproved, *look))
    reasons = (
        f"{count:,} of {_ties(len(ties.verdict))} fail" if count else "",
        f"{stops:,} to settle before use" if stops else "",
        *(() if count else _by_reason(wrong)),  # the ties of most of them say it already
        *unproved,
        *look,
    )
    return SiteVerdict(FAILS, tuple(reason for reason in reasons if reason))


def levels_verdict(fit: GlobalTest, findings: Sequence[Finding]) -> SiteVerdict:
    """Return the verdict of a job of levels alone: proved where they close as well as stated."""
    stops = sum(finding.severity == STOP for finding in findings)
    if stops:
        return SiteVerdict(FAILS, (f"{stops:,} to settle before use",))
    if fit.passed is None:
        return SiteVerdict(UNPROVED, ("nothing checks the levels; close a loop",))
    if fit.statistic > fit.upper:
        return SiteVerdict(UNPROVED, ("the levels close worse than they are stated to",))
    checks = sum(finding.severity == CHECK for finding in findings)
    return SiteVerdict(TIES, (f"{checks:,} to check",) if checks else ())


def _unproved(ties: Judgement, parts: Sequence[Part]) -> Iterator[str]:
    """Say what is not shown to be right: ties, then ``parts``, the setups and joints it holds for.

    >>> none = np.zeros(0, dtype=object)
    >>> list(_unproved(Judgement(none, none, none, none), []))
    ['no setup shares a mark with another or with control']
    """
    total, all_ties = len(ties.verdict), _ties(len(ties.verdict))
    beyond = int(((ties.plan == LOOSE) | (ties.height == LOOSE)).sum())
    if beyond:
        yield (
            f"{beyond:,} of {all_ties} beyond the limit, by no more than the gear scatters: shoot "
            "again to prove it"
        )
    if not total:
        yield "no setup shares a mark with another or with control"
    elif not beyond and not np.isin(ties.verdict, (TIES, FAILS)).any():
        yield f"none of {all_ties} can be proved within the limits with this gear"
    yield from _by_reason(parts)


def _by_reason(parts: Sequence[Part]) -> Iterator[str]:
    """Give each reason once, behind the names it holds for: the one of most names first."""
    names: dict[str, list[str]] = {}
    for part in parts:
        names.setdefault(part.words, []).append(part.name)
    for words, own in sorted(names.items(), key=lambda item: -len(item[1])):
        yield f"{listed(own)}: {words}"


def listed(names: Sequence[str]) -> str:
    """Return names in a row, the first few of many.

    >>> listed(["S1", "S2", "S3", "S4", "S5", "S6"])
    'S1, S2, S3, S4 and 2 more'
    """
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _ties(count: int) -> str:
    return "1 tie" if count == 1 else f"{count:,} ties"
