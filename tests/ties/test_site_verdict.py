"""The one answer of a site: what makes it tie, fail or stay unproved, and its reasons in order."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tieup.adjust.distributions import GlobalTest
from tieup.model.answer import JointAnswer, SetupAnswer, SiteVerdict
from tieup.model.finding import Finding
from tieup.ties.site_verdict import lists_verdict, site_verdict
from tieup.ties.verdicts import Judgement

STOP, CHECK, NOTE = (Finding("distance", severity, "S1") for severity in ("stop", "check", "note"))
ODD = replace(CHECK, grade="noticed")


def setup(name: str, verdict: str = "ties", words: str = "", over: str = "") -> SetupAnswer:
    """Return a setup's answer."""
    return SetupAnswer(name, over, 0.001, "A", 0.001, "A", verdict, words)


def joint(first: str, second: str, verdict: str = "ties", words: str = "") -> JointAnswer:
    """Return a joint's answer."""
    return JointAnswer(first, second, 0.001, 0.001, 0.001, "A", (), verdict, words)


def answer(ties: list[str], parts: list[SetupAnswer | JointAnswer], *findings: Finding):
    """Return word and reasons of a site of these ties, setups and joints."""
    told = np.array(ties, dtype=object)
    found = site_verdict(
        Judgement(told, told, told, told),
        [part for part in parts if isinstance(part, SetupAnswer)],
        [part for part in parts if isinstance(part, JointAnswer)],
        findings,
    )
    return found.word, found.reasons


GOOD = [setup("S1"), setup("S2"), joint("S1", "S2")]
SHORT = "known to 9 mm in plan only"
OFF = "all of it high"


@pytest.mark.parametrize(
    ("ties", "parts", "findings", "word", "reasons"),
    [
        (["ties"], GOOD, (), "ties", ()),
        (["ties"], GOOD, (NOTE,), "ties", ()),
        # what a person may look at does not stop a site
        (["ties", "untested"], GOOD, (CHECK, CHECK), "ties", ("2 to check",)),
        (["ties"], GOOD, (STOP,), "fails", ("1 to settle before use",)),
        (["ties"], GOOD, (STOP, CHECK), "fails", ("1 to settle before use", "1 to check")),
        # one out of the ordinary is not proved; it is to check as well
        (
            ["ties"],
            GOOD,
            (ODD,),
            "unproved",
            ("1 out of the ordinary: shoot it again", "1 to check"),
        ),
        (
            ["ties"],
            GOOD,
            (ODD, ODD),
            "unproved",
            ("2 out of the ordinary: shoot them again", "2 to check"),
        ),
        ([], [], (), "unproved", ("no setup shares a mark with another or with control",)),
        (["fails", "ties", "fails"], GOOD, (), "fails", ("2 of 3 ties fail",)),
        # a setup that is off says so, unless failing ties say it already
        (["ties"], [setup("S1", "fails", OFF, "CP1")], (), "fails", (f"S1 over CP1: {OFF}",)),
        (["fails"] * 2, [setup("S1", "fails", OFF)], (), "fails", ("2 of 2 ties fail",)),
        (
            ["fails", "fails", "ties"],
            [setup("S1", "fails", OFF), joint("S1", "S2", "unproved", SHORT)],
            (STOP, ODD),
            "fails",
            (
                "2 of 3 ties fail",
                "1 to settle before use",
                "1 out of the ordinary: shoot it again",
                f"S1-S2: {SHORT}",
                "1 to check",
            ),
        ),
        # one reason for many is said once, that of most names first
        (
            ["ties"],
            [
                setup("S1", "unproved", "it has no shots"),
                setup("S2", "unproved", SHORT),
                setup("S3", "untested", SHORT),
                joint("S1", "S2"),
            ],
            (),
            "unproved",
            (f"S2, S3: {SHORT}", "S1: it has no shots"),
        ),
        (
            ["ties"],
            [setup(f"S{n}", "unproved", SHORT) for n in range(1, 7)],
            (),
            "unproved",
            (f"S1, S2, S3, S4 and 2 more: {SHORT}",),
        ),
    ],
)
def test_the_answer_of_a_site(ties, parts, findings, word, reasons) -> None:
    """Worked by hand: ties only where all is proved and nothing is out of the ordinary."""
    assert answer(ties, parts, *findings) == (word, reasons)
    assert SiteVerdict(word, reasons).status == (0 if word == "ties" else 1)


PASSED = GlobalTest(8.0, 8, 2.2, 17.5, True, 1.0)


@pytest.mark.parametrize(
    ("fit", "findings", "word", "reasons"),
    [
        (PASSED, (), "ties", ()),
        (PASSED, (NOTE,), "ties", ()),
        (PASSED, (CHECK, CHECK), "ties", ("2 to check",)),
        (PASSED, (STOP, CHECK), "fails", ("1 to settle before use",)),
        # they close better than stated: no harm
        (replace(PASSED, statistic=1.0, passed=False), (), "ties", ()),
        (
            replace(PASSED, statistic=17.6, passed=False),
            (CHECK,),
            "unproved",
            ("the level runs close worse than they are stated to",),
        ),
        (
            GlobalTest(0.0, 0, math.nan, math.nan, None, math.nan),
            (),
            "unproved",
            ("nothing checks the level runs; close a loop",),
        ),
        (
            GlobalTest(0.0, 0, math.nan, math.nan, None, math.nan),
            (STOP,),
            "fails",
            ("1 to settle before use",),
        ),
    ],
)
def test_the_answer_of_lists_alone(fit, findings, word, reasons) -> None:
    """Levels or baselines without setups: do they close as well as stated?"""
    found = lists_verdict(fit, findings, "level runs")
    assert (found.word, found.reasons) == (word, reasons)
