"""Setups misread as a whole, control with swapped axes, one label over two setups."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import a_job, case_of, planted
from tests.simulate import Aim, Mark, SetupPlan, Site, Survey, mistakes, simulate
from tests.simulate.notation import angle_texts
from tests.simulate.survey import with_shots
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.single_setup_fit import (
    agreement,
    known_without,
    marks_alone,
    readings_of,
    rows_of_setup,
)
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.first_solution.conventions import resolve_conventions
from tieup.diagnose.first_solution.first_solution import open_case
from tieup.diagnose.kinds.catalogue import KINDS, kind_of
from tieup.diagnose.kinds.convention_catalogue import ALL, CONVENTIONS, POLES, packed, unpacked
from tieup.errors import NetworkError, TieupError
from tieup.model.settings import Precision
from tieup.units import parse_angles

WHOLE = ("distance-unit", "mirrored-circle", "angle-unit", "vertical-angle-kind")
FOOT = 0.3048  # m, by definition


def mark_errors(solved: Solved, survey: Survey) -> np.ndarray:
    """Return how far the marks that several setups saw lie from the truth, in m."""
    names = solved.network.point_names
    sights = solved.network.sights
    pairs = {(int(p), int(s)) for p, s in zip(sights.point, sights.setup, strict=True)}
    shared = [p for p in range(len(names)) if sum(q == p for q, _ in pairs) > 1]
    place = solved.adjustment.position[shared] + solved.network.origin
    truth = [survey.truth.points.index(names[p]) for p in shared]
    return np.linalg.norm(place - survey.truth.position[truth], axis=1)


@pytest.mark.parametrize("seed", range(40))
def test_a_clean_job_comes_back_untouched(seed: int) -> None:
    """Nothing is found in a clean job: the very same solution is handed on."""
    solved = solve(case_of(a_job(seed)))
    after, found = resolve_conventions(solved)
    assert found == []
    assert after is solved


@pytest.mark.parametrize("kind", WHOLE)
@pytest.mark.parametrize("seed", range(8))
def test_a_misread_setup_is_named_and_left_out(kind: str, seed: int) -> None:
    """Kind and setup are named, its readings are left out, the rest stands right."""
    survey = planted(kind, seed)
    solved, found = open_case(case_of(survey))
    (mistake,) = found
    assert (mistake.kind, mistake.setup) == (kind, survey.planted[-1].setup)
    own = survey.rows(mistake.setup)
    assert mistake.rows.tolist() == own.tolist()
    assert not solved.case.use[np.ix_(own, mistake.kinds)].any()
    others = np.setdiff1d(np.arange(len(survey)), own)
    assert solved.case.use[others].all()
    assert not solved.network.start.gross.any()
    assert mark_errors(solved, survey).max() < 0.02  # m; with the misread setup: metres


@pytest.mark.parametrize("kind", WHOLE)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_cure_gives_the_readings_back(kind: str, seed: int) -> None:
    """Cured readings are those from before the mistake was planted."""
    before, after = a_job(seed), planted(kind, seed)
    _, (mistake,) = open_case(case_of(after))
    shots = kind_of(mistake).cured(case_of(after), mistake).shots
    turn = np.exp(1j * shots.direction) / np.exp(1j * before.shots.direction)
    # packed angles carry a tenth of a second: 5e-7 rad
    assert np.abs(np.angle(turn)).max() < 5e-7  # rad
    assert np.abs(shots.zenith - before.shots.zenith).max() < 5e-7  # rad
    assert np.abs(shots.distance - before.shots.distance).max() < 1e-9  # m
    solved = solve(kind_of(mistake).cured(case_of(after), mistake))
    assert not solved.network.start.gross.any()


def test_the_size_of_a_wrong_unit_is_raw_over_right() -> None:
    """Feet booked as metres read 3.28084 times too long (1 ft = 0.3048 m by definition)."""
    _, (mistake,) = open_case(case_of(planted("distance-unit", 4)))
    assert mistake.size == pytest.approx([1.0 / FOOT], abs=1e-12)
    assert mistake.unit == "ratio"
    assert mistake.detail == "feet read as metres"


def changed(survey: Survey, setup: str, **columns: Callable[[np.ndarray], np.ndarray]) -> Survey:
    """Return a survey with columns of one setup put through a function."""
    rows = survey.rows(setup)
    new = {}
    for name, change in columns.items():
        column = getattr(survey.shots, name).copy()
        column[rows] = change(column[rows])
        new[name] = column
    return with_shots(survey, **new)


def gon_as_degrees(angle: np.ndarray) -> np.ndarray:
    return np.mod(angle * 400.0 / 360.0, 2.0 * np.pi)


def degrees_as_gon(angle: np.ndarray) -> np.ndarray:
    return angle * 360.0 / 400.0


def sign_turned(zenith: np.ndarray) -> np.ndarray:
    return np.mod(np.pi - zenith, 2.0 * np.pi)


OTHERS = {
    "degrees read as gon": {"direction": degrees_as_gon, "zenith": degrees_as_gon},
    "vertical angles with the sign turned": {"zenith": sign_turned},
    "metres read as feet": {"distance": lambda d: d * FOOT},
}


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize("seed", [1, 2, 4])
def test_conventions_that_are_rare_are_named_too(name: str, seed: int) -> None:
    """Gon and degrees, the sign of the vertical angle, metres among feet."""
    survey = changed(a_job(seed, ties=5), "S2", **OTHERS[name])
    _, found = open_case(case_of(survey))
    assert [(m.setup, m.detail) for m in found] == [("S2", name)]


def test_pole_heights_in_feet_are_told_from_pole_heights_in_metres() -> None:
    """A pole of 4.92 cannot be metres; a pole of 1.5 beside distances in feet can."""
    feet = changed(a_job(3), "S2", distance=lambda d: d / FOOT, target_height=lambda h: h / FOOT)
    _, (mistake,) = open_case(case_of(feet))
    assert mistake.detail == "feet read as metres" + POLES
    _, (mistake,) = open_case(case_of(changed(a_job(3), "S2", distance=lambda d: d / FOOT)))
    assert mistake.detail == "feet read as metres"


def line_site(off: float) -> Site:
    """Return two setups on three control marks; the middle one lies ``off`` m beside a line."""
    marks = [
        Mark("CP1", 100.0, 100.0, 10.0, (0.0, 0.0, 0.0)),
        Mark("CP2", 100.0 + off, 125.0, 10.4, (0.0, 0.0, 0.0)),
        Mark("CP3", 100.0, 150.0, 9.8, (0.0, 0.0, 0.0)),
    ]
    aims = tuple(Aim(m.name, face=face) for m in marks for face in (1, 2))
    places = ((70.0, 110.0, 11.5), (65.0, 140.0, 11.6))
    setups = tuple(
        SetupPlan(f"S{i + 1}", aims, axis=place, start=1e9 + 3600.0 * i)
        for i, place in enumerate(places)
    )
    return Site(tuple(marks), setups)


@pytest.mark.parametrize(("off", "claims"), [(0.0, 0), (6.0, 1)])
def test_marks_in_a_line_do_not_show_a_mirrored_circle(off: float, claims: int) -> None:
    """With three marks in line nothing is claimed; with the middle one 6 m off it is."""
    survey = simulate(line_site(off), Precision(), np.random.default_rng(5))
    _, found = open_case(case_of(mistakes.mirrored_circle(survey, "S2")))
    assert [(m.kind, m.setup) for m in found] == [("mirrored-circle", "S2")] * claims


def test_two_marks_fit_a_mirrored_circle_perfectly() -> None:
    """Two marks test one distance: mirrored they fit as well, to rounding (trade notes, A1c)."""
    survey = simulate(line_site(6.0), Precision(), np.random.default_rng(5))
    case = case_of(survey)
    rows = rows_of_setup(case, 1)
    two = rows[case.shots.point[rows] != survey.points.index("CP3")]
    known = known_without(solve(case).network, case, 1)
    readings = readings_of(case, two)
    mirrored = replace(readings, direction=-readings.direction)
    fits = [agreement(marks_alone(case, two, r), known) for r in (readings, mirrored)]
    assert [fit.agreeing for fit in fits] == [2, 2]
    assert fits[0].misfit == pytest.approx(fits[1].misfit, abs=1e-9)  # m


@pytest.mark.parametrize("seed", range(6))
def test_of_two_setups_alone_either_may_be_the_mirrored_one(seed: int) -> None:
    """In a free job two setups contradict each other and nothing is left that ties: both named."""
    survey = a_job(seed, setups=2, kind="free", ties=4, control="none")
    common = {survey.points[p] for p in survey.shots.point[survey.rows("S1")]}
    common &= {survey.points[p] for p in survey.shots.point[survey.rows("S2")]}
    case = case_of(mistakes.mirrored_circle(survey, "S2"))
    if len(common) < 3:
        assert open_case(case)[1] == []
        return
    with pytest.raises(NetworkError, match=r"S2 or S1|S1 or S2"):
        open_case(case)


def test_a_third_setup_without_a_say_leaves_both_as_rivals() -> None:
    """S1 and S3 contradict each other on three marks, S2 saw two of them: either may be it."""
    survey = a_job(4, setups=3, kind="free", ties=3, control="none")
    _, (mistake,) = open_case(case_of(mistakes.mirrored_circle(survey, "S3")))
    assert {mistake.setup, *(rival.setup for rival in mistake.rivals)} == {"S1", "S3"}
    assert [(r.kind, r.separable) for r in mistake.rivals] == [("mirrored-circle", False)]


@pytest.mark.parametrize("seed", range(8))
def test_a_swapped_control_list_is_one_finding_and_blames_no_setup(seed: int) -> None:
    """N and E exchanged in the whole list: named with what looks the same, control not used."""
    survey = planted("swapped-axes", seed)
    assert survey.control is not None
    solved, (mistake,) = open_case(case_of(survey))
    assert (mistake.kind, mistake.setup, mistake.detail) == ("swapped-axes", "", "whole list")
    assert mistake.points == survey.control.names
    (rival,) = mistake.rivals
    assert (rival.kind, rival.setup, rival.separable) == ("mirrored-circle", "", False)
    assert solved.case.control is not None
    assert np.isnan(solved.case.control.coordinates[:, :2]).all()
    assert not solved.network.start.gross.any()
    right = kind_of(mistake).cured(case_of(survey), mistake)
    assert right.control is not None
    truth = [survey.truth.points.index(name) for name in survey.control.names]
    assert right.control.coordinates == pytest.approx(survey.truth.position[truth], abs=1e-9)  # m


def test_circles_all_anticlockwise_look_like_a_swapped_list() -> None:
    """The other cause of the same picture is named as its inseparable rival."""
    survey = a_job(2, setups=3)
    for setup in ("S1", "S2", "S3"):
        survey = mistakes.mirrored_circle(survey, setup)
    _, (mistake,) = open_case(case_of(survey))
    assert mistake.kind == "swapped-axes"
    assert [(r.kind, r.separable) for r in mistake.rivals] == [("mirrored-circle", False)]


@pytest.mark.parametrize("seed", [12, 148, 172, 193])
def test_a_mirrored_setup_beside_few_control_marks_does_not_blame_the_list(seed: int) -> None:
    """With three control marks a mirrored setup can drag the site along: still it is named."""
    survey = planted("mirrored-circle", seed)
    _, (mistake,) = open_case(case_of(survey))
    assert (mistake.kind, mistake.setup) == ("mirrored-circle", survey.planted[-1].setup)


def test_single_marks_with_swapped_axes_are_named() -> None:
    """Only the marks whose exchanged coordinates fit lose their plan coordinates."""
    survey = mistakes.swapped_axes(a_job(7), "CP3")
    solved, (mistake,) = open_case(case_of(survey))
    assert (mistake.kind, mistake.points, mistake.detail) == ("swapped-axes", ("CP3",), "")
    assert solved.case.control is not None
    lost = np.isnan(solved.case.control.coordinates[:, :2]).all(axis=1)
    assert [n for n, out in zip(solved.case.control.names, lost, strict=True) if out] == ["CP3"]
    assert mark_errors(solved, survey).max() < 0.02  # m


def test_all_setups_of_an_instrument_are_one_finding() -> None:
    """Two of four setups, one instrument, both mirrored: one mistake that lists them."""
    survey = a_job(5, setups=4, kind="free", ties=5)
    setups = tuple(
        replace(s, instrument="old" if s.label in ("S2", "S4") else "default")
        for s in survey.setups
    )
    gear = {**survey.precision.instruments, "old": survey.precision.instruments["default"]}
    survey = replace(survey, setups=setups, precision=replace(survey.precision, instruments=gear))
    for setup in ("S2", "S4"):
        survey = mistakes.mirrored_circle(survey, setup)
    _, found = open_case(case_of(survey))
    assert [(m.kind, m.setup, m.instead[1:]) for m in found] == [
        ("mirrored-circle", "", ("S2", "S4"))
    ]


def test_a_job_all_in_packed_degrees_cannot_go_on_and_says_why() -> None:
    """Without the misread readings nothing is left: an error that names the convention."""
    survey = a_job(2, setups=3)
    for setup in ("S1", "S2", "S3"):
        survey = mistakes.packed_as_degrees(survey, setup)
    with pytest.raises(NetworkError, match=r"S1, S2, S3: DDD\.MMSS read as decimal degrees"):
        open_case(case_of(survey))


@pytest.mark.parametrize("text", ["0.00000", "12.30305", "89.59599", "271.00010", "359.59599"])
def test_packed_degrees_are_read_as_the_reader_reads_them(text: str) -> None:
    """Decimal degrees unpacked agree with the text of a packed file; packing is the inverse."""
    right, _ = parse_angles([text], "dms-packed")
    raw = np.radians([float(text)])
    assert unpacked(raw) == pytest.approx(right, abs=1e-12)  # rad
    assert packed(right) == pytest.approx(raw, abs=1e-12)  # rad


def test_packed_degrees_are_read_as_an_instrument_writes_them() -> None:
    """A thousand random angles, written by the simulator as DDD.MMSSs, come back to 0.05"."""
    angles = np.random.default_rng(3).uniform(0.0, 2.0 * np.pi, 1000)
    texts = angle_texts(angles, "dms-packed", "field")
    back = unpacked(np.radians([float(text) for text in texts]))
    off = np.abs(np.angle(np.exp(1j * (back - angles))))
    assert off.max() < np.radians(0.051 / 3600.0)  # rad


