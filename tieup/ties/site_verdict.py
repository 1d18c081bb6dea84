"""The one answer to "does the site tie": screens, page, run.json and exit status follow it.

A site ties where every setup and every joint is proved and nothing is out of the ordinary. It
does not tie where something fails or a mistake must be settled first. Anything between is not
proved, and never called good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tieup.adjust.distributions import GlobalTest
from tieup.model.answer import FAILS, TIED, UNPROVED, JointAnswer, SetupAnswer, SiteVerdict
from tieup.model.finding import CHECK, NOTICED, STOP, Finding
from tieup.sentences import counted, listed
from tieup.ties.verdicts import Judgement

Part = SetupAnswer | JointAnswer

NAMED = 4  # names written out before "and n more"


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
    open_ = [part for part in parts if part.verdict not in (TIED, FAILS)]
    unproved = tuple(_unproved(ties, open_, findings))
    checks = sum(finding.severity == CHECK for finding in findings)
    look = (f"{checks:,} to check",) if checks else ()
    if not (count or stops or wrong):
        return SiteVerdict(UNPROVED if unproved else TIED, (*unproved, *look))
    reasons = (
        f"{count:,} of {counted(len(ties.verdict), 'tie')} fail" if count else "",
        f"{stops:,} to settle before use" if stops else "",
        *(() if count else _by_reason(wrong)),  # the ties of most of them say it already
        *unproved,
        *look,
    )
    return SiteVerdict(FAILS, tuple(reason for reason in reasons if reason))


def lists_verdict(fit: GlobalTest, findings: Sequence[Finding], what: str) -> SiteVerdict:
    """Return the verdict of a job of levels or baselines alone: do they close as well as stated?

    ``what`` names them.
    """
    stops = sum(finding.severity == STOP for finding in findings)
    if stops:
        return SiteVerdict(FAILS, (f"{stops:,} to settle before use",))
    if fit.passed is None:
        return SiteVerdict(UNPROVED, (f"nothing checks the {what}; close a loop",))
    if fit.statistic > fit.upper:
        return SiteVerdict(UNPROVED, (f"the {what} close worse than they are stated to",))
    checks = sum(finding.severity == CHECK for finding in findings)
    return SiteVerdict(TIED, (f"{checks:,} to check",) if checks else ())


def _unproved(ties: Judgement, parts: Sequence[Part], findings: Sequence[Finding]) -> Iterator[str]:
    """Say what is not shown to be right: ``parts`` are the setups and joints it holds for.

    >>> import numpy as np
    >>> none = np.zeros(0, dtype=object)
    >>> list(_unproved(Judgement(none, none, none, none), [], []))
    ['no setup shares a mark with another or with control']
    """
    noticed = sum(finding.grade == NOTICED for finding in findings)
    if noticed:
        yield f"{noticed:,} out of the ordinary: shoot {'it' if noticed == 1 else 'them'} again"
    if not len(ties.verdict):
        yield "no setup shares a mark with another or with control"
    yield from _by_reason(parts)


def _by_reason(parts: Sequence[Part]) -> Iterator[str]:
    """Give each reason once, behind the names it holds for: the one of most names first."""
    names: dict[str, list[str]] = {}
    for part in parts:
        names.setdefault(part.words, []).append(part.name)
    for words, own in sorted(names.items(), key=lambda item: -len(item[1])):
        yield f"{listed(own, NAMED)}: {words}"
