"""Turn mistakes into findings: severity, size in the job's unit, rivals, words."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.kinds.catalogue import clause, kind_of
from tieup.geometry import ARC_SECOND
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import NOTICED, Finding, Rival
from tieup.model.finding_kinds import FindingKind
from tieup.model.link import BookedLink
from tieup.model.settings import Tolerances

WITHIN = "Within the limits, but more than the gear explains. "


@dataclass(frozen=True)
class Reporter:
    """How one job's findings are written: its fieldbook, its length unit, its runs and tapes.

    A listed mark that is off by no more than ``limits`` is nothing to be settled before use.
    """

    fieldbook: Fieldbook
    phrases: Phrases
    links: tuple[BookedLink, ...] = ()
    limits: Tolerances = field(default_factory=Tolerances)

    def lines(self, mistake: Mistake) -> tuple[str, ...]:
        """Return "file:line" of the raw rows of a mistake."""
        shots, files = self.fieldbook.shots, self.fieldbook.files
        if mistake.links:
            return tuple(f"{self.links[n].file}:{self.links[n].line}" for n in mistake.links)
        return tuple(f"{files[shots.file[r]].name}:{shots.line[r]}" for r in mistake.rows)

    def text(self, mistake: Mistake) -> MistakeText:
        """Return the words of a mistake."""
        return kind_of(mistake).text(mistake, self.phrases, self.fieldbook.shots)

    def finding(self, mistake: Mistake) -> Finding:
        """Return the finding of a mistake."""
        text, kind = self.text(mistake), kind_of(mistake)
        factor, unit = self._unit(mistake)
        known, small = len(mistake.size) > 0, kind.within(mistake, self.limits)
        return FindingKind(mistake.kind).found(
            severity="check" if small else _severity(mistake),
            setup=mistake.setup,
            points=mistake.points,
            lines=self.lines(mistake),
            size=mistake.magnitude / factor if known else None,
            unit=unit if known else "",
            sd=mistake.sd / factor if known else None,
            statistic=_stated(mistake.statistic),
            rivals=tuple(
                Rival(r.kind, r.setup, r.points, _stated(r.statistic), r.separable)
                for r in mistake.rivals
            ),
            action="left in" if kind.stays_in(mistake) else kind.action,
            says=f"{WITHIN if small else ''}{_with_rival(mistake, text)}",
            confirm=text.confirm,
            cure=text.cure,
            key=self._key(mistake),
            decidable=True,
            acceptable=bool(text.applied),
            grade=mistake.grade,
            doubt=_doubt(mistake),
        )

    def _unit(self, mistake: Mistake) -> tuple[float, str]:
        if mistake.unit == "rad":
            return ARC_SECOND, "arcsec"
        if mistake.unit == "ratio":
            return 1.0, "ratio"
        if mistake.unit == "1":
            return 1e-6, "ppm"
        return self.phrases.factor, self.phrases.unit

    def _key(self, mistake: Mistake) -> str:
        """Tell apart findings of one kind and subject: by lines, which edits elsewhere keep."""
        if not mistake.detail:
            return self.lines(mistake)[0] if self._one_of_several(mistake) else ""
        if mistake.detail.startswith(("row", "before row", "run")):
            return self.lines(mistake)[0] if len(mistake.rows) else ""
        return mistake.detail

    def _one_of_several(self, mistake: Mistake) -> bool:
        """Say whether a mistake is in some looks of a setup at its mark, and not in the others."""
        if mistake.links or not len(mistake.rows) or len(mistake.points) != 1:
            return False
        shots = self.fieldbook.shots
        row = mistake.rows[0]
        own = (shots.setup == shots.setup[row]) & (shots.point == shots.point[row])
        own &= ~shots.repeated
        return bool(mistake.setup) and not set(np.flatnonzero(own)) <= set(mistake.rows.tolist())


def _stated(statistic: float) -> float | None:
    """Return a statistic, None where there is none."""
    return statistic if np.isfinite(statistic) else None


def _with_rival(mistake: Mistake, text: MistakeText) -> str:
    """Return what a finding says; what has an equal is not stated as a fact."""
    wrong = wrong_or(mistake, text)
    if mistake.grade == NOTICED:
        wrong = f"Out of the ordinary, perhaps no mistake. {wrong}"
    return f"{wrong}; {text.done}." if text.done else f"{wrong}."


def wrong_or(mistake: Mistake, text: MistakeText) -> str:
    """Return what is wrong, and what it may be as well: a clause without a full stop."""
    rival, other = _equal(mistake), _doubt(mistake)
    told = (
        rival is not None
        and rival.kind == mistake.kind
        and rival.setup != mistake.setup
        and names(text.wrong, rival.setup)
    )
    return (
        f"{text.wrong}, or {other}: the readings cannot tell" if other and not told else text.wrong
    )


def names(text: str, label: str) -> bool:
    """Say whether a text names a setup already.

    >>> names("the names were swapped in S2 or S3", "S3"), names("from S31", "S3"), names("", "")
    (True, False, False)
    """
    return bool(label) and re.search(rf"(?<!\w){re.escape(label)}(?!\w)", text) is not None


def _equal(mistake: Mistake) -> RivalCause | None:
    """Return the strongest rival that the readings cannot tell from a mistake."""
    own = (mistake.kind, mistake.setup, mistake.points)
    others = (r for r in mistake.rivals if (r.kind, r.setup, r.points) != own)
    return next((r for r in others if not r.separable), None)


def _doubt(mistake: Mistake) -> str:
    """Return what a mistake may be as well, as a clause; empty where its words say it all."""
    if kind_of(mistake).says_rivals:
        return ""
    rival = _equal(mistake)
    return "" if rival is None else clause(rival.kind, rival.setup, rival.points)


def _severity(mistake: Mistake) -> str:
    """Return stop, less for what is in the whole site alike; a constant within chance is a note.

    What is out of the ordinary and no more is a check.
    """
    if mistake.grade == NOTICED:
        return "check"
    kind = kind_of(mistake)
    if not kind.stays_in(mistake) or mistake.setup:
        return "stop"
    return "note" if kind.weak(mistake) else "check"