@pytest.mark.parametrize("seed", range(10))
def test_a_setup_that_was_moved_without_a_new_label_is_split(seed: int) -> None:
    """The second part becomes a free station of its own from the first moved row on."""
    survey = planted("setup-reused", seed)
    true = survey.planted[-1]
    solved, (mistake,) = open_case(case_of(survey))
    assert (mistake.kind, mistake.setup) == ("setup-reused", true.setup)
    assert survey.lines(mistake.rows) == true.lines
    assert solved.case.setups[-1].label == mistake.instead[0] == f"{true.setup}~2"
    assert solved.network.start.plan_setup.all()
    assert not solved.network.start.gross.any()


@pytest.mark.parametrize("kind", ["point-name", "swapped-names", "backsight", "station-name"])
def test_mistakes_of_single_marks_are_left_to_others(kind: str) -> None:
    """One or two wrong names never look like a misread or a moved setup.

    Of ten jobs; not all of them have a setup over a mark, and not all have a first solution.
    """
    tried = 0
    for seed in range(10):
        try:
            solved = solve(case_of(planted(kind, seed, ties=5)))
        except (ValueError, TieupError):
            continue
        after, found = resolve_conventions(solved)
        assert found == [], seed
        assert after is solved
        tried += 1
    assert tried >= 5


