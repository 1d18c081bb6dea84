"""The quantities that rules may name, in SI. To add one: a function and its line here."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tieup.reduce.measured import Measured
from tieup.reduce.quantities import QUANTITIES
from tieup.ties import setup_measures as setups
from tieup.ties import site_measures as site
from tieup.ties.rule_evidence import RuleEvidence

MEASURES: Mapping[str, Callable[[RuleEvidence], Measured]] = {
    # its raw rows, as an audit has them
    **QUANTITIES,
    # how each setup stands
    "ties_sighted": setups.ties_sighted,
    "control_sighted": setups.control_sighted,
    "tie_spread": setups.tie_spread,
    "two_mark_angle": setups.two_mark_angle,
    "work_sight_length": setups.work_sight_length,
    "control_sight_length": setups.control_sight_length,
    "setup_sd_plan": setups.setup_sd_plan,
    "setup_sd_height": setups.setup_sd_height,
    "caught_plan": setups.caught_plan,
    "caught_height": setups.caught_height,
    "least_redundancy": setups.least_redundancy,
    # each setup against itself
    "drift_direction": setups.drift_direction,
    "backsight_distance": setups.backsight_distance,
    "backsight_height": setups.backsight_height,
    # the fit
    "standardised_residual": site.standardised_residual,
    "fit_excess": site.fit_excess,
    "control_fit_plan": site.control_fit_plan,
    "control_fit_height": site.control_fit_height,
    "tie_plan": site.tie_plan,
    "tie_height": site.tie_height,
    "joint_plan": site.joint_plan,
    "joint_height": site.joint_height,
    "marks_in_common": site.marks_in_common,
    # precision and closure of the whole
    "relative_ellipse": site.relative_ellipse,
    "control_relative_ellipse": site.control_relative_ellipse,
    "mark_ellipse": site.mark_ellipse,
    "mark_height_interval": site.mark_height_interval,
    "loop_ratio": site.loop_ratio,
    "loop_turn": site.loop_turn,
    "loop_height": site.loop_height,
    "control_spacing": site.control_spacing,
    "instrument_distance_constant": site.instrument_distance_constant,
    "instrument_distance_ppm": site.instrument_distance_ppm,
}
