"""What has an equal is never stated as a fact, and the doubt is said once."""

from __future__ import annotations

import numpy as np

from tests.simulate.looking import clean
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.decisions.decided_words import BEYOND, kept_finding
from tieup.diagnose.decisions.report import Reporter
from tieup.model.decision import Decision

CANNOT_TELL = "the readings cannot tell"


def _mistake(kind: str, points: tuple[str, ...], rival: RivalCause) -> Mistake:
    return Mistake(
        kind, "S2", points, np.array([0]), (1,), "m",
        size=np.array([0.1]), covariance=np.eye(1), statistic=30.0, rivals=(rival,),
    )  # fmt: skip


def _reporter() -> Reporter:
    return Reporter(clean().fieldbook, Phrases("m"))


def test_the_strongest_equal_stands_in_the_finding() -> None:
    """A pole height or a moved mark: said in the first sentence and as a clause of its own."""
    rival = RivalCause("mark-moved", "", ("CP4",), 30.0, separable=False)
    finding = _reporter().finding(_mistake("target-height", ("CP4",), rival))
    assert finding.doubt == "CP4 moved"
    assert f"or CP4 moved: {CANNOT_TELL}" in finding.says


def test_what_the_data_tell_apart_is_no_doubt() -> None:
    """A rival that the readings speak against is not named."""
    rival = RivalCause("mark-moved", "", ("CP4",), 9.0, separable=True)
    finding = _reporter().finding(_mistake("target-height", ("CP4",), rival))
    assert not finding.doubt and CANNOT_TELL not in finding.says


def test_a_doubt_that_the_words_hold_already_is_not_said_twice() -> None:
    """Names swapped in S2 or in S3: one clause says that nobody can tell in which."""
    rival = RivalCause("swapped-names", "S3", ("T5", "T6"), np.nan, separable=False)
    finding = _reporter().finding(_mistake("swapped-names", ("T5", "T6"), rival))
    assert finding.says.count(CANNOT_TELL) == 1
    assert "S2 or S3" in finding.says and finding.doubt


def test_what_is_kept_keeps_its_doubt() -> None:
    """Kept beyond the limits it still must be settled, and still may be the other thing."""
    rival = RivalCause("mark-moved", "", ("CP4",), 30.0, separable=False)
    mistake = _mistake("target-height", ("CP4",), rival)
    decision = Decision("keep", "F-1", {}, {}, "", "office", "seen", 3)
    finding = kept_finding(_reporter(), mistake, decision, BEYOND)
    assert f"or CP4 moved: {CANNOT_TELL}. Kept" in finding.says
