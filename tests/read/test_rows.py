"""Cells become SI values; bad rows are counted with their reason; bad files are refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import HEADER, good_rows, labels_of, read_raw
from tieup.errors import InputError
from tieup.model.fieldbook import Fieldbook

WIDE = (
    "setup,station,instrument_height,point,direction,zenith,distance,target_height,face,round,"
    "role,prism_constant,target,instrument,temperature,pressure,code,string,time,note,"
    "field_northing,field_easting,field_elevation"
)


def test_every_column_is_read_in_si(tmp_path: Path) -> None:
    """Gon, US survey feet, mm and an offset from UTC become rad, m, m and seconds."""
    row = (
        "S1, CP1 ,5.25, 0101 ,100,300,1000,6,2,3,Backsight,-30,mini,default,12.5,1001,EP,curb,"
        '2024-03-01T12:00:00+02:00,"a, b",1000000,2000000,-100'
    )
    book = read_raw(tmp_path, f"{WIDE}\n{row}\n", angle="gon", length="ftUS")
    shots, foot = book.shots, 1200 / 3937  # m
    assert book.points == ("0101",)  # leading zero kept, outer blanks gone
    assert (book.setups[0].station, book.setups[0].label) == ("CP1", "S1")
    assert book.setups[0].instrument_height == pytest.approx(5.25 * foot, abs=1e-12)
    assert shots.direction[0] == np.pi / 2
    assert shots.zenith[0] == 1.5 * np.pi
    assert shots.distance[0] == pytest.approx(1000 * foot, abs=1e-9)
    assert shots.target_height[0] == pytest.approx(6 * foot, abs=1e-12)
    assert shots.prism_constant[0] == pytest.approx(-0.030, abs=1e-12)  # mm even in a job in feet
    assert (shots.face[0], shots.round[0]) == (2, 3)
    assert (shots.temperature[0], shots.pressure[0]) == (12.5, 1001.0)
    assert shots.time[0] == 1709287200.0  # 2024-03-01T10:00:00Z, by the date command
    texts = (shots.role, shots.target, shots.code, shots.string, shots.note)
    assert [text[0] for text in texts] == ["backsight", "mini", "EP", "curb", "a, b"]
    assert shots.field_coordinates[0] == pytest.approx(
        [1_000_000 * foot, 2_000_000 * foot, -100 * foot], abs=1e-8
    )


def test_absent_columns_and_empty_cells_have_their_defaults(tmp_path: Path) -> None:
    """Target height 0, face 1, round 1, constant 0; not observed is NaN; the default gear."""
    book = read_raw(tmp_path, f"{HEADER},face,round,target_height\nS1,P1,,,12,,,\nS1,P2,,,,,,\n")
    shots = book.shots
    assert np.isnan([shots.direction, shots.zenith, shots.temperature, shots.time]).all()
    assert np.isnan(shots.distance).tolist() == [False, True]  # an empty row is valid, unused
    assert shots.target_height.tolist() == [0, 0]
    assert np.isnan(shots.prism_constant).all()  # that of the target or the instrument is meant
    assert (shots.face.tolist(), shots.round.tolist()) == ([1, 1], [1, 1])
    assert book.setups[0].instrument == "default"
    assert book.invalid == ()


def test_columns_stand_in_any_order_and_any_case(tmp_path: Path) -> None:
    """The header decides what a column is, not its place."""
    book = read_raw(tmp_path, "Distance, POINT ,zenith,Setup\n12,P1,90,S1\n")
    assert (book.points, book.shots.distance.tolist()) == (("P1",), [12.0])


def test_point_names_keep_their_case(tmp_path: Path) -> None:
    """CP1 and cp1 are two points to the reader: names are never changed."""
    text = f"{HEADER}\nS1,CP1,1,90,12\nS1,cp1,2,90,12\n"
    assert read_raw(tmp_path, text).points == ("CP1", "cp1")


def test_elevation_angles_become_zenith_angles(tmp_path: Path) -> None:
    """10 deg up is zenith 80; on face 2 a reading of 170 is what zenith 280 would read.

    Face 2 looks over the top, so that z1 + z2 = 360 (ISO 17123-3 terms): 80 + 280.
    """
    text = "setup,point,elevation_angle,face\nS1,P1,10,1\nS1,P1,-90,1\nS1,P1,170,2\n"
    zenith = np.degrees(read_raw(tmp_path, text).shots.zenith)
    assert zenith == pytest.approx([80, 180, 280], abs=1e-10)


def test_full_circle_is_zero(tmp_path: Path) -> None:
    """360 is the same reading as 0, also when rounding put it just above 2 pi."""
    book = read_raw(tmp_path, f"{HEADER}\nS1,P1,360,90,12\n")
    assert book.shots.direction.tolist() == [0.0]
    book = read_raw(tmp_path, f"{HEADER}\nS1,P1,6.28319,1.5,12\n", angle="rad")
    assert book.shots.direction.tolist() == [0.0] and book.invalid == ()


def test_unknown_columns_are_kept_by_name(tmp_path: Path) -> None:
    """A column the tool does not know is reported with its files; a nameless one by its place."""
    raw: dict[str, str | bytes] = {
        "a.csv": f"{HEADER},Battery,\n{good_rows(1).strip()},80,x\n",
        "b.csv": f"{HEADER},Battery\n{good_rows(1).strip()},80\n",
    }
    assert read_raw(tmp_path, raw).unknown_columns == {
        "Battery": ("raw/a.csv", "raw/b.csv"),
        "column 7": ("raw/a.csv",),
    }


def test_time_that_is_no_time_costs_only_the_clock(tmp_path: Path) -> None:
    """The row stays valid without a time, and the column is reported."""
    book = read_raw(
        tmp_path,
        f"{HEADER},time\nS1,P1,1,90,12,14:32\nS1,P2,2,90,12,2024-03-01T10:00:00Z\n"
        "S1,P3,3,90,12,2024-03-01 10:00:00.5\n",
    )
    assert book.shots.time.tolist()[1:] == [1709287200.0, 1709287200.5]
    assert np.isnan(book.shots.time[0]) and book.invalid == ()
    assert book.unknown_columns == {"time (1 cells not ISO 8601)": ("raw/a.csv",)}


BAD_ROWS = [
    # row for the header of WIDE_ENOUGH, unit, part of the reason, observed kinds, why
    ("S1,P9,x,90,12,1.5,1,1", "deg", 'direction "x" is not a number', "dzs", "text"),
    ("S1,P9,1,90,nan,1.5,1,1", "deg", 'distance "nan" is not a number', "dzs", "NaN"),
    ("S1,P9,1,90,inf,1.5,1,1", "deg", 'distance "inf" is not a number', "dzs", "infinity"),
    ("S1,P9,1,90,12,1_5,1,1", "deg", "target_height 1_5 is not", "dzs", "a digit separator"),
    ("S1,P9,412.3,90,12,1.5,1,1", "deg", "direction 412.3 deg is outside 0-360", "dzs", "circle"),
    ("S1,P9,-1,90,12,1.5,1,1", "deg", "direction -1 deg is outside 0-360", "dzs", "negative"),
    ("S1,P9,1,412.300,12,1.5,1,1", "gon", "zenith 412.300 gon is outside 0-400", "dzs", "gon"),
    ("S1,P9,1,-0.5,12,1.5,1,1", "deg", "zenith -0.5 deg is outside", "dzs", "an elevation angle"),
    ("S1,P9,7,1.5,12,1.5,1,1", "rad", "direction 7 rad is outside 0-6.28319", "dzs", "rad"),
    ("S1,P9,1-60-00,90-00-00,12,1.5,1,1", "dms", "minutes of 60", "dzs", "sexagesimal slip"),
    ("S1,P9,1,90,-12,1.5,1,1", "deg", "distance -12 is not above 0", "dzs", "negative distance"),
    ("S1,P9,1,90,0,1.5,1,1", "deg", "distance 0 is not above 0", "dzs", "0 for not measured"),
    ("S1,P9,1,90,1e-300,1.5,1,1", "deg", "is no distance that can be measured", "dzs", "nearly 0"),
    ("S1,P9,1,90,12,1.5,3,1", "deg", "face 3 is not 1 or 2", "dzs", "no such face"),
    (
        "S1,P9,1,90,12,1.5,L,1",
        "deg",
        'face "L" is not 1 or 2. Say in job.yaml which it is: words: {face: {L: 1}}',
        "dzs",
        "a letter for the face",
    ),
    ("S1,P9,1,90,12,1.5,1,1.5", "deg", "round 1.5 is not a count", "dzs", "half a round"),
    ("S1,,1,90,12,1.5,1,1", "deg", "point is empty", "dzs", "no name"),
    (",P9,1,90,,1.5,1,1", "deg", "setup is empty", "dz", "no setup"),
    ("S1,P9,1,90", "deg", "breaks off: 4 cells", "dz", "cut off"),
    ("S1,P9,1,90,12,1.5,1,1,7", "deg", "has 9 cells", "dzs", "a comma too many"),
    ("S1,P9,,x,,y,1,1", "deg", 'zenith "x" is not a number; target_height "y"', "z", "two cells"),
]
WIDE_ENOUGH = f"{HEADER},target_height,face,round"
GOOD_ROWS = {
    "deg": "S1,P{n},1,90,12,1.5,1,1\n",
    "gon": "S1,P{n},1,100,12,1.5,1,1\n",
    "rad": "S1,P{n},1,1.5,12,1.5,1,1\n",
    "dms": "S1,P{n},1-00-00,90-00-00,12,1.5,1,1\n",
}


@pytest.mark.parametrize(("row", "unit", "reason", "kinds", "why"), BAD_ROWS)
def test_bad_row_among_good_ones_is_invalid(
    tmp_path: Path, row: str, unit: str, reason: str, kinds: str, why: str
) -> None:
    """The run goes on without the row, which is listed with its line and reason."""
    good = [GOOD_ROWS[unit].format(n=n) for n in range(4)]
    text = "".join([WIDE_ENOUGH, "\n", good[0], good[1], row, "\n", good[2], good[3]])
    book = read_raw(tmp_path, text, angle=unit)
    assert len(book.shots) == 4 and "P9" not in book.points, why
    (invalid,) = book.invalid
    assert (invalid.file, invalid.line) == (0, 4)
    assert reason in invalid.reason, why
    assert (
        "".join({"direction": "d", "zenith": "z", "distance": "s"}[k] for k in invalid.kinds)
        == kinds
    )
    assert (invalid.setup, invalid.point) == tuple(row.split(",")[:2])
    assert book.files[0].rows == len(book.shots) + len(book.invalid)


def test_weather_in_other_units_is_refused(tmp_path: Path) -> None:
    """29.92 (inches of mercury) and 68 (Fahrenheit) are no hPa and no °C of a survey."""
    rows = "S1,P1,1,90,12,20,29.92\nS1,P2,1,90,12,68,1013\nS1,P3,1,90,12,20,1013\n"
    book = read_raw(tmp_path, f"{HEADER},temperature,pressure\n{rows}S1,P4,1,90,12,,\n")
    assert [row.reason for row in book.invalid] == [
        "pressure 29.92 is outside 500 to 1100 hPa",
        "temperature 68 is outside -60 to 60 °C",
    ]


def test_both_vertical_angles_in_one_row_contradict(tmp_path: Path) -> None:
    """Zenith and elevation_angle may share a file, not a row."""
    rows = "S1,P1,1,89,1\nS1,P2,1,89,\nS1,P3,1,,1\n"
    book = read_raw(tmp_path, f"setup,point,direction,zenith,elevation_angle\n{rows}")
    assert [row.reason for row in book.invalid] == ["zenith and elevation_angle are both given"]
    assert np.degrees(book.shots.zenith) == pytest.approx([89, 89], abs=1e-10)


def refused(tmp_path: Path, text: str, **options: str) -> str:
    """Return the message of a file that is refused."""
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, text, **options)
    return str(caught.value)


def test_more_than_half_bad_stops_the_run(tmp_path: Path) -> None:
    """Half bad rows are counted and reported; one more, and the file is refused, lines named."""
    bad = "S1,P9,1,90,none\n"
    assert len(read_raw(tmp_path, f"{HEADER}\n{good_rows(2)}{bad * 2}").invalid) == 2
    message = refused(tmp_path, f"{HEADER}\n{good_rows(2)}{bad * 3}")
    assert 'raw/a.csv:4: distance "none" is not a number' in message
    assert "raw/a.csv: 3 of 5 rows cannot be read, more than half" in message


def test_a_single_bad_row_is_the_whole_file(tmp_path: Path) -> None:
    """A file all of whose rows are bad is refused, be it one row."""
    assert "1 of 1 rows" in refused(tmp_path, f"{HEADER}\nS1,P1,x,90,12\n")


WRONG_UNIT = [
    # unit stated, direction and zenith cells, units that the message proposes, why
    (
        "deg",
        [("10-20-30", "89-58-12"), ("100-2-3", "90-01-02"), ("7-8-9", "91-1-1")],
        "dms",
        "text",
    ),
    ("dms", [("10.5", "89.971"), ("100.77", "90.1"), ("7.9", "91.25")], "deg or gon", "numbers"),
    ("rad", [("120.5", "89.9"), ("300.7", "90.1"), ("77.9", "91.25")], "deg or gon", "beyond"),
    ("rad", [("120.5", "99.9"), ("390.7", "100.1"), ("77.9", "101.2")], "gon", "beyond 360 too"),
    ("deg", [("1000", "1599"), ("6000", "1610"), ("3000", "1605")], "mil", "beyond the circle"),
    ("dms-packed", [("10.89", "89.7"), ("1.77", "90.6"), ("7.92", "91.6")], "deg or gon", "60 min"),
    ("deg", [("0.5", "1.5707"), ("6.1", "1.5611"), ("3.3", "1.58")], "rad", "all sights steep"),
    ("gon", [("0.5", "1.5707"), ("6.1", "1.5611"), ("3.3", "1.58")], "rad", "all sights steep"),
    ("mil", [("120.5", "89.9"), ("300.7", "90.1"), ("77.9", "91.25")], "deg or gon", "steep"),
]


@pytest.mark.parametrize(("unit", "cells", "right", "why"), WRONG_UNIT)
def test_a_column_in_another_unit_is_refused_with_a_hint(
    tmp_path: Path, unit: str, cells: list[tuple[str, str]], right: str, why: str
) -> None:
    """A file in another unit than stated stops the run; the message names the likely ones."""
    rows = "".join(f"S1,P{n},{d},{z},12\n" for n, (d, z) in enumerate(cells))
    message = refused(tmp_path, f"{HEADER}\n{rows}", angle=unit)
    assert f" is in {right}, not {unit}, set units.angle" in message, why


def test_gon_read_as_degrees_is_seen_by_the_share_beyond_the_circle(tmp_path: Path) -> None:
    """A tenth of gon directions lies beyond 360: the file is refused, not a tenth of its rows."""
    rng = np.random.default_rng(3)
    rows = "".join(f"S1,P{n},{d:.4f},99.5,12\n" for n, d in enumerate(rng.uniform(0, 400, 60)))
    message = refused(tmp_path, f"{HEADER}\n{rows}")
    assert "of 60 cells of direction are outside 0-360 deg. If direction is in gon" in message


def test_a_few_slips_beyond_the_circle_are_no_unit(tmp_path: Path) -> None:
    """Two readings of 3xx typed as 3xx beyond 360 among many good ones stay invalid rows."""
    rows = good_rows(60) + "S1,A,361.5,90,12\nS1,B,372,90,12\n"
    assert len(read_raw(tmp_path, f"{HEADER}\n{rows}").invalid) == 2


def test_sights_down_a_shaft_are_possible(tmp_path: Path) -> None:
    """Steep sights that are level in no other unit are read as they are."""
    rows = "".join(f"S1,P{n},{n},{178 + n / 10},12\n" for n in range(5))
    assert len(read_raw(tmp_path, f"{HEADER}\n{rows}").shots) == 5


def test_unknown_instrument_is_refused_by_name(tmp_path: Path) -> None:
    """An instrument without a stated precision cannot be weighted."""
    text = f"{HEADER},instrument\nS1,P1,1,90,12,TS9\nS1,P2,2,90,12,\n"
    message = refused(tmp_path, text)
    assert message.startswith("raw/a.csv:2: instrument TS9 is not under instruments:")
    more = "instruments: {TS9: {direction: 1}}"
    assert read_raw(tmp_path, text, more=more).setups[0].instrument == "TS9"


def test_invalid_row_still_says_where_the_instrument_stands(tmp_path: Path) -> None:
    """The first row of a setup may be bad in its zenith and still carry station and height."""
    text = (
        f"{HEADER},station,instrument_height\nS1,P0,1,x,12,CP1,1.5\nS1,P1,1,90,12,,\n"
        "S1,P2,1,90,12,,\n"
    )
    book: Fieldbook = read_raw(tmp_path, text)
    assert (book.setups[0].station, book.setups[0].instrument_height) == ("CP1", 1.5)
    assert labels_of(book) == ["S1", "S1"]
