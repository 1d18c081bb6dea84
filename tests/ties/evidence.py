"""A simulated survey with every check of the room run on it."""

from __future__ import annotations

from tests.simulate import Survey
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.pointings import examine_pointings
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.model.settings import Tolerances
from tieup.ties.rule_evidence import RuleEvidence
from tieup.ties.tie_checks import CheckedSolution, Checks, check_site


def solution_of(survey: Survey) -> CheckedSolution:
    """Solve a survey, held to control and minimally constrained."""
    reduction = reduction_of(survey)
    network, sights = network_of(survey, reduction), reduction.sights
    held = adjust(network, survey.precision, survey.refraction, held_frame(network))
    minimal = None
    if survey.control is not None:
        minimal = adjust(network, survey.precision, survey.refraction, minimal_frame(network))
    return CheckedSolution(
        held=held,
        minimal=minimal,
        shots=survey.fieldbook.shots,
        sights=sights,
        pointings=reduction.pointings,
        tests=examine_pointings(held, sights, reduction.pointings),
        precision=survey.precision,
        refraction=survey.refraction,
        confidence=0.95,
    )


def check(survey: Survey, limits: Tolerances | None = None) -> Checks:
    """Run every check on a survey, against the limits of paving unless told otherwise."""
    return check_site(solution_of(survey), limits or Tolerances())


def gather(survey: Survey) -> RuleEvidence:
    """Return what rules look at."""
    return check(survey).evidence
