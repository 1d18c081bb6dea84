"""The words of single mistakes: the right thing in its size, as a surveyor would say it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import random_site, simulate
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.kinds.catalogue import kind_of
from tieup.model.settings import Precision, Tolerances

METRES = Phrases("m")
SECOND = np.pi / 648000.0  # rad


def mistake(kind: str, *size: float, unit: str = "m", **others: object) -> Mistake:
    """Return a mistake of setup S1 at CP1, 1 mm sure in each size."""
    given = {"setup": "S1", "points": ("CP1",), "rows": np.array([0]), "kinds": (0,), **others}
    covariance = np.eye(len(size)) * 1e-6
    return Mistake(kind=kind, unit=unit, size=np.array(size), covariance=covariance, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (mistake("instrument-moved", 0.003, 0.0, 0.004, 20 * SECOND),
         "shifted by 5 mm and turned by 20 seconds"),
        (mistake("instrument-moved", 180 * SECOND, unit="rad"), "is turned by 180 seconds"),
        (mistake("zenith", 30 * SECOND, unit="rad"),
         "The zenith angle from setup S1 to CP1 is 30 seconds too large"),
        (mistake("prism-constant", 0.0112, setup="", points=(), statistic=5.0),
         "would fit better with -11.2 mm added"),
        (mistake("point-name"), "The shot from setup S1 to CP1 is not on CP1: another target"),
        (mistake("point-name", 1.0, 2.0, 2.0), "CP1 is 3.000 m away from CP1: another target"),
        (mistake("station-name"), "Setup S1 did not stand over CP1"),
        (mistake("station-name", 3.0, 4.0), "Setup S1 stood 5.000 m away from CP1"),
    ],
)  # fmt: skip
def test_the_words_of_a_mistake(found: Mistake, said: str) -> None:
    """Turns in seconds, shifts in millimetres."""
    assert said in kind_of(found).words(found, METRES).wrong


def test_a_height_that_nobody_booked_is_no_wrong_booking() -> None:
    """In data without any target height the target stood higher; a pole was booked wrong else."""
    rng = np.random.default_rng(1)
    book = simulate(random_site(rng, setups=2), Precision(), rng).fieldbook
    found = mistake("target-height", -0.0043)
    bare = replace(book.shots, target_height=np.zeros(len(book.shots)))
    without = Reporter(replace(book, shots=bare), METRES).finding(found)
    assert "booked 0.0043 m" not in without.says
    assert "the target of the shot to CP1 stood 4.3 mm higher than the height 0" in without.says
    assert "was booked 4.3 mm too small" in Reporter(book, METRES).finding(found).says


@pytest.mark.parametrize(
    ("north", "up", "severity"),
    [(0.004, 0.002, "check"), (0.007, 0.0, "stop"), (0.0, 0.004, "stop")],
)
def test_a_listed_mark_within_the_limits_is_no_stop(north: float, up: float, severity: str) -> None:
    """Limits of 6 mm in plan and 3 mm in height."""
    rng = np.random.default_rng(1)
    book = simulate(random_site(rng, setups=2), Precision(), rng).fieldbook
    reporter = Reporter(book, METRES, limits=Tolerances("own", 0.006, 0.003))
    found = mistake("control-coordinate", north, 0.0, up, setup="", detail="NEH")
    assert reporter.finding(found).severity == severity
