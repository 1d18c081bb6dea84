"""The quantities of raw rows that rules may name, in SI. To add one: a function and its line."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tieup.audit import face_measures as faces
from tieup.audit import file_measures as files
from tieup.audit import height_measures as heights
from tieup.audit import shared_mark_measures as setups
from tieup.audit import unit_measures as units
from tieup.audit.raw_evidence import RawEvidence
from tieup.reduce.measured import Measured
from tieup.reduce.quantities import QUANTITIES

MEASURES: Mapping[str, Callable[[RawEvidence], Measured]] = {
    **QUANTITIES,
    # the files
    "unreadable_rows": files.unreadable_rows,
    "marked_rows": files.marked_rows,
    "repeated_rows": files.repeated_rows,
    "truncated_end": files.truncated_end,
    "steps_back": files.steps_back,
    # the units
    "distance_ratio": units.distance_ratio,
    "packed_digits": units.packed_digits,
    "zenith_median": units.zenith_median,
    # faces and rounds
    "face_conflicts": faces.face_conflicts,
    "control_pointings": faces.control_pointings,
    "direction_scatter": faces.direction_scatter,
    "zenith_scatter": faces.zenith_scatter,
    "distance_scatter": faces.distance_scatter,
    # heights
    "instrument_height": heights.instrument_height,
    "instrument_height_kept": heights.instrument_height_kept,
    "target_height": heights.target_height,
    "target_height_changed": heights.target_height_changed,
    "typed_elevation": heights.typed_elevation,
    # the setups
    "marks_in_sight": setups.marks_in_sight,
    "sight_length": setups.sight_length,
}
