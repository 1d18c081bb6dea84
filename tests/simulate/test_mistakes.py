"""Each injector changes the rows it says, by the size it says, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.simulate import ARCSEC, Planted, Survey, by_hand, random_site, simulate
from tests.simulate import mistakes as m
from tests.simulate.job import Notation, raw_texts
from tests.simulate.mistakes import PLANTERS, plant
from tieup.model.settings import Precision

DEG = Notation("deg", "m", "full")
STRUCTURAL = {"repeated-row", "truncated", "setup-reused", "no-closing-backsight"}
CONTROL = {"control-coordinate", "control-transposed", "control-scale", "swapped-axes"}
CONTRACT_KINDS = set(
    """direction zenith distance target-height instrument-height prism-constant distance-scale
    distance-unit point-name swapped-names name-collision unrecognised-tie similar-names backsight
    station-name instrument-moved instrument-settled setup-reused mark-moved control-coordinate
    control-scale swapped-axes face collimation vertical-index mirrored-circle angle-unit
    vertical-angle-kind hand-typed weak-geometry single-tie disconnected repeated-row truncated
    time-order no-closing-backsight precision""".split()
)


def clean(seed: int = 1, **options: Any) -> Survey:
    rng = np.random.default_rng(seed)
    options = {"setups": 4, "kind": "mixed", "ties": 4, "side_shots": 12} | options
    return simulate(random_site(rng, **options), Precision(), rng)


def lines(survey: Survey) -> dict[str, str]:
    """Return the raw text lines by "file:line", headers left out."""
    found = {}
    for name, text in raw_texts(survey, DEG).items():
        for number, line in enumerate(text.splitlines()[1:], start=2):
            found[f"{name}:{number}"] = line
    return found


def cells(survey: Survey) -> dict[str, dict[str, str]]:
    """Return the raw cells by column, by "file:line"."""
    found = {}
    for name, text in raw_texts(survey, DEG).items():
        header, *rows = text.splitlines()
        for number, line in enumerate(rows, start=2):
            pairs = zip(header.split(","), line.split(","), strict=True)
            found[f"{name}:{number}"] = dict(pairs)
    return found


def last(survey: Survey) -> Planted:
    return survey.planted[-1]


def placed(survey: Survey, at: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Place the mark of a row from the true axis of its setup, N, E, H in m."""
    row = cells(survey)[at]
    number = survey.truth.setups.index(row["setup"])
    axis, zero = survey.truth.axis[number], float(survey.truth.orientation[number])
    return np.array(by_hand.place(row, tuple(axis), zero, angle_unit="deg"))


@pytest.mark.parametrize("name", sorted(set(PLANTERS) - STRUCTURAL - CONTROL))
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_mistakes_change_exactly_the_rows_they_name(name: str, seed: int) -> None:
    """The raw lines that differ are the planted lines; control stays as it was."""
    before = clean(seed)
    after = plant(before, name, np.random.default_rng(seed))
    old, new = lines(before), lines(after)
    changed = {at for at in old if old[at] != new[at]}
    assert changed == set(last(after).lines)
    assert changed
    assert len(old) == len(new) == len(after)
    assert after.control is before.control


@pytest.mark.parametrize("name", sorted(CONTROL))
def test_control_mistakes_leave_the_rows_alone(name: str) -> None:
    """Only the control list differs, in the marks that are named."""
    before = clean()
    after = plant(before, name, np.random.default_rng(4))
    assert lines(before) == lines(after)
    assert before.control and after.control
    moved = np.any(before.control.coordinates != after.control.coordinates, axis=1)
    named = last(after).points or before.control.names
    assert {n for n, off in zip(before.control.names, moved, strict=True) if off} == set(named)


@pytest.mark.parametrize("name", sorted(PLANTERS))
def test_planted_records_speak_the_contract_and_point_at_real_rows(name: str) -> None:
    """Kind, setup, points and lines of a record are those of the altered files."""
    survey = plant(clean(5), name, np.random.default_rng(5))
    planted = last(survey)
    assert planted.kind in CONTRACT_KINDS
    assert planted.setup in {"", *(s.label for s in survey.setups)}
    assert planted.unit in {"", "m", "arcsec", "ppm", "ratio", "s"}
    assert (planted.size is None) == (planted.unit == "")
    assert all(line in lines(survey) or line.startswith("control.csv:") for line in planted.lines)
    survey.fieldbook  # noqa: B018  # a field book can be made of every altered survey


