"""Turn a simulated survey into a case, without files."""

from __future__ import annotations

import numpy as np

from tests.simulate import Survey
from tieup.diagnose.basis.case import Case, complete_points
from tieup.model.network import Links
from tieup.model.settings import Datum, Precision

NO_LINKS = Links(
    np.zeros(0, dtype=object),
    np.zeros(0, dtype=np.int64),
    np.zeros(0, dtype=np.int64),
    np.zeros(0),
    np.zeros(0),
)


def case_of(survey: Survey, precision: Precision | None = None) -> Case:
    """Return the case of all rows of a survey, as the pipeline would make it."""
    book = survey.fieldbook
    control = survey.control
    return Case(
        shots=book.shots,
        setups=book.setups,
        points=complete_points(book.points, book.setups, control),
        use=np.repeat(~book.shots.repeated[:, None], 3, axis=1),
        control=control,
        given=control,
        booked=book.setups,
        links=NO_LINKS,
        precision=(precision or survey.precision).with_targets_standing(),
        datum=Datum("control" if control is not None else "free"),
        refraction=0.13,
    )
