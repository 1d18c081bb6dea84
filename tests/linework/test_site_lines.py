"""Strings in order across setups: where they join, where they break, what looks wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.linework.shooting import lines_of, remarks, shots_of, walked
from tests.simulate import simulate
from tests.simulate.yards import LINES, fire_station
from tieup.linework.shot_lines import lost_after
from tieup.linework.site_lines import find_lines
from tieup.model.fieldbook import InvalidRow
from tieup.model.settings import Precision

NOWHERE = (np.nan, np.nan, np.nan)
FLAT = (10.0, 0.0, np.nan)  # a place, no elevation


@pytest.mark.parametrize(
    ("shots", "expected"),
    [
        ([("S1", "ABC")], ["ABC"]),
        ([("S1", "CAB")], ["CAB"]),  # the order is the surveyor's word
        ([("S1", "AABBCC")], ["ABC"]),  # two pointings each
        ([("S1", "ABCA")], ["ABCA"]),  # closed
        ([("S1", "ABA")], ["AB"]),
        ([("S1", "AB.C")], ["ABC"]),  # a check of a mark in between
        ([("S1", "ABC"), ("S2", "CDE")], ["ABCDE"]),
        ([("S1", "ABC"), ("S2", "EDC")], ["ABCDE"]),
        ([("S1", "CBA"), ("S2", "CDE")], ["EDCBA"]),  # the direction of what was shot first
        ([("S1", "CD"), ("S2", "AB"), ("S3", "BC")], ["ABCD"]),
        ([("S1", "AB"), ("S2", "BC"), ("S3", "BD")], ["AB", "BC", "BD"]),  # which? unknown
        ([("S1", "ABC"), ("S2", "CDA")], ["ABCDA"]),  # closed by two setups
        ([("S1", "ABCD"), ("S2", "CDEF")], ["ABCDEF"]),  # they overlap
        ([("S1", "ABCD"), ("S2", "FEDC")], ["ABCDEF"]),
        ([("S1", "ABCDE"), ("S2", "CEF")], ["ABCDEF"]),  # the second skips a point of the first
        ([("S1", "ACE"), ("S2", "CDEF")], ["ACDEF"]),  # the first skips one of the second
        ([("S1", "ABC"), ("S2", "ACB")], ["ABC"]),  # they disagree: the first one shot is right
        ([("S1", "AB"), ("S2", "CD")], ["ABCD"]),  # no shared point: at the nearest ends
        ([("S1", "BA"), ("S2", "CD")], ["DCBA"]),
        ([("S1", "AB"), ("S2", "C"), ("S1", "DE")], ["ABCDE"]),  # a lone shot joins on both sides
        ([("S1", "A"), ("S2", "B")], ["A", "B"]),  # two lone shots show no spacing
        ([("S1", "AB"), ("S2", "XY")], ["AB", "XY"]),  # far away
    ],
)
def test_runs_become_lines(shots: list[tuple[str, str]], expected: list[str]) -> None:
    """Runs join at shared points, else at loose ends within reach; what is unknown stays apart."""
    far = {"X": (500.0, 0.0, 100.0), "Y": (505.0, 0.0, 100.0)}
    lines, names = lines_of(shots, far)
    assert walked(lines["STR"], names) == expected


def test_another_face_or_round_is_no_new_point() -> None:
    """There in face 1 and back in face 2 is one run; the same in face 1 again is out of turn."""
    lines, names = lines_of([("S1", "ABCCBA")], faces=[1, 1, 1, 2, 2, 2])
    assert walked(lines["STR"], names) == ["ABC"]
    assert remarks(lines["STR"], names) == []
    lines, names = lines_of([("S1", "ABCDB")])
    assert walked(lines["STR"], names) == ["ABCD"]
    assert remarks(lines["STR"], names) == [("again", "B")]


@pytest.mark.parametrize(
    ("shots", "copies", "expected"),
    [
        ([("S1", "ABCDA")], [4], ["ABCDA"]),  # a collector closes by copying its first row
        ([("S1", "ABCD.A")], [5], ["ABCDA"]),  # after a check of a mark
        ([("S1", "ABA")], [2], ["AB"]),
        ([("S1", "ABCDB")], [4], ["ABCD"]),  # a row exported twice
        ([("S1", "AABCD")], [1], ["ABCD"]),
        ([("S1", "ABCDABCD")], [4, 5, 6, 7], ["ABCD"]),  # all of it exported twice
        ([("S1", "ABCD"), ("S2", "DE"), ("S1", "A")], [6], ["ABCDE"]),  # not where the run ends
        ([("S1", "ABCDA"), ("S2", "XY")], [4], ["ABCDA", "XY"]),
    ],
)
def test_a_copy_of_the_first_row_closes_a_run_and_no_other(
    shots: list[tuple[str, str]], copies: list[int], expected: list[str]
) -> None:
    """Only where it alone stands at the end of the run; nothing is said to be out of turn."""
    far = {"X": (500.0, 0.0, 100.0), "Y": (505.0, 0.0, 100.0)}
    lines, names = lines_of(shots, far, copies=copies)
    assert walked(lines["STR"], names) == expected
    assert not {kind for kind, *_ in remarks(lines["STR"], names)} & {"again"}


def test_times_order_the_runs() -> None:
    """Rows that stand in another order than they were shot are put in the order of their times."""
    lines, names = lines_of([("S2", "DE"), ("S1", "CBA")], times=[4.0, 5.0, 3.0, 2.0, 1.0])
    assert walked(lines["STR"], names) == ["ABCDE"]


@pytest.mark.parametrize(("place", "kind"), [(NOWHERE, "no-place"), (FLAT, "no-place")])
def test_a_point_without_a_place_or_elevation_breaks_the_line(
    place: tuple[float, float, float], kind: str
) -> None:
    """To run past it would invent ground; the line says so, once."""
    lines, names = lines_of([("S1", "ABCDE")], {"C": place})
    assert walked(lines["STR"], names) == ["AB", "DE"]
    assert remarks(lines["STR"], names) == [(kind, "C")]


def test_another_setup_closes_the_gap_of_a_lost_point() -> None:
    """C has no place from S1's row order, and S2 shot past it from B to D."""
    lines, names = lines_of([("S1", "ABCDE"), ("S2", "BD")], {"C": NOWHERE})
    assert walked(lines["STR"], names) == ["ABDE"]