def test_target_height_is_booked_minus_right() -> None:
    """An entry 0.100 m too small (size -0.100) puts the mark 0.100 m too high, plan clean."""
    before = clean()
    rows = before.rows("S1", role="backsight")
    after = m.target_height(before, rows, -0.100)
    for at in last(after).lines:
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([0.0, 0.0, 0.100], abs=1e-5)  # m
        assert cells(after)[at]["target_height"] == cells(before)[at]["target_height"]
    assert (last(after).size, last(after).unit) == (-0.100, "m")


def test_instrument_height_is_booked_minus_right() -> None:
    """The booked height of the occupied setup grows by the size; no free station has one."""
    before = clean()
    after = m.instrument_height(before, "S2", 0.1)
    old, new = cells(before), cells(after)
    for at in last(after).lines:
        booked = [float(c[at]["instrument_height"]) for c in (old, new)]
        assert booked[1] - booked[0] == pytest.approx(0.1, abs=1e-9)  # m
    with pytest.raises(ValueError, match="free station"):
        m.instrument_height(before, "S1", 0.1)


@pytest.mark.parametrize(
    ("alter", "expected"),
    [
        (lambda s: m.prism_constant(s, "S1", 0.03), lambda d: d + 0.03),
        (lambda s: m.distance_scale(s, "S1", 400.0), lambda d: d * 1.0004),
        (lambda s: m.distance_unit(s, "S1"), lambda d: d / 0.3048),
        (lambda s: m.false_distance(s, s.rows("S1")[:1], -0.2), lambda d: d - 0.2),
    ],
)
def test_distances_change_by_the_size_and_nothing_else_does(alter: Any, expected: Any) -> None:
    """raw = right + constant, right x (1 + ppm), right x ratio."""
    before = clean()
    after = alter(before)
    old, new = cells(before), cells(after)
    for at in last(after).lines:
        right, raw = float(old[at].pop("distance")), float(new[at].pop("distance"))
        assert raw == pytest.approx(expected(right), abs=1e-8)  # m
    assert old == new


def test_prism_constant_touches_one_kind_of_target() -> None:
    """Rows to another kind of target keep their distances."""
    before = clean()
    target = before.shots.target.copy()
    mini = before.rows("S1")[:3]
    target[mini] = "mini"
    before = replace(before, shots=replace(before.shots, target=target))
    after = m.prism_constant(before, "S1", 0.0175, "mini")
    assert last(after).lines == before.lines(mini)


def test_angles_change_by_the_size() -> None:
    """A bump adds its size to directions; collimation and index follow the two-face rules."""
    before = clean()
    first = int(before.rows("S3")[9])
    bumped = m.instrument_turned(before, first, 60.0)
    step = (bumped.shots.direction - before.shots.direction)[before.rows("S3")]
    step = np.mod(step + np.pi, 2 * np.pi) - np.pi
    assert step[:9] == pytest.approx(0.0, abs=0.0)
    assert step[9:] == pytest.approx(60.0 * ARCSEC, abs=1e-12)  # rad
    pair = before.rows("S1")[:2]
    crooked = m.collimation(before, "S1", 40.0).shots.direction[pair]
    split = np.diff(crooked) - np.diff(before.shots.direction[pair])
    zenith = before.shots.zenith[pair[0]]
    split = np.mod(split + np.pi, 2 * np.pi) - np.pi
    assert split == pytest.approx(2 * 40.0 * ARCSEC / np.sin(zenith), abs=1e-8)  # rad
    tilted = m.vertical_index(before, "S1", -20.0).shots.zenith[pair]
    total = tilted.sum() - before.shots.zenith[pair].sum()
    assert total == pytest.approx(2 * -20.0 * ARCSEC, abs=1e-12)  # rad
    low = m.false_zenith(before, pair, 300.0).shots.zenith[pair] - before.shots.zenith[pair]
    assert low == pytest.approx([300.0 * ARCSEC, -300.0 * ARCSEC], abs=1e-12)  # rad
    right = m.false_direction(before, pair, 120.0).shots.direction[pair]
    turned = np.mod(right - before.shots.direction[pair], 2 * np.pi)
    assert turned == pytest.approx(120.0 * ARCSEC, abs=1e-12)  # rad


