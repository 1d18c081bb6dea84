"""Turn a simulated survey into a case, without files."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.simulate import Survey, random_site, simulate
from tests.simulate.mistakes import plant
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


def a_job(seed: int, **options: Any) -> Survey:
    """Draw a job; the seed varies the number of setups and whether they stand over marks."""
    rng = np.random.default_rng(seed)
    kinds = ("mixed", "free", "occupied")
    wanted: dict[str, Any] = {"setups": 3 + seed % 4, "kind": kinds[seed % 3], "ties": 4}
    return simulate(random_site(rng, **(wanted | options)), Precision(), rng)


def planted(kind: str, seed: int, **options: Any) -> Survey:
    """Draw a job with a mistake of a kind in it."""
    return plant(a_job(seed, **options), kind, np.random.default_rng(seed))