def test_a_row_that_cannot_be_read_breaks_the_line() -> None:
    """A bad row between B and C breaks it there; one behind the last shot breaks nothing."""
    lines, names = lines_of([("S1", "ABCD")], unreadable_after=[1, 3])
    assert walked(lines["STR"], names) == ["AB", "CD"]
    assert remarks(lines["STR"], names) == [("unreadable", "BC")]


def test_a_bad_row_of_a_point_that_has_a_place_breaks_nothing() -> None:
    """The second face of B is unreadable and its first is not: nothing is lost."""
    shots = shots_of([("S1", "ABC")], "ABC")
    bad = InvalidRow(0, int(shots.line[1]) + 1, "S1", "B", ("zenith",), "")
    assert not lost_after([bad], shots, {"A", "B", "C"}).any()
    assert lost_after([bad], shots, {"A", "C"}).tolist() == [False, True, False]


def test_a_gap_beyond_reach_is_a_break_with_its_size() -> None:
    """Spacing 5 m: 12 m are bridged (reach 2.5 spacings, as joints of strings have it), 13 not."""
    for gap, expected in ((12.0, ["ABCD"]), (13.0, ["AB", "CD"])):
        places = {"C": (5.0 + gap, 0.0, 100.0), "D": (10.0 + gap, 0.0, 100.0)}
        lines, names = lines_of([("S1", "AB"), ("S2", "CD")], places)
        assert walked(lines["STR"], names) == expected
    assert remarks(lines["STR"], names) == [("break", "BC")]
    assert lines["STR"].remarks[0].size == pytest.approx(13.0, abs=1e-9)


def test_a_ring_of_loose_ends_stays_open() -> None:
    """Two setups shoot half an island each: joined at the nearest ends, never closed by guess."""
    corners = {"A": (0.0, 0.0), "B": (5.0, 0.0), "C": (5.0, 4.0), "D": (0.0, 4.5)}
    places = {name: (*plan, 100.0) for name, plan in corners.items()}
    lines, names = lines_of([("S1", "AB"), ("S2", "CD")], places)
    assert walked(lines["STR"], names) == ["ABCD"]


def test_a_branch_is_said() -> None:
    """Three arms at B: the parts stay apart and the point is named."""
    lines, names = lines_of([("S1", "AB"), ("S2", "BC"), ("S3", "BD")])
    assert ("branch", "B") in remarks(lines["STR"], names)


def test_one_place_under_two_names_is_a_duplicate() -> None:
    """5 mm apart is one place; a step of 300 mm straight up (a wall's top and foot) is not."""
    lines, names = lines_of([("S1", "ABC"), ("S2", "XD")], {"X": (10.003, 0.004, 100.0)})
    found = lines["STR"].remarks
    assert remarks(lines["STR"], names) == [("duplicate", "CX")]
    assert found[0].size == pytest.approx(0.005, abs=1e-9)
    lines, names = lines_of([("S1", "ABCX")], {"X": (10.0, 0.0, 100.3)})
    assert remarks(lines["STR"], names) == []