def test_circle_mistakes_show_the_reading_they_should() -> None:
    """Anticlockwise: 360 - r. Elevation: 90 - z. Packed: the digits DDD.MMSS as degrees."""
    before = clean()
    old, at = cells(before), before.lines(before.rows("S1")[:1])[0]
    direction, zenith = float(old[at]["direction"]), float(old[at]["zenith"])
    mirrored = float(cells(m.mirrored_circle(before, "S1"))[at]["direction"])
    assert mirrored == pytest.approx(360.0 - direction, abs=1e-8)  # deg
    elevation = float(cells(m.elevation_as_zenith(before, "S1"))[at]["zenith"])
    assert elevation == pytest.approx(90.0 - zenith, abs=1e-8)  # deg
    packed = cells(m.packed_as_degrees(before, "S1"))[at]
    for column, right in (("direction", direction), ("zenith", zenith)):
        meant = by_hand.angle(f"{float(packed[column]):.5f}", "dms-packed")
        assert np.degrees(meant) == pytest.approx(right, abs=0.05 / 3600 + 1e-8)  # deg: 0.05"


def test_elevation_angles_of_face_two_lie_beyond_ninety_degrees() -> None:
    """On face 2 the elevation of a near-level sight is near 180 degrees."""
    before = clean()
    reverse = before.rows("S1")[before.shots.face[before.rows("S1")] == 2]
    elevation = np.degrees(m.elevation_as_zenith(before, "S1").shots.zenith[reverse])
    assert np.all(np.abs(elevation) > 170.0)


def test_face_flag_keeps_the_readings() -> None:
    """Only the face cell of the row differs."""
    before = clean()
    after = m.face_flag(before, before.rows("S1")[:1])
    old, new = cells(before), cells(after)
    (at,) = last(after).lines
    assert (old[at].pop("face"), new[at].pop("face")) == ("1", "2")
    assert old == new


def test_settlement_raises_points_by_its_size() -> None:
    """A step: all later points too high by the size. A drift: by the full size at the end."""
    before = clean()
    first = int(before.rows("S1")[6])
    for drift in (False, True):
        after = m.instrument_settled(before, first, 0.005, drift=drift)
        shifts = [placed(after, at) - placed(before, at) for at in last(after).lines]
        assert np.array(shifts)[:, :2] == pytest.approx(0.0, abs=1e-5)  # m
        heights = np.array(shifts)[:, 2]
        assert heights[-1] == pytest.approx(0.005, abs=5e-6)  # m
        steps = np.full(len(heights) - 1, 0.005 / len(heights) if drift else 0.0)
        assert np.diff(heights) == pytest.approx(steps, abs=5e-6)  # m: noise times the step


def test_moved_mark_is_seen_in_its_new_place_from_then_on() -> None:
    """Every later row to the mark shifts by the vector, on the map, from every setup."""
    before = clean(7, kind="free", setups=5)
    seen = {p: [s.label for s in before.setups if len(before.rows(s.label, p))]
            for p in before.points}  # fmt: skip
    mark, setups = next((p, s) for p, s in seen.items() if len(s) > 2)
    after = m.mark_moved(before, mark, setups[1], (0.012, -0.009, 0.004))
    rows = [at for s in setups[1:] for at in before.lines(before.rows(s, mark))]
    assert sorted(last(after).lines) == sorted(rows)
    for at in rows:
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([0.012, -0.009, 0.004], abs=1e-5)  # m
    assert last(after).size == pytest.approx(np.sqrt(0.012**2 + 0.009**2 + 0.004**2))


def test_instrument_over_a_moved_mark_stands_in_the_new_place() -> None:
    """Its rows see everything shifted the other way."""
    before = clean()
    after = m.mark_moved(before, "ST2", "S2", (0.010, 0.0, 0.0))
    for at in set(last(after).lines) & set(before.lines(before.rows("S2"))):
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([-0.010, 0.0, 0.0], abs=1e-5)  # m
    assert set(before.lines(before.rows("S2"))) <= set(last(after).lines)


