"""One job of many: what came of it, in the few numbers of one line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tieup.model.answer import FAILS, TIED, UNPROVED
from tieup.sentences import counted

ERROR = "error"  # instead of a verdict: it could not be read, solved or written
FALLEN = "falls do not pass"  # of a site that ties
WORST_FIRST = (FAILS, ERROR, UNPROVED, FALLEN, TIED)


@dataclass(frozen=True)
class JobRows:
    """The rows of a job for the tables of an archive, by the names of its own files.

    ``job`` is one row, ``findings`` are as in findings.json, ``ties`` the columns of ties.csv
    as they are printed.
    """

    job: Mapping[str, Any]
    findings: Sequence[Mapping[str, Any]] = ()
    ties: Mapping[str, Sequence[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class ArchivedJob:
    """What came of one job.

    ``name`` is its folder as it was called, ``verdict`` that of its run, or `ERROR`: then
    ``problems`` say why, and ``status`` is what a run of this job alone exits with. ``skipped``:
    its results were there and nothing had changed. ``failing`` counts the ties that fail,
    ``stops`` and ``checks`` the findings to settle and to check, ``held_back`` the files for
    other programs that were asked for and not written. ``rows`` are for the tables, if wanted.
    """

    name: str
    status: int
    verdict: str
    problems: tuple[str, ...] = ()
    skipped: bool = False
    setups: int = 0
    points: int = 0
    ties: int = 0
    failing: int = 0
    stops: int = 0
    checks: int = 0
    held_back: int = 0
    rows: JobRows | None = None

    @property
    def word(self) -> str:
        """Return its result in a word or two, one of `WORST_FIRST`.

        >>> ArchivedJob("a", 1, TIED).word, ArchivedJob("b", 0, TIED).word
        ('falls do not pass', 'ties')
        """
        return FALLEN if self.verdict == TIED and self.status else self.verdict

    @property
    def reason(self) -> str:
        """Return why there is no result, in one line; empty where there is one.

        >>> ArchivedJob("a", 2, ERROR, ("a.csv:3: no\\n number", "a.csv:4: too")).reason
        'a.csv:3: no number (and 1 more problem)'
        """
        if not self.problems:
            return ""
        first, rest = " ".join(self.problems[0].split()), len(self.problems) - 1
        return f"{first} (and {counted(rest, 'more problem')})" if rest else first