def test_two_names_swapped_at_the_start_are_no_moved_setup() -> None:
    """Two swapped marks fit a place of their own; without a pause nothing is claimed."""
    survey = a_job(1, setups=4, kind="free", ties=5)
    first, second = list(dict.fromkeys(survey.points[p] for p in survey.shots.point))[:2]
    survey = mistakes.no_closing_backsight(survey, "S1")
    survey = mistakes.swapped_names(survey, "S1", first, second)
    _, found = open_case(case_of(survey))
    assert found == []


def test_looking_costs_little_on_a_clean_day() -> None:
    """The look at a clean day of 5 setups and 500 shots takes under a tenth of one solution."""
    solved = solve(case_of(a_job(2, setups=5, kind="mixed", side_shots=90)))

    def fastest(action: Callable[[], object]) -> float:
        times = []
        for _ in range(15):
            start = time.perf_counter()
            action()
            times.append(time.perf_counter() - start)
        return min(times)

    look = fastest(lambda: resolve_conventions(solved))
    assert look < 0.1 * fastest(lambda: solve(solved.case))


def every_whole_mistake() -> list[Mistake]:
    jobs: list[Case] = [case_of(planted(kind, 4)) for kind in (*WHOLE, "swapped-axes")]
    jobs += [case_of(planted(kind, 5)) for kind in ("setup-reused", "name-collision")]
    jobs.append(case_of(mistakes.swapped_axes(a_job(7), "CP3")))
    return [mistake for job in jobs for mistake in open_case(job)[1]]


def test_every_whole_mistake_has_words() -> None:
    """Says, confirm and cure are there, name the subject, and speak no statistics."""
    found = every_whole_mistake()
    whole = {*CONVENTIONS, "swapped-axes", "name-collision", "setup-reused"}
    assert {mistake.kind for mistake in found} == whole <= set(KINDS)
    for mistake in found:
        text = kind_of(mistake).words(mistake, Phrases("m"))
        for sentence in (text.says, text.confirm, text.cure):
            assert sentence.endswith(".")
            assert sentence.isascii()
            assert "sigma" not in sentence.lower()
        assert mistake.setup in text.says
        if mistake.kinds == ALL:
            assert "left out" in text.says
