"""All kinds of mistakes, and what each of them is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.axis_tilt import AXIS_TILT
from tieup.diagnose.kinds.basis_of_bearings import BASIS_OF_BEARINGS
from tieup.diagnose.kinds.control_coordinate import CONTROL_COORDINATE
from tieup.diagnose.kinds.distance_settings import DISTANCE_SCALE, PRISM_CONSTANT
from tieup.diagnose.kinds.kind import Kind
from tieup.diagnose.kinds.link_mistakes import LEVEL_METRE, LEVEL_SIGN, LINKS
from tieup.diagnose.kinds.mark_moved import MARK_MOVED
from tieup.diagnose.kinds.misread import (
    ANGLE_UNIT,
    DISTANCE_UNIT,
    MIRRORED_CIRCLE,
    VERTICAL_ANGLE_KIND,
)
from tieup.diagnose.kinds.movements import INSTRUMENT_MOVED, INSTRUMENT_SETTLED, SETUP_REUSED
from tieup.diagnose.kinds.name_collision import NAME_COLLISION
from tieup.diagnose.kinds.occupations import INSTRUMENT_HEIGHT, STATION_NAME
from tieup.diagnose.kinds.point_name import BACKSIGHT, POINT_NAME
from tieup.diagnose.kinds.readings import (
    AZIMUTH_READING,
    DIRECTION_READING,
    DISTANCE_READING,
    FACE,
    LEVEL_DISTANCE_READING,
    ZENITH_READING,
)
from tieup.diagnose.kinds.string_step import STEP
from tieup.diagnose.kinds.swapped_axes import SWAPPED_AXES
from tieup.diagnose.kinds.swapped_names import SWAPPED_NAMES
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT
from tieup.diagnose.kinds.vertical_index import VERTICAL_INDEX

KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        # In the order in which their hypotheses are asked about.
        DIRECTION_READING,
        ZENITH_READING,
        DISTANCE_READING,
        AZIMUTH_READING,
        LEVEL_DISTANCE_READING,
        TARGET_HEIGHT,
        POINT_NAME,
        INSTRUMENT_HEIGHT,
        STATION_NAME,
        PRISM_CONSTANT,
        DISTANCE_SCALE,
        INSTRUMENT_MOVED,
        INSTRUMENT_SETTLED,
        VERTICAL_INDEX,
        AXIS_TILT,
        CONTROL_COORDINATE,
        MARK_MOVED,
        BASIS_OF_BEARINGS,
        *LINKS,
        # What is found in another way.
        LEVEL_SIGN,
        LEVEL_METRE,
        FACE,
        BACKSIGHT,
        SWAPPED_NAMES,
        DISTANCE_UNIT,
        MIRRORED_CIRCLE,
        ANGLE_UNIT,
        VERTICAL_ANGLE_KIND,
        SWAPPED_AXES,
        NAME_COLLISION,
        SETUP_REUSED,
        STEP,
    )
}
"""Every kind by its name."""


def kind_of(found: Mistake | Hypothesis) -> Kind:
    """Return the kind of a mistake or of a hypothesis."""
    return KINDS[found.kind]


def all_hypotheses(subjects: Subjects) -> tuple[Hypothesis, ...]:
    """Return every mistake that the tested rows could show."""
    families = dict.fromkeys(kind.family for kind in KINDS.values() if kind.family is not None)
    return tuple(hypothesis for family in families for hypothesis in family(subjects))


def taken_out(case: Case, mistake: Mistake) -> Case:
    """Return the case without what a mistake contaminates.

    Nothing is corrected: readings are left out, a doubted height or control value counts as
    not known, a mark or a setup that moved becomes two. What is in all readings alike stays
    in and is reported: leaving it out would leave nothing.
    """
    return kind_of(mistake).taken_out(case, mistake)


def stays_in(mistake: Mistake) -> bool:
    """Say whether nothing is left out for a mistake."""
    return kind_of(mistake).stays_in(mistake)


def measured(solved: Solved, mistake: Mistake) -> Mistake:
    """Return the mistake with size, covariance and statistic from the final solution."""
    return kind_of(mistake).measured(solved, mistake)


def clause(kind: str, setup: str, points: Sequence[str]) -> str:
    """Return what happened, as a clause.

    >>> clause("mark-moved", "", ("CP5",)), clause("target-height", "S2", ("CP4",))
    ('CP5 moved', 'the pole height from S2 to CP4 is wrong')
    """
    return KINDS[kind].clause(setup, points)


def thing(hypothesis: Hypothesis) -> str:
    """Return what could be wrong, as a noun with its place, for "a mistake in the ..."."""
    return kind_of(hypothesis).thing(hypothesis.setup, hypothesis.points)
