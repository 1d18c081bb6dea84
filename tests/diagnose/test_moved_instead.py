"""Who saw a mark first or last cannot tell a wrong shot from a mark that moved."""

from __future__ import annotations

from dataclasses import replace

from tests.diagnose.cases import a_job, case_of
from tests.simulate import Survey
from tests.simulate.mistakes import moves
from tests.simulate.mistakes.chance import shared_marks
from tieup.diagnose.basis.case import Case
from tieup.diagnose.kinds.kind import Kind
from tieup.diagnose.kinds.moved_instead import with_moved_mark
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.kinds.readings import DISTANCE_READING
from tieup.diagnose.search.diagnose import diagnose

MOVED = "mark-moved"


def _seen(survey: Survey) -> dict[str, list[str]]:
    """Return the setups that saw each shared mark, in order."""
    seen: dict[str, list[str]] = {}
    for setup in survey.setups:
        for mark in shared_marks(survey, setup.label):
            seen.setdefault(mark, []).append(setup.label)
    return seen


def _case() -> tuple[Case, str, tuple[str, ...]]:
    """Return a day of free setups, a mark of it, and the setups that saw the mark in order."""
    survey = a_job(1, setups=5, kind="free")
    seen = _seen(survey)
    mark = max(seen, key=lambda name: len(seen[name]))
    return replace(case_of(survey), given=None), mark, tuple(seen[mark])


def _rivals(case: Case, kind: Kind, setup: str, mark: str) -> list[str]:
    number, own = case.points.index(mark), case.setup_number(setup)
    rows = ((case.shots.point == number) & (case.shots.setup == own)).nonzero()[0]
    return [r.kind for r in with_moved_mark(case, kind.mistake(setup, (mark,), rows)).rivals]


def test_the_first_and_the_last_look_may_be_a_move() -> None:
    """Those in between may not: who came later saw the mark where it was before."""
    case, mark, seen = _case()
    assert len(seen) > 2
    told = {setup: _rivals(case, POINT_NAME, setup, mark) for setup in seen}
    assert told[seen[0]] == told[seen[-1]] == [MOVED]
    assert not any(told[setup] for setup in seen[1:-1])


def test_a_reading_alone_is_no_move_but_a_rival_of_it_may_be() -> None:
    """A mark does not move along the line of sight only; what the readings share is asked about."""
    case, mark, seen = _case()
    assert not _rivals(case, DISTANCE_READING, seen[-1], mark)
    shot = POINT_NAME.rival(seen[-1], (mark,), 9.0)
    rows = (case.shots.point == case.points.index(mark)).nonzero()[0]
    wrong = replace(DISTANCE_READING.mistake(seen[-1], (mark,), rows), rivals=(shot,))
    assert not with_moved_mark(case, wrong).rivals[1:]  # no rows: when it was seen is not known
    own = rows[case.shots.setup[rows] == case.setup_number(seen[-1])]
    known = replace(shot, cause=POINT_NAME.mistake(seen[-1], (mark,), own))
    wrong = replace(wrong, rivals=(known,))
    assert [r.kind for r in with_moved_mark(case, wrong).rivals] == ["point-name", MOVED]
    apart = replace(wrong, rivals=(replace(known, separable=True),))
    assert len(with_moved_mark(case, apart).rivals) == 1


def test_a_mark_that_the_list_holds_did_not_lie_elsewhere_before() -> None:
    """Who saw a listed mark first differs with the list, and with those who came later."""
    survey = a_job(1, setups=5, kind="free")
    case, mark, seen = _case()
    assert survey.control is not None
    coordinates = survey.control.coordinates[:1]
    listed = replace(case, given=replace(survey.control, names=(mark,), coordinates=coordinates))
    assert not _rivals(listed, POINT_NAME, seen[0], mark)
    assert _rivals(listed, POINT_NAME, seen[-1], mark) == [MOVED]


def test_a_move_between_two_looks_is_named_or_a_rival() -> None:
    """Of two setups that saw a mark none can say whether it moved; the finding says so."""
    days = 0
    for seed in range(8):
        survey = a_job(seed, setups=4, kind="free")
        listed = survey.control.names if survey.control else ()
        seen = _seen(survey)
        twice = [mark for mark, by in seen.items() if len(by) == 2 and mark not in listed]
        for mark in twice[:1]:
            days += 1
            moved = moves.mark_moved(survey, mark, seen[mark][1], (0.05, -0.04, 0.02))
            about = [m for m in diagnose(case_of(moved)).mistakes if mark in m.points]
            rivals = [r for m in about for r in m.rivals if not r.separable]
            assert (MOVED, (mark,)) in {(one.kind, one.points) for one in (*about, *rivals)}
    assert days > 4
