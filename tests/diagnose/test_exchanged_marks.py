"""Two names exchanged in the control list are told beside the mark that then looks wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.proof.disputes import find_disputes
from tieup.diagnose.search.diagnose import diagnose
from tieup.model.settings import Precision, Tolerances


def three_marks(seed: int) -> Case:
    """Return a site of free setups with three known marks, the others as tie points."""
    rng = np.random.default_rng(seed)
    site = random_site(rng, setups=3, kind="free", ties=4, side_shots=3, control="held")
    case = case_of(simulate(site, Precision(), rng))
    control = case.control
    assert control is not None and len(control.names) >= 3
    kept = replace(
        control,
        names=control.names[:3],
        coordinates=control.coordinates[:3],
        sd=control.sd[:3],
        line=control.line[:3],
        notes=control.notes[:3],
    )
    return replace(case, control=kept, given=kept)


def with_plan(case: Case, plan: np.ndarray) -> Case:
    control = case.control
    assert control is not None
    coordinates = np.column_stack([plan, control.coordinates[:, 2]])
    listed = replace(control, coordinates=coordinates)
    return replace(case, control=listed, given=listed)


def exchanged(mistakes: tuple[Mistake, ...]) -> set[tuple[str, ...]]:
    return {
        rival.points
        for one in mistakes
        for rival in one.rivals
        if (rival.kind, rival.setup, rival.separable) == ("swapped-names", "", False)
    }


@pytest.mark.parametrize("seed", range(3))
def test_an_exchange_explains_what_one_wrong_mark_does(seed: int) -> None:
    """The third mark of three looks wrong; the exchange is its rival and all is disputed."""
    case = three_marks(seed)
    assert case.control is not None and not diagnose(case).mistakes
    plan, names = case.control.coordinates[:, :2], case.control.names
    swapped = with_plan(case, plan[[1, 0, 2]])
    diagnosis = diagnose(swapped)
    assert exchanged(diagnosis.mistakes) == {tuple(sorted(names[:2]))}
    found = find_disputes(diagnosis.solved, swapped, diagnosis.mistakes, Tolerances())
    assert len({dispute.point for dispute in found}) > len(names)


@pytest.mark.parametrize("seed", range(3))
def test_a_mark_that_is_wrong_by_metres_is_no_exchange(seed: int) -> None:
    case = three_marks(seed)
    assert case.control is not None
    plan = case.control.coordinates[:, :2].copy()
    plan[2] += [7.0, -4.0]
    diagnosis = diagnose(with_plan(case, plan))
    assert diagnosis.mistakes and not exchanged(diagnosis.mistakes)
