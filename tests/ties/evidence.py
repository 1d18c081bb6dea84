"""All that rules look at, gathered from one simulated survey."""

from __future__ import annotations

from tests.simulate import Survey
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.distributions import global_test
from tieup.adjust.pointings import examine_pointings
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.ties.backsights import closings
from tieup.ties.closures import find_closures
from tieup.ties.control import control_test
from tieup.ties.evidence import Evidence
from tieup.ties.geometry import setup_geometry
from tieup.ties.joints import string_joints
from tieup.ties.marks import mark_ties
from tieup.ties.pairs import pair_steps
from tieup.ties.visits import find_visits


def gather(survey: Survey) -> Evidence:
    """Solve a survey and run every check of the room on it."""
    reduction = reduction_of(survey)
    network, sights, shots = network_of(survey, reduction), reduction.sights, survey.shots
    held = adjust(network, survey.precision, survey.refraction, held_frame(network))
    control = None
    if survey.control is not None:
        minimal = adjust(network, survey.precision, survey.refraction, minimal_frame(network))
        control = control_test(held, minimal)
    ties = mark_ties(held)
    sight = reduction.pointings.sight
    visits = find_visits(shots, reduction.pointings, sights)
    tests = examine_pointings(held, sights, reduction.pointings)
    return Evidence(
        adjustment=held,
        precision=survey.precision,
        fit=global_test(tests.weighted_sum, tests.dof, 0.05),
        ties=ties,
        geometry=setup_geometry(held, ties),
        pairs=pair_steps(held),
        joints=string_joints(
            held, shots.string, sights.setup[sight], sights.point[sight], shots.time
        ),
        visits=visits,
        closings=closings(visits, shots.role, survey.precision),
        closures=find_closures(held, sights, survey.refraction),
        control=control,
        w=tests.w,
        w_setup=shots.setup,
    )
