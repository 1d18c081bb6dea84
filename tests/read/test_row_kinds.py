"""Tables of awkward shapes: setup rows between shots, a file per setup, levelled distances."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import HEADER, labels_of, make_job, read_raw
from tieup.errors import ConfigError, InputError
from tieup.model.fieldbook import Fieldbook

MIXED = """\
header: false
columns: {point: 2, direction: 3, zenith: 4, distance: 5, code: 6}
row_kind:
  column: 1
  shots: [BS, SS]
  sets:
    ST: {setup: 2, station: 2, instrument_height: 3}
    HT: {target_height: 2}
"""
TABLE = """\
ST,100,1.500
HT,1.300
BS,200,0,90.5,50.25
HT,2.000
SS,1,10.5,91,12.5,kerb
NOTE,battery changed
SS,2,11.5,91,13.5
ST,200,1.600
SS,3,12.5,91,14.5,kerb
ST,100,1.500
SS,4,13.5,91,15.5
"""


def stations(book: Fieldbook) -> list[tuple[str, str, float]]:
    """Return label, station and instrument height of every setup."""
    return [(s.label, s.station, s.instrument_height) for s in book.setups]


def test_setup_rows_hold_for_the_shots_below_them(tmp_path: Path) -> None:
    """Station, instrument height and target height are those in force; a setup begun again is new.

    The rows between the shots are no raw rows; kinds that nobody named are reported.
    """
    book = read_raw(tmp_path, TABLE, more=MIXED)
    assert stations(book) == [("100", "100", 1.5), ("200", "200", 1.6), ("100~2", "100", 1.5)]
    assert labels_of(book) == ["100", "100", "100", "200", "100~2"]
    assert book.shots.target_height.tolist() == [1.3, 2.0, 2.0, 2.0, 2.0]
    assert book.shots.code.tolist() == ["", "kerb", "", "kerb", ""]
    assert book.shots.line.tolist() == [3, 5, 7, 9, 11]
    assert (book.files[0].rows, book.invalid) == (5, ())
    assert book.unknown_columns == {"rows of kind NOTE (1)": ("raw/a.csv",)}


def test_a_shot_may_say_for_itself(tmp_path: Path) -> None:
    """A cell of the shot goes before what stands above it; an empty one does not."""
    more = MIXED.replace("code: 6", "target_height: 6")
    text = "ST,100,1.5\nHT,1.3\nSS,1,10,90,12,1.8\nSS,2,11,90,12,\nSS,3,12,90,12\n"
    assert read_raw(tmp_path, text, more=more).shots.target_height.tolist() == [1.8, 1.3, 1.3]


def test_a_setup_row_sets_empty_cells_as_well(tmp_path: Path) -> None:
    """A second setup row without instrument height does not inherit that of the first."""
    book = read_raw(tmp_path, "ST,100,1.5\nSS,1,10,90,12\nST,200,\nSS,2,11,90,12\n", more=MIXED)
    assert stations(book)[0] == ("100", "100", 1.5)
    assert np.isnan(book.setups[1].instrument_height)


def test_shots_above_the_first_setup_row_are_invalid(tmp_path: Path) -> None:
    """They belong to no setup, and say so."""
    text = "SS,1,10,90,12\nST,100,1.5\nSS,2,11,90,12\nSS,3,11,90,12\n"
    book = read_raw(tmp_path, text, more=MIXED)
    assert [(row.line, row.reason) for row in book.invalid] == [(1, "setup is empty")]


def test_row_kinds_work_below_a_header_and_with_units(tmp_path: Path) -> None:
    """Columns by name, the height of the instrument in feet, constants for a kind of row."""
    more = """
row_kind:
  column: what
  shots: [shot]
  sets:
    setup:
      setup: id
      station: point
      instrument_height: {column: target_height, unit: ft}
      note: {value: levelled}
