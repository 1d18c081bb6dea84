"""What is said of a site does not hang on which of its points was shot first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import Survey
from tests.simulate.mistakes import target_height
from tests.ties.evidence import check
from tests.ties.jobs import simulated_yard
from tieup.ties.rule_measures import MEASURES
from tieup.ties.site_answer import crew_answer
from tieup.ties.tie_checks import Checks
from tieup.write.ties_screen import ties_text


def day() -> Survey:
    """Return a day at the yard on which S3 had a wrong pole height at CP5."""
    survey = simulated_yard(14)
    return target_height(survey, survey.rows("S3", "CP5"), 0.060)


def numbered_first(survey: Survey, name: str) -> Survey:
    """Return the survey with a point as number 0, all others behind it backwards."""
    points = (name, *(other for other in survey.points[::-1] if other != name))
    number = np.array([points.index(other) for other in survey.points])
    return replace(
        survey, points=points, shots=replace(survey.shots, point=number[survey.shots.point])
    )


def told(checks: Checks) -> tuple[str, dict[str, dict[str, float]]]:
    """Return the crew's screen, and what every rule measures by its subject."""
    answer = crew_answer(checks, title="Yard", length_unit="m", angle_unit="dms")
    found = {name: measure(checks.evidence) for name, measure in MEASURES.items()}
    table = {
        name: {
            "-".join(sorted(subject.split("-"))) if "ellipse" in name else subject: value
            for subject, value in zip(one.subject, one.value.tolist(), strict=True)
        }
        for name, one in found.items()
    }
    return ties_text(answer, 120, 200), table


@pytest.fixture(scope="module")
def plain() -> tuple[str, dict[str, dict[str, float]]]:
    """Return what is told as the points were shot."""
    return told(check(day()))


@pytest.mark.parametrize("name", ["CP3", "CP5", "W1", "127"])
def test_the_first_point_is_like_any_other(name: str, plain) -> None:
    """A mark under a setup, the mark that fails, a shared point of a string, an end of one.

    The screen is the same text. Measures agree but for rounding: 1e-6 m, rad or of a ratio.
    """
    screen, table = told(check(numbered_first(day(), name)))
    assert screen == plain[0]
    for measure, values in table.items():
        expected = plain[1][measure]
        if measure.startswith("loop"):  # of several short walks round, others may be taken
            continue
        assert values == pytest.approx(expected, abs=1e-6, nan_ok=True), measure