def test_names_are_changed_and_readings_kept() -> None:
    """Renamed and swapped rows differ in the point cell alone; raw name first in the record."""
    before = clean()
    one, other = list(dict.fromkeys(c["point"] for c in cells(before).values()))[:2]
    swapped = m.swapped_names(before, "S1", one, other)
    wrong = m.point_name(before, "S1", one, other)
    similar = m.similar_name(before, "S1", one)
    backsight = m.wrong_backsight(before, "S1", other)
    assert last(wrong).points == last(backsight).points == (other, one)
    assert last(similar).points == (f"{one[:-1]}-{one[-1]}", one)
    for after in (swapped, wrong, similar, backsight):
        old, new = cells(before), cells(after)
        for at in last(after).lines:
            names = old[at].pop("point"), new[at].pop("point")
            assert names[0] != names[1]
        assert old == new


def test_name_collision_gives_two_places_one_name() -> None:
    """The side shots of the two setups carry the same numbers, far apart."""
    before = clean()
    after = m.name_collision(before, "S3", "S1")
    assert len(last(after).points) == 12
    for name in last(after).points:
        rows = after.rows(point=name)
        assert {after.setups[i].label for i in after.shots.setup[rows]} == {"S1", "S3"}
        places = after.truth.position[after.aimed[rows]]
        assert np.linalg.norm(places[0] - places[1]) > 0.5  # m


def test_setup_reused_puts_two_positions_under_one_label() -> None:
    """The second setup's rows follow in the first one's file, and its own file is gone."""
    before = clean(kind="free")
    after = m.setup_reused(before, "S2", "S4")
    assert [s.label for s in after.setups] == ["S1", "S2", "S3"]
    assert after.files == ("raw/s1.csv", "raw/s2.csv", "raw/s3.csv")
    first, second = len(before.rows("S2")), len(before.rows("S4"))
    assert len(after.rows("S2")) == first + second
    assert last(after).lines == tuple(f"raw/s2.csv:{first + 2 + i}" for i in range(second))
    old, new = cells(before), cells(after)
    moved = [dict(old[f"raw/s4.csv:{i + 2}"], setup="S2") for i in range(second)]
    assert [new[at] for at in last(after).lines] == moved


def test_setup_reused_also_when_the_later_label_is_kept() -> None:
    """Rows of an earlier setup can go on under a later label; all lines are still there."""
    before = clean(kind="free")
    after = m.setup_reused(before, "S4", "S1")
    assert len(after) == len(before)
    new = cells(after)
    assert [new[at]["point"] for at in last(after).lines] == [
        before.points[i] for i in before.shots.point[before.rows("S1")]
    ]


def test_repeated_rows_are_copies_and_move_earlier_records_along() -> None:
    """Copies equal their rows cell by cell; records made before still name the same rows."""
    before = m.false_direction(clean(), clean().rows("S1")[-1:], 300.0)
    rows = before.rows("S1")[2:5]
    after = m.repeated_rows(before, rows)
    old, new = lines(before), lines(after)
    assert [new[at] for at in last(after).lines] == [old[at] for at in before.lines(rows)]
    assert len(new) == len(old) + 3
    assert sorted([*old.values(), *(new[at] for at in last(after).lines)]) == sorted(new.values())
    (was,), (now,) = before.planted[0].lines, after.planted[0].lines
    assert int(now.split(":")[1]) == int(was.split(":")[1]) + 3
    assert new[now] == old[was]
    assert np.flatnonzero(after.fieldbook.shots.repeated).tolist() == [5, 6, 7]


def test_truncated_file_ends_in_a_torn_row() -> None:
    """What is kept is the beginning of the file; the last row stops inside its zenith cell."""
    before = clean()
    after = m.truncated(before, "raw/s4.csv", 10)
    old = raw_texts(before, DEG)["raw/s4.csv"]
    new = raw_texts(after, DEG)["raw/s4.csv"]
    assert not new.endswith("\n")
    assert len(new.splitlines()) == 1 + 10 + 1
    assert old.startswith(new)
    assert last(after).lines == ("raw/s4.csv:12",)
    assert len(after.fieldbook.invalid) == 1
    counts = [file.rows for file in after.fieldbook.files]
    assert sum(counts) == len(after.fieldbook.shots) + 1
    assert counts[-1] == 11


