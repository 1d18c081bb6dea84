"""Every kind of mistake keeps what it promises: out and back again, a size in its unit, words."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.diagnose.basis.case import Case, new_name
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.kinds.catalogue import KINDS, kind_of
from tieup.diagnose.search.diagnose import diagnose
from tieup.diagnose.search.look import evidence_of, hypotheses_of
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.observations import DIRECTION
from tieup.model.settings import Precision, Tolerances

METRES = Phrases("m")


def a_survey(seed: int, control: str = "weighted"):
    rng = np.random.default_rng(seed)
    site = random_site(rng, setups=4, kind="mixed", ties=5, control=control, side_shots=6)
    return simulate(site, Precision(), rng)


def with_azimuths(case: Case) -> Case:
    """Return the case with the sights of one setup, in face 1, as azimuths and plan distances."""
    shots, orientation = case.shots, solve(case).adjustment.orientation[0]
    own = (shots.setup == 0) & (shots.face == 1) & np.isfinite(shots.direction)
    plan = replace(
        shots,
        direction=np.where(own, shots.direction + orientation, shots.direction),
        distance=np.where(own, shots.distance * np.sin(shots.zenith), shots.distance),
        zenith=np.where(own, np.nan, shots.zenith),
        azimuth=own,
        level=own,
    )
    return replace(case, shots=plan)


def found_by_kind(case: Case) -> dict[str, list[Mistake]]:
    """Return every hypothesis of a case as a mistake, as a rival cause would be taken."""
    solved = solve(case)
    found: dict[str, list[Mistake]] = {}
    for hypothesis in hypotheses_of(solved, evidence_of(solved)):
        mistake = kind_of(hypothesis).renamed(case, Mistake.of(hypothesis))
        found.setdefault(mistake.kind, []).append(mistake)
    return found


def same(one: object, other: object) -> bool:
    """Say whether two cases, or parts of them, hold the same."""
    if hasattr(one, "__dataclass_fields__"):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, np.ndarray):
        return bool(np.array_equal(one, other, equal_nan=one.dtype.kind == "f"))
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return one == other or (one != one and other != other)  # NaN is not booked


@pytest.mark.parametrize("seed", range(6))
def test_what_a_mistake_takes_out_comes_back_as_it_was(seed: int) -> None:
    """Taken out it changes the case unless it stays in; put back the case is what it was."""
    case = with_azimuths(case_of(a_survey(seed)))
    by_kind = found_by_kind(case)
    offered = {name for name, kind in KINDS.items() if kind.family} - set(LINK_KINDS)
    assert set(by_kind) >= offered - {"mark-moved", "instrument-moved"}
    for name, mistakes in by_kind.items():
        kind = KINDS[name]
        for mistake in mistakes[:40]:
            out = kind.taken_out(case, mistake)
            assert not same(out, case) or kind.stays_in(mistake), mistake
            assert same(kind.put_back(out, case, mistake), case), mistake


def test_only_what_leaves_readings_out_says_excluded() -> None:
    """Excluded is said of readings and links; a setup, name or value apart says what became of it.

    observations.csv gives a row that is left out the finding with this word that names its line.
    """
    case = case_of(a_survey(1))
    for name, mistakes in found_by_kind(case).items():
        kind = KINDS[name]
        out = kind.taken_out(case, mistakes[0])
        if not kind.stays_in(mistakes[0]):
            assert (kind.action == "excluded") == (not same(out.use, case.use)), name
    for kind in KINDS.values():
        takes_out = bool(kind.components) or kind.name in LINK_KINDS or "level" in kind.name
        assert takes_out or kind.action != "excluded", kind.name


def test_every_kind_has_words_of_its_own() -> None:
    """A clause and a noun for any subject, a text for what the search can find."""
    for name, kind in KINDS.items():
        assert kind.name == name
        for setup, points in (("S1", ("A", "B")), ("", ("A", "B")), ("S1", ())):
            assert kind.clause(setup, points) and kind.thing(setup, points)
    case = case_of(a_survey(1))
    for name, mistakes in found_by_kind(case).items():
        found = mistakes[0]
        size = np.full(1, 0.05)
        found = replace(found, size=size, covariance=np.eye(1) * 1e-6, statistic=50.0)
        text = KINDS[name].text(found, METRES, case.shots)
        assert text.wrong and text.confirm.endswith(".") and text.cure.endswith("."), name


def test_a_tripod_that_sank_is_held_against_the_limit_of_heights() -> None:
    """5 mm down is beyond 3 mm of height though within 6 mm in plan; turned it is in plan."""
    case, limits = case_of(a_survey(2)), Tolerances("own", 0.006, 0.003)
    kind = KINDS["instrument-settled"]
    sunk = next(m for m in found_by_kind(case)[kind.name] if m.detail == "height")
    sunk = replace(sunk, size=np.array([0.005]), covariance=np.eye(1) * 1e-8)
    assert kind.beyond(sunk, case, limits)
    assert not kind.beyond(replace(sunk, size=np.array([0.002])), case, limits)


@pytest.mark.parametrize("seed", range(4))
def test_the_other_face_is_off_by_an_angle(seed: int) -> None:
    """A direction half a circle off: 648,000 seconds, not 3.14 m."""
    survey = a_survey(seed, "held")
    shots = survey.shots
    label = survey.setups[1].label
    known = set(survey.control.names)
    others = {survey.points[p] for p in shots.point[survey.shots.setup != 1]}
    mark = next(p for p in (survey.points[n] for n in shots.point[survey.rows(label)])
                if p in known | others)  # fmt: skip
    direction = shots.direction.copy()
    direction[survey.rows(label, mark)] += np.pi
    case = case_of(survey)
    case = replace(case, shots=replace(case.shots, direction=direction % (2.0 * np.pi)))
    (found,) = diagnose(case).mistakes
    assert (found.kind, found.setup, found.points) == ("face", label, (mark,))
    assert found.kinds == (DIRECTION,) and found.unit == "rad"
    finding = Reporter(survey.fieldbook, METRES).finding(found)
    assert finding.unit == "arcsec"
    assert abs(finding.size) == pytest.approx(648_000.0, abs=3600.0)


def test_a_setup_that_is_split_again_is_numbered_on() -> None:
    """S1, S1~2, then S1~3 whichever part is split; a label of the crew's own stays whole."""
    case = case_of(a_survey(3))
    label, rows = case.setups[0].label, np.flatnonzero(case.shots.setup == 0)
    once = case.with_split_setup(0, rows[2:])
    twice = once.with_split_setup(len(case.setups), rows[4:])
    own = {label, f"{label}~2", f"{label}~3"}
    assert {setup.label for setup in twice.setups} == own | {s.label for s in case.setups}
    assert new_name("P~7", "~", {"P~7"}) == "P~7~2"