columns: {point: point, direction: hz, distance: d, target_height: target_height}
"""
    text = "what,id,point,hz,d,target_height\nsetup,A,CP1,,,5\nshot,,P1,10,12,1.7\n"
    book = read_raw(tmp_path, text, more=more)
    assert stations(book) == [("A", "CP1", pytest.approx(5 * 0.3048))]
    assert (book.shots.target_height[0], book.shots.note[0]) == (1.7, "levelled")
    assert book.unknown_columns == {}


WRONG = [
    (MIXED.replace("[BS, SS]", "[XX]"), "no row is of kind XX (row_kind.shots in job.yaml)"),
    (MIXED.replace("instrument_height: 3", "instrument_height: 9"),
     "row_kind.sets.ST.instrument_height in job.yaml asks for column 9, and the table has 6"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "message"), WRONG)
def test_row_kinds_that_a_file_does_not_have_are_named(
    tmp_path: Path, more: str, message: str
) -> None:
    """The setting that does not fit the file stands in the message."""
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, TABLE, more=more)
    assert message in str(caught.value)


IMPOSSIBLE = [
    (MIXED.replace("column: 1", "column: kind"), "names a column, and header is false"),
    (MIXED.replace("shots: [BS, SS]", "shots: []"), "row_kind.shots names no kind of row"),
    (MIXED.replace("  column: 1\n", ""), "row_kind.column is missing"),
    (MIXED.replace("HT: {target_height", "BS: {target_height"), "is among the shots as well"),
    (MIXED.replace("HT: {target_height: 2}", "HT: {point: 2}"), "point is not a key here"),
    (MIXED.replace("HT: {target_height: 2}", "HT: {instrument_height: {column: 2, unit: ft}}"),
     "is in another unit than elsewhere"),
    (MIXED.replace("setup: 2, ", ""), "columns has no setup"),
    (MIXED.replace("row_kind:", "row_kinds:"), "Did you mean row_kind?"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "message"), IMPOSSIBLE)
def test_settings_that_do_not_fit_are_refused(tmp_path: Path, more: str, message: str) -> None:
    """What cannot be meant is an error of job.yaml."""
    with pytest.raises(ConfigError) as caught:
        make_job(tmp_path, {"a.csv": TABLE}, more=more)
    assert message in str(caught.value)


def test_one_file_for_each_setup(tmp_path: Path) -> None:
    """The label and the station of a setup may be the name of its file."""
    more = """
columns:
  setup: {file_name: true}
  station: {file_name: true}
  instrument_height: hi
  point: P
  distance: D
"""
    raw: dict[str, str | bytes] = {"CP1.csv": "hi,P,D\n1.5,A,10\n", "CP2.csv": "hi,P,D\n1.6,B,11\n"}
    book = read_raw(tmp_path, raw, more=more)
    assert stations(book) == [("CP1", "CP1", 1.5), ("CP2", "CP2", 1.6)]
    with pytest.raises(ConfigError, match="needs either column or value"):
        make_job(tmp_path, raw, more=more.replace("{file_name: true}", "{file_name: false}", 1))
    with pytest.raises(ConfigError, match="file_name is not a key here"):
        make_job(tmp_path, raw, more=more.replace("point: P", "point: {file_name: true}"))


LEVELLED = "setup,point,direction,zenith,distance,horizontal_distance,vertical_distance,face"
# setup,point,... -> zenith in degrees, slope distance; right triangles 3-4-5 and 5-12-13
PARTS = [
    ("S1,P,0,,,30,40,", 36.869897645844, 50.0, "both parts, prism above"),
    ("S1,P,0,,,12,-5,", 112.61986494804, 13.0, "both parts, prism below"),
    ("S1,P,0,,,30,40,2", 323.130102354156, 50.0, "in face 2 the zenith angle is the reading there"),
    ("S1,P,0,30,,10,,", 30.0, 20.0, "zenith angle and horizontal distance"),
    ("S1,P,0,330,,10,,", 330.0, 20.0, "the same in face 2"),
    ("S1,P,0,30,25,10,,", 30.0, 25.0, "an observed slope distance goes first"),
    ("S1,P,0,30,,10,99,", 30.0, 20.0, "an observed zenith angle goes first"),
    ("S1,P,0,,51,30,40,", 36.869897645844, 51.0, "parts for the angle, the slope as observed"),
]


@pytest.mark.parametrize(("row", "zenith", "distance", "why"), PARTS)
def test_horizontal_and_vertical_distances(
    tmp_path: Path, row: str, zenith: float, distance: float, why: str
) -> None:
    """Parts of a shot become the shot, to 1e-9 degrees and 1e-9 m."""
    shots = read_raw(tmp_path, f"{LEVELLED}\n{row}\n").shots
    assert np.degrees(shots.zenith[0]) == pytest.approx(zenith, abs=1e-9), why
    assert shots.distance[0] == pytest.approx(distance, abs=1e-9), why


def test_a_horizontal_distance_alone_stays_one(tmp_path: Path) -> None:
    """It is a sight in plan: no slope distance, and no zenith angle is made up for it."""
    text = f"{LEVELLED}\nS1,P1,0,,,10,,\nS1,P2,0,90,5,,,\nS1,P3,0,90,5,,,\n"
    book = read_raw(tmp_path, text)
    assert not book.invalid
    assert book.shots.level.tolist() == [True, False, False]
    assert book.shots.distance[0] == 10.0 and np.isnan(book.shots.zenith[0])


def test_the_face_is_told_from_the_zenith_angle_where_none_is_booked(tmp_path: Path) -> None:
    """More than half a turn from the zenith is face 2; a booked face stays as booked."""
    rows = "S1,P1,0,89,9,\nS1,P1,180,271,9,\nS1,P2,0,271,9,1\nS1,P3,0,,9,\n"
    assert read_raw(tmp_path, f"{HEADER},face\n{rows}").shots.face.tolist() == [1, 2, 1, 1]
