"""Each injector changes the rows it says and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulate import mistakes as m
from tests.simulate.job import raw_texts
from tests.simulate.looking import DEG, cells, clean, last, lines
from tests.simulate.mistakes import PLANTERS, plant

STRUCTURAL = {"repeated-row", "truncated", "setup-reused", "no-closing-backsight"}
CONTROL = {"control-coordinate", "control-transposed", "control-scale", "swapped-axes"}
CONTRACT_KINDS = (
    "direction", "zenith", "distance", "target-height", "instrument-height", "prism-constant",
    "distance-scale", "distance-unit", "point-name", "swapped-names", "name-collision",
    "unrecognised-tie", "similar-names", "backsight", "station-name", "instrument-moved",
    "instrument-settled", "setup-reused", "mark-moved", "control-coordinate", "control-scale",
    "swapped-axes", "face", "collimation", "vertical-index", "mirrored-circle", "angle-unit",
    "vertical-angle-kind", "repeated-row", "truncated", "time-order", "no-closing-backsight",
)  # fmt: skip


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
    assert name.startswith(planted.kind) or name == "control-transposed"
    assert planted.setup in {"", *(s.label for s in survey.setups)}
    assert planted.unit in {"", "m", "arcsec", "ppm", "ratio", "s"}
    assert (planted.size is None) == (planted.unit == "")
    assert all(line in lines(survey) or line.startswith("control.csv:") for line in planted.lines)
    survey.fieldbook  # noqa: B018  # a field book can be made of every altered survey


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
    before = m.coordinate_typo(clean(), "CP1", 0, 0.9)
    before = m.false_direction(before, before.rows("S1")[-1:], 300.0)
    rows = before.rows("S1")[2:5]
    after = m.repeated_rows(before, rows)
    old, new = lines(before), lines(after)
    assert [new[at] for at in last(after).lines] == [old[at] for at in before.lines(rows)]
    assert len(new) == len(old) + 3
    assert sorted([*old.values(), *(new[at] for at in last(after).lines)]) == sorted(new.values())
    assert after.planted[0] == before.planted[0]
    (was,), (now,) = before.planted[1].lines, after.planted[1].lines
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
    (invalid,) = after.fieldbook.invalid
    assert invalid.kinds == ("direction", "zenith")
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


def test_the_station_name_is_changed_for_the_whole_setup() -> None:
    """Every row of the setup carries the wrong station."""
    before = clean()
    after = m.station_name(before, "S2", "CP1")
    assert {cells(after)[at]["station"] for at in last(after).lines} == {"CP1"}
    assert last(after).points == ("CP1", "ST2")