def test_unreadable_row_leaves_the_field_book_but_not_the_file() -> None:
    """The row counts as read and invalid; its neighbours keep their lines."""
    before = clean()
    after = m.unreadable(before, 3, "zenith", "91-72-10.4")
    assert cells(after)["raw/s1.csv:5"]["zenith"] == "91-72-10.4"
    (invalid,) = after.fieldbook.invalid
    assert (invalid.line, invalid.setup) == (5, "S1")
    assert invalid.kinds == ("direction", "zenith", "distance")
    assert 5 not in after.fieldbook.shots.line[after.fieldbook.shots.file == 0]
    shifted = m.repeated_rows(after, np.array([0]))
    assert cells(shifted)["raw/s1.csv:6"]["zenith"] == "91-72-10.4"


def test_clock_and_closing_backsight() -> None:
    """Times jump back by the hour given; the closing rows are gone and no others."""
    before = clean()
    rows = before.rows("S2")[5:8]
    after = m.clock_changed(before, rows, -3600.0)
    assert (after.shots.time - before.shots.time)[rows] == pytest.approx(-3600.0)
    assert cells(before)["raw/s2.csv:7"]["time"] > cells(after)["raw/s2.csv:7"]["time"]
    open_end = m.no_closing_backsight(before, "S2")
    assert len(open_end) == len(before) - 2
    assert not len(open_end.rows("S2", role="check"))
    assert set(lines(open_end).values()) < set(lines(before).values())


def test_coordinate_typo_has_the_size_it_says() -> None:
    """One component of one mark is off; the record names its line in control.csv."""
    before = clean()
    after = m.coordinate_typo(before, "CP1", 1, 0.9)
    assert before.control and after.control
    step = after.control.coordinates - before.control.coordinates
    row = before.control.names.index("CP1")
    assert step[row] == pytest.approx([0.0, 0.9, 0.0])  # m
    assert not np.delete(step, row, axis=0).any()
    assert last(after).vector == (0.0, 0.9, 0.0)
    assert last(after).lines == (f"control.csv:{row + 2}",)


@pytest.mark.parametrize(("place", "typed"), [(1, 5013.47), (0, 5034.17), (-1, 5031.74)])
def test_transposed_digits(place: int, typed: float) -> None:
    """5031.47 with two neighbouring digits swapped, from the tens down to the hundredths."""
    before = clean()
    assert before.control
    coordinates = before.control.coordinates.copy()
    coordinates[0, 0] = 5031.47
    before = replace(before, control=replace(before.control, coordinates=coordinates))
    assert before.control
    after = m.transposed_digits(before, before.control.names[0], 0, place)
    assert after.control
    assert after.control.coordinates[0, 0] == pytest.approx(typed, abs=1e-9)  # m
    assert last(after).size == pytest.approx(typed - 5031.47, abs=1e-9)  # m


def test_swapped_axes_and_scaled_control() -> None:
    """Columns change places; plan distances between marks grow by the ppm, heights stay."""
    before = clean()
    swapped, scaled = m.swapped_axes(before).control, m.control_scale(before, 400.0).control
    assert before.control and swapped and scaled
    old, new = before.control.coordinates, scaled.coordinates
    assert np.array_equal(swapped.coordinates, old[:, [1, 0, 2]])
    spans = [np.hypot(*(c[0, :2] - c[1, :2])) for c in (old, new)]
    assert spans[1] / spans[0] == pytest.approx(1.0004, abs=1e-9)
    assert np.array_equal(old[:, 2], new[:, 2])


def test_the_station_name_is_changed_for_the_whole_setup() -> None:
    """Every row of the setup carries the wrong station."""
    before = clean()
    after = m.station_name(before, "S2", "CP1")
    assert {cells(after)[at]["station"] for at in last(after).lines} == {"CP1"}
    assert last(after).points == ("CP1", "ST2")
