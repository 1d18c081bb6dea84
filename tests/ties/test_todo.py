"""The to-do: in walking order, one line a setup, nothing twice, what is left out counted."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import Aim, Mark, SetupPlan, Site, in_faces, random_site, simulate
from tests.simulate.mistakes import no_closing_backsight, target_height
from tests.ties.evidence import check
from tests.ties.jobs import simulated_yard
from tests.ties.test_geometry import _site
from tieup.model.answer import Errand, Promise
from tieup.model.finding import Finding, Rival
from tieup.model.settings import Precision, Tolerances
from tieup.reduce.visits import Visits
from tieup.ties.site_answer import crew_answer
from tieup.ties.walking import walking_order
from tieup.write.ties_screen import headline, ties_text


def _answer(checks, **more):
    return crew_answer(checks, title="Yard", length_unit="m", angle_unit="dms", **more)


@pytest.fixture(scope="module")
def busy():
    """Return the checks of a day on which every setup has something to do."""
    survey = target_height(simulated_yard(), simulated_yard().rows("S3", "CP5"), 0.060)
    for setup in ("S1", "S2", "S4"):
        survey = no_closing_backsight(survey, setup)
    return check(survey, Tolerances(horizontal=0.003, elevation=0.0015))


def _visits(setup, time):
    count = len(setup)
    nothing = np.full(count, np.nan)
    return Visits(
        setup=np.array(setup),
        point=np.zeros(count, dtype=np.int64),
        direction=nothing,
        zenith=nothing,
        distance=nothing,
        count=np.ones((count, 3), dtype=np.int64),
        sd=np.ones((count, 3)),
        rise=nothing,
        time=np.array(time, dtype=np.float64),
        first_row=np.arange(count),
    )


def test_the_walk_goes_back_from_the_setup_that_still_stands():
    """By the clock: 9:00, 7:00, 8:00 are walked 0, 2, 1; without a clock as recorded."""
    assert walking_order(_visits([0, 1, 1, 2], [900, 700, 701, 800]), 3).tolist() == [0, 2, 1]
    assert walking_order(_visits([0, 1, 2], [900, np.nan, 800]), 3).tolist() == [2, 1, 0]


def test_one_line_a_setup_in_walking_order(busy):
    """S5 was set up last, so the list runs S5, S4, S3, S2, S1, each named once."""
    places = [errand.place.split(",")[0] for errand in _answer(busy).todo]
    assert places == [f"At {s}" for s in ("S5", "S4", "S3", "S2", "S1") if f"At {s}" in places]
    assert len(places) >= 4


def test_what_a_verdict_waits_for_stands_first_at_its_setup(busy):
    """The wrong shot of S3 comes before the ends of strings and what may wait."""
    things = next(e.things for e in _answer(busy).todo if e.place.startswith("At S3"))
    assert things[0].startswith("shoot CP5 again")


@pytest.mark.parametrize(
    ("sizes", "names"), [((0.06, 0.04), "CP5 and CP6"), ((0.04, 0.06), "CP6 and CP5")]
)
def test_of_several_marks_the_clearest_off_comes_first(sizes, names):
    """Two poles booked wrong at S3, by 60 and by 40 mm, whichever was shot first."""
    survey = simulated_yard(14)
    for mark, size in zip(("CP5", "CP6"), sizes, strict=True):
        survey = target_height(survey, survey.rows("S3", mark), size)
    things = next(e.things for e in _answer(check(survey)).todo if e.place.startswith("At S3"))
    assert things[0] == f"shoot {names} again, both faces, read the pole height aloud"


def test_nothing_is_asked_for_twice(busy):
    """A promised shot that a finding asks for already, or that closes the setup: one line."""
    finding = Finding(
        "target-height", "stop", "S3", ("CP5",), confirm="From S3 shoot CP5 again, both faces."
    )
    promise = Promise((("S4", "CP7"),), ("S4",), "plan", 0.0041, 0.0026, 0.003, True)
    answer = _answer(busy, findings=(finding,), promises=(promise,))
    todo = {errand.place: " ".join(errand.things) for errand in answer.todo}
    assert todo["At S3"].count("CP5") == 1
    stands = todo["At S4, if it still stands"]
    assert stands.count("CP7") == 1
    assert "shoot CP7 again: S4 4.1 -> 2.6 mm plan, limit 3" in stands


def test_a_promise_says_how_far_its_shots_get(busy):
    """Enough, short of the limit, open before, out of reach, not worked out: each in its words."""
    inf, nan = np.inf, np.nan
    promises = (
        Promise((("S5", "T5"),), ("S5",), "plan", inf, 0.0021, 0.003, True, ("S4-S5", "S4")),
        Promise(
            (("S4", "T1"), ("S4", "T2")), ("S3", "S4"), "height", 0.0041, 0.0026, 0.0015, False
        ),
        Promise((), ("S2",), "plan", 0.005, 0.0049, 0.003, False),
        Promise((), ("S1",), "plan", inf, inf, 0.003, False),
        Promise((), ("S1", "S2"), "plan", 0.005, nan, 0.003, False),
        Promise((("S3", "T3"),), ("S2", "S3"), "plan", 0.005, inf, 0.003, False),
    )
    text = " ".join(errand.said for errand in _answer(busy, promises=promises).todo)
    assert "shoot T5: S5 no bound -> 2.1 mm plan, limit 3; proves S4-S5 and S4 too" in text
    assert "shoot T1 and T2: S3-S4 4.1 -> 2.6 mm height, short of 1.5" in text
    assert "no shot proves S2 to 3 mm plan (4.9 mm) with this gear" in text
    assert "shoot T3: for S2-S3, which needs more marks still" in text
    assert "no mark here proves S1: set one that two setups see" in text
    assert text.endswith("Also: S1-S2 not proved yet: run this again after these shots")


def test_a_mark_is_looked_at_where_a_crew_comes_to_it():
    """CP8 is seen from S1, S4 and S5: it stands with S5; what no setup has seen comes last."""
    checks = check(simulated_yard())
    mark = Finding("mark-moved", "stop", "", ("CP8",), confirm="Look at CP8.")
    desk = Finding("missing-column", "stop", confirm="Look at the header of the raw file.")
    todo = _answer(checks, findings=(desk, mark)).todo
    assert todo[0].place == "At S5" and todo[0].things[0] == "look at CP8"
    assert todo[-1] == Errand("Also", ("look at the header of the raw file",))


def test_a_string_without_a_shared_point_wants_one_where_it_is_come_to_first():
    """The trench passes from S1 to S2: S2 is come to first and shoots the end of S1's part.

    Where a finding says that it steps there, that is asked for instead, and once.
    """
    checks = check(simulated_yard(14))
    joints, points = checks.evidence.joints, checks.evidence.points
    (row,) = np.flatnonzero(joints.point < 0)
    ends = tuple(points[p] for p in joints.ends[row])
    other = next(end for end in ends if ("S1", end) in _shots(simulated_yard(14)))
    assert _answer(checks).todo == (Errand("At S2", (f"shoot {other} (TRENCH)",)),)
    step = Finding("string-step", "check", "", ends)
    found = _answer(checks, findings=(step,)).todo
    says = f"shoot {other} (TRENCH, which steps); read the pole height aloud"
    assert found == (Errand("At S2", (says,)),)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (("127",), "read the pole again: the height of 1 side shot hangs on the book"),
        (("127", "128"), "read the pole again: the heights of 2 side shots hang on the book"),
    ],
    ids=["one", "two"],
)
def test_a_pole_that_only_the_book_tells_is_asked_for_with_what_hangs_on_it(points, says):
    """The last thing at its setup, one shot or several in their words."""
    pole = Finding("unchecked", "note", "S1", points, key="pole 1", confirm="Read the pole again.")
    todo = _answer(check(simulated_yard(14)), findings=(pole,)).todo
    assert next(e.things for e in todo if e.place.startswith("At S1"))[-1] == says


@pytest.mark.parametrize(
    ("unit", "bearings"), [("dms", "90 and 270 degrees"), ("gon", "100 and 300 gon")]
)
def test_a_mark_is_wanted_opposite_the_only_backsight(unit, bearings):
    """Over a mark with one backsight due north: between the bearings a quarter circle from it."""
    survey = simulate(_site({"A": (50, 0)}, "ST"), Precision(), np.random.default_rng(0))
    answer = crew_answer(check(survey), title="Yard", length_unit="m", angle_unit=unit)
    says = " ".join(errand.said for errand in answer.todo)
    assert f"shoot one more mark between bearings {bearings}" in says


@pytest.mark.parametrize(
    ("more", "offered"),
    [({}, "P"), ({"Q": (-60, 3)}, "P or Q"), ({"Q": (-60, 3), "R": (-80, 9)}, "P or Q")],
    ids=["one", "two", "three"],
)
def test_known_marks_in_the_sector_are_offered_the_nearest_two_first(more, offered):
    """Backsight 50 m north: of what S2 has shot in the south, but not beyond twice as far.

    F stands 111 m off, N beside the backsight.
    """
    site = _site({"A": (50, 0)}, "ST")
    places = {"P": (-30, 5), "F": (-110, -10), "N": (60, 30), **more}
    marks = [Mark(n, 100.0 + a, 100.0 + b, 10.0, (0.0, 0.0, 0.0)) for n, (a, b) in places.items()]
    aims = tuple(aim for n in ("A", *places) for aim in in_faces(Aim(n), 1, 2))
    other = SetupPlan("S2", aims, axis=(95.0, 140.0, 11.5), start=2e9)
    site = Site((*site.marks, *marks), (*site.setups, other))
    todo = _answer(check(simulate(site, Precision(), np.random.default_rng(0)))).todo
    says = next(errand.said for errand in todo if errand.place.startswith("At S1"))
    assert re.search(r"between bearings 90 and 270 degrees(: [^;]*)?", says)[1] == f": {offered}"


def _shots(survey):
    pairs = zip(survey.shots.setup, survey.shots.point, strict=True)
    return {(survey.setups[s].label, survey.points[p]) for s, p in pairs}


def test_findings_keep_their_words():
    """Two setups stay named; a second finding at a shot is dropped where it asks for it again."""
    checks = check(simulated_yard())
    findings = (
        Finding("swapped-names", "stop", "S2", ("T5",), confirm="From S2 or S3 shoot T5 again."),
        Finding(
            "zenith", "stop", "S2", ("T5",), confirm="From S2 or another setup shoot T5 again."
        ),
        Finding("instrument-height", "stop", "S2", ("T5",), confirm="Measure the height again."),
        Finding("direction", "check", "S4", ("CP7",), grade="noticed", confirm="Shoot CP7 again."),
    )
    todo = {e.place: e.things for e in _answer(checks, findings=findings).todo}
    assert todo["At S2"][:2] == ("from S2 or S3 shoot T5 again", "measure the height again")
    assert not any("another setup" in thing for thing in todo["At S2"])
    assert todo["At S4"][0] == "shoot CP7 again"


def test_a_mark_that_was_split_is_still_one_mark():
    """The sample yard: CP8 moved before S4 came, so it stands with S5, the first on the way.

    What is asked for if there is time differs with the scatter of the day, and comes last.
    """
    from tieup.config import load_job
    from tieup.data import data_path
    from tieup.pipeline import run

    todo = run(load_job(data_path("sample_raw/fire_station"))).answer.todo
    places = [errand.place for errand in todo]
    assert places == sorted(places, reverse=True)
    asked = {e.place: [t for t in e.things if not t.startswith("if there is time")] for e in todo}
    for errand in todo:
        assert list(errand.things[: len(asked[errand.place])]) == asked[errand.place]
    assert [place for place, things in asked.items() if things] == ["At S5", "At S3", "At S2"]
    assert asked["At S5"] == ["look at CP8; measure from it to two neighbours"]
    assert asked["At S3"][0].endswith("(or the zenith angle from S3 to CP5 is off)")


def test_what_has_an_equal_is_not_stated_as_fact():
    """S3 fails at CP5, but CP5 may have moved as well: row and to-do both say so."""
    survey = target_height(simulated_yard(), simulated_yard().rows("S3", "CP5"), 0.060)
    finding = Finding(
        "target-height",
        "stop",
        "S3",
        ("CP5",),
        rivals=(Rival("mark-moved", "", ("CP5",), 60.0, False),),
        confirm="From S3 shoot CP5 again.",
        doubt="CP5 moved",
    )
    answer = _answer(check(survey), findings=(finding,))
    row = next(s for s in answer.setups if s.setup == "S3")
    assert row.words.endswith("worst CP5, or CP5 moved: the readings cannot tell")
    assert "shoot CP5 again (or CP5 moved)" in next(e for e in answer.todo if "S3" in e.place).said
    sure = replace(finding, rivals=(replace(finding.rivals[0], separable=True),), doubt="")
    row = next(s for s in _answer(check(survey), findings=(sure,)).setups if s.setup == "S3")
    assert "cannot tell" not in row.words
    odd = replace(answer, odd="S2", doubt=", or CP3 moved: the readings cannot tell")
    assert "S2 is the odd one, or CP3 moved: the readings cannot tell." in headline(odd)


@pytest.mark.parametrize(("width", "height"), [(80, 40), (45, 40), (45, 32), (36, 40)])
def test_what_is_left_out_is_counted(width, height, busy):
    """Things shown and things counted are all there are; of each setup the last go first."""
    answer = _answer(busy)
    text = ties_text(answer, width, height)
    todo = " ".join(text[text.index("TO DO") : text.index("Limits")].split())
    things = [(number, thing) for e in answer.todo for number, thing in enumerate(e.things)]
    shown = [(number, thing) for number, thing in things if thing in todo]
    rest = re.search(r"and (\d+) more thing", todo)
    assert len(shown) + (int(rest[1]) if rest else 0) == len(things)
    kept = [sum(thing in todo for thing in errand.things) for errand in answer.todo]
    for errand, count in zip(answer.todo, kept, strict=True):
        assert all(thing in todo for thing in errand.things[:count])


def test_a_day_of_many_setups_keeps_the_first_of_each():
    """Twelve setups with five things each on 45 columns: the first thing of the first ones."""
    rng = np.random.default_rng(3)
    checks = check(simulate(random_site(rng, setups=3, ties=4, side_shots=2), Precision(), rng))
    things = tuple(f"thing {n} of a place with some words to it" for n in range(5))
    todo = tuple(Errand(f"At A{n}", things) for n in range(12))
    text = ties_text(replace(_answer(checks), todo=todo), 45)
    flat = " ".join(text.split())
    shown = sum(flat.count(thing) for thing in things)
    assert f"and {60 - shown} more things in the report" in flat
    assert "At A0: thing 0" in flat and flat.count("thing 0 of") == max(
        flat.count(thing) for thing in things
    )
    assert len(text.splitlines()) <= 40