@pytest.mark.parametrize(
    ("shot", "places", "expected"),
    [
        ("ABDCE", {}, ["DC"]),  # two points in the wrong order
        ("ABXCD", {"X": (7.0, 60.0, 100.0)}, ["X"]),  # a point of another line
        ("ABCDE", {"C": (6.0, 4.0, 100.0)}, []),  # a bend
        ("ABX", {"X": (5.0, 5.0, 100.0)}, []),  # a right corner
        ("ABX", {"X": (2.0, 3.1, 100.0)}, []),  # 134 degrees: sharp, and still a corner
        ("ABX", {"X": (2.0, 2.9, 100.0)}, ["B"]),  # 136 degrees: it turns back
    ],
)
def test_a_line_that_turns_back_is_a_zigzag(
    shot: str, places: dict[str, tuple[float, float, float]], expected: list[str]
) -> None:
    """More than 135 degrees at a point is named with its point; corners of a curb are not."""
    lines, names = lines_of([("S1", shot)], places)
    assert [p for kind, p in remarks(lines["STR"], names) if kind == "zigzag"] == expected


def test_points_of_one_place_have_no_direction() -> None:
    """Two names 3 mm apart the wrong way round are a duplicate and no zigzag."""
    lines, names = lines_of([("S1", "ABXCD")], {"X": (4.997, 0.0, 100.0)})
    assert remarks(lines["STR"], names) == [("duplicate", "BX")]


def test_a_bare_number_counts_the_lines_of_its_code() -> None:
    """String 1 of the curbs and string 1 of the walls are two lines; CURB-N is one in any code."""
    numbered = dict.fromkeys("ABCD", "1")
    codes = {"A": "curb", "B": "curb", "C": "wall", "D": "wall"}
    lines, names = lines_of([("S1", "ABCD")], strings=numbered, codes=codes)
    assert {name: walked(line, names) for name, line in lines.items()} == {
        "curb 1": ["AB"],
        "wall 1": ["CD"],
    }
    assert [(line.string, line.code) for line in lines.values()] == [("1", "curb"), ("1", "wall")]
    lines, names = lines_of([("S1", "ABCD")], codes=codes)
    assert walked(lines["STR"], names) == ["ABCD"]


def test_the_yards_strings_run_as_they_were_laid_out() -> None:
    """All 13 strings of the sample yard come out whole, each steadily from one end to the other.

    The truth is the list of lines that the yard was invented from.
    """
    rng = np.random.default_rng(4)
    survey = simulate(fire_station(rng), Precision(), rng)
    position = dict(zip(survey.truth.points, survey.truth.position, strict=True))
    place = np.array([position[name] for name in survey.points])
    lines = find_lines(survey.shots, np.zeros(len(survey.shots), dtype=bool), place)
    points: dict[str, set[str]] = {}
    for number, laid in enumerate(LINES):
        names = [f"{number}.{i}" for i in range(laid.count)]
        names[0], names[-1] = laid.first or names[0], laid.last or names[-1]
        points.setdefault(laid.string, set()).update(names)
    assert {line.name for line in lines} == set(points)
    for line in lines:
        (part,) = line.parts
        assert len(part) == len(set(part)) == len(points[line.name])
        steps = np.diff(place[list(part)], axis=0)[:, :2]
        assert (steps @ steps.sum(axis=0) > 0).all()
        assert line.remarks == ()


def test_a_long_string_of_many_setups_is_put_together() -> None:
    """300 setups with 40 points each, a shared one between neighbours, come out as one line."""
    count, each = 300, 40
    rng = np.random.default_rng(1)
    runs = [np.arange(each + 1) + each * setup for setup in range(count)]
    point = np.concatenate([run[::-1] if rng.random() < 0.5 else run for run in runs])
    empty = shots_of([("S1", "A" * len(point))], "A")
    shots = replace(empty, setup=np.repeat(np.arange(count), each + 1), point=point)
    position = np.zeros((count * each + 1, 3))
    position[:, 0] = np.arange(len(position))
    (line,) = find_lines(shots, np.zeros(len(shots), dtype=bool), position)
    (part,) = line.parts
    assert sorted([part, part[::-1]])[0] == tuple(range(len(position)))


RUNS = st.lists(
    st.tuples(st.sampled_from(["S1", "S2", "S3"]), st.text("ABCDEFGH", min_size=1, max_size=7)),
    min_size=1,
    max_size=5,
)
PLACES = st.dictionaries(
    st.sampled_from("ABCDEFGH"),
    st.tuples(st.integers(0, 6), st.integers(0, 6), st.sampled_from([100.0, np.nan])),
)


@given(RUNS, PLACES)
def test_whatever_was_shot_every_point_comes_out(
    shots: list[tuple[str, str]], places: dict[str, tuple[float, float, float]]
) -> None:
    """No point is lost or made up, and a part repeats none, unless it closes.

    Points on top of each other, runs in circles and back and forth included.
    """
    lines, names = lines_of(shots, places)
    line = lines["STR"]
    flat = {name for name, place in places.items() if np.isnan(place[2])}
    shot = {letter for _, letters in shots for letter in letters}
    parts = walked(line, names)
    assert set("".join(parts)) == shot - flat
    for part in parts:
        body = part[:-1] if len(part) > 1 and part[0] == part[-1] else part
        assert len(set(body)) == len(body)
