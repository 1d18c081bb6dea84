"""The control list is read whole or refused: a held mark is never left out in silence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import HEADER, good_rows, make_job
from tieup.errors import InputError
from tieup.model.control import Control
from tieup.read import read_control

FULL = "point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation,note"
SHORT = "point,northing,easting,elevation"


def control(tmp_path: Path, text: str | bytes, *, length: str = "m", more: str = "") -> Control:
    """Read the text of a control.csv."""
    content = text if isinstance(text, bytes) else text.encode("utf-8")
    (tmp_path / "control.csv").write_bytes(content)
    job = make_job(tmp_path, {"a.csv": f"{HEADER}\n{good_rows(1)}"}, length=length, more=more)
    assert job.control_file is not None
    return read_control(job.control_file, job)


def test_control_is_read_in_metres(tmp_path: Path) -> None:
    """Feet become metres; an empty coordinate is NaN; 0 holds; an empty sd takes control_sd."""
    rows = "CP1,1000,2000,100,0,0,0,brass cap\n 007 ,,,50,,,0.01,hub\n"
    found = control(tmp_path, f"# marks\n{FULL}\n{rows}", length="ft", more="control_sd: 0.02")
    assert (found.file, found.names) == ("control.csv", ("CP1", "007"))
    assert found.coordinates[0] == pytest.approx([304.8, 609.6, 30.48], abs=1e-12)  # m
    assert np.isnan(found.coordinates[1, :2]).all()
    assert found.coordinates[1, 2] == pytest.approx(15.24, abs=1e-12)
    assert found.sd[0].tolist() == [0.0, 0.0, 0.0]
    assert found.sd[1] == pytest.approx([0.006096, 0.006096, 0.003048], abs=1e-12)
    assert found.line.tolist() == [3, 4]
    assert found.notes == ("brass cap", "hub")


def test_control_held_by_default(tmp_path: Path) -> None:
    """Without sd columns and control_sd every mark is held."""
    assert control(tmp_path, f"{SHORT}\nCP1,1,2,3\n").sd.tolist() == [[0.0, 0.0, 0.0]]


def test_order_byte_order_mark_and_line_ends_do_not_matter(tmp_path: Path) -> None:
    """Columns in any order, BOM, CRLF, comments and blank lines."""
    text = "\ufeffElevation,POINT,easting,northing,code\r\n\r\n# c\r\n3,CP1,2,1,x\r\n"
    found = control(tmp_path, text.encode("utf-8"))
    assert found.coordinates.tolist() == [[1.0, 2.0, 3.0]]
    assert found.line.tolist() == [4]


def test_a_mark_listed_twice_with_the_same_values_is_one(tmp_path: Path) -> None:
    """The second line adds a note and nothing else."""
    found = control(tmp_path, f"{SHORT},note\nCP1,1,2,,a\nCP2,4,5,6,\nCP1,1.0,2.00,,b\n")
    assert found.names == ("CP1", "CP2")
    assert found.notes == ("a (again on line 4)", "")
    assert found.line.tolist() == [2, 3]


REFUSED = [
    # text, what the message says, why
    (f"{SHORT}\nCP1,1,2,3\nCP2,1,x,3\n", 'control.csv:3: easting "x" is not a number', "text"),
    (f"{SHORT}\nCP1,nan,2,3\n", 'control.csv:2: northing "nan" is not a number', "NaN"),
    (f"{SHORT}\nCP1,1,2,inf\n", 'control.csv:2: elevation "inf" is not a number', "infinity"),
    (f"{FULL}\nCP1,1,2,3,-1,0,0,\n", 'sd_northing "-1" is negative', "a negative sd"),
    (f"{SHORT}\n,1,2,3\n", "control.csv:2: point is empty", "no name"),
    (f"{SHORT}\nCP1,1,2\n", "control.csv:2: the row breaks off", "cut off"),
    (f"{SHORT}\nCP1,1,2,3,4\n", "control.csv:2: the row has 5 cells", "a comma too many"),
    (
        f"{SHORT}\nCP1,1,2,3\nCP2,0,0,0\nCP1,1,2,4\n",
        "control.csv:4: CP1 is on line 2 already, with other values",
        "two sets of values",
    ),
    (f"{FULL}\nCP1,1,2,3,0,0,0,\nCP1,1,2,3,0,0,1,\n", "with other values", "two sds"),
    ("point,northing,easting\nCP1,1,2\n", "control.csv:1: column elevation is missing", "missing"),
    ("point,northing,easting,elevaton\nCP1,1,2,3\n", "Is it the one called elevaton?", "a slip"),
    (
        f"{SHORT},sd_elevaton\nCP1,1,2,3,0.1\n",
        "Did you mean sd_elevation?",
        "a slip that would hold a weighted mark",
    ),
    (f"{SHORT},point\nCP1,1,2,3,CP1\n", "column point is there twice", "a column twice"),
    ("", "control.csv:1: is empty, and datum is control", "empty"),
    (SHORT, "control.csv:1: has a header and no rows", "a header alone"),
]


@pytest.mark.parametrize(("text", "message", "why"), REFUSED)
def test_control_that_cannot_be_right_is_refused(
    tmp_path: Path, text: str, message: str, why: str
) -> None:
    """The message names file, line and column."""
    with pytest.raises(InputError) as caught:
        control(tmp_path, text)
    assert message in str(caught.value), why


def test_all_problems_of_the_list_at_once(tmp_path: Path) -> None:
    """Four bad cells are four problems."""
    with pytest.raises(InputError) as caught:
        control(tmp_path, f"{FULL}\n,x,2,3,,,,\nCP2,1,y,3,-1,,,\n")
    assert len(caught.value.problems) == 4


FOREIGN = "list of marks\nNr;X;Y;H;s\nCP1;5000,123;1000,5;32,808;0,002\n007;1;2;;\n"
LONG = 'control: {delimiter: ";", decimal: ",", skip_rows: 1, columns: {point: Nr, northing: X, '
LONG += "easting: Y, elevation: {column: H, unit: ft}, sd_northing: {value: '0,001'}}}"


def test_a_list_of_another_program_is_read_as_job_yaml_says(tmp_path: Path) -> None:
    """Delimiter, decimal comma, lines above the header, columns and a unit of their own."""
    found = control(tmp_path, FOREIGN, more=LONG)
    assert found.names == ("CP1", "007") and found.line.tolist() == [3, 4]
    assert found.coordinates[0] == pytest.approx([5000.123, 1000.5, 32.808 * 0.3048], abs=1e-9)
    assert np.isnan(found.coordinates[1, 2])
    assert found.sd.tolist() == [[0.001, 0.0, 0.0]] * 2  # a value for every row, then control_sd


def test_a_list_by_position_and_in_another_encoding(tmp_path: Path) -> None:
    """No header: columns by position from 1; a plan-only list needs no elevation."""
    columns = "{point: 1, northing: 3, easting: 2, note: 4}"
    more = f"control: {{header: false, encoding: cp1252, delimiter: tab, columns: {columns}}}"
    found = control(tmp_path, "M\xe4rz\t2\t1\tM\xfchle\n".encode("cp1252"), more=more)
    assert found.names == ("M\xe4rz",) and found.notes == ("M\xfchle",)
    assert np.array_equal(found.coordinates, [[1.0, 2.0, np.nan]], equal_nan=True)


def test_some_marks_of_a_list(tmp_path: Path) -> None:
    """``marks`` takes those that it names, and refuses one that is not there."""
    rows = f"{SHORT}\nCP1,1,2,3\nCP2,4,5,6\nTREE,7,8,9\n"
    found = control(tmp_path, rows, more="control: {marks: [CP2, CP1]}")
    assert found.names == ("CP1", "CP2") and found.line.tolist() == [2, 3]
    with pytest.raises(InputError, match=r"has no mark CP3 \(control.marks\). Did you mean CP2?"):
        control(tmp_path, rows, more="control: {marks: [CP3]}")


CURES = [
    # what is stated, the list, the cure that the message names
    ("", "point;northing;easting;elevation\nCP1;1;2;3\n",
     'Set control: {file: control.csv, delimiter: ";"}'),
    ("", "point;northing;easting;elevation\nCP1;1,5;2,5;3\n",
     'Set control: {file: control.csv, delimiter: ";", decimal: ","}'),
    ('control: {delimiter: ";"}', f"{SHORT.replace(',', ';')}\nCP1;1;2,5;3\n",
     'control.csv:2: easting "2,5" is not a number (its decimal sign is a comma). Set control: '
     '{file: control.csv, delimiter: ";", decimal: ","}'),
    ("", "point,Y,X,elevation\nCP1,1,2,3\n",
     "Rename the one that is meant, or name every column that is taken: control: {file: "
     "control.csv, columns: {point: point, northing: ..., easting: ..., elevation: elevation}}"),
    ("", "pt,northing,easting,elevation,sd_northing\nCP1,1,2,3,0\n",
     "Is it the one called pt? Rename it, or name every column that is taken: control: {file: "
     "control.csv, columns: {point: pt, northing: northing, "),
    ("control: {columns: {point: Nr, northing: N, easting: E}}", "No,N,E\n1,2,3\n",
     "column Nr is missing, which control.columns.point in job.yaml names. Is it the one called "
     "No?"),
]  # fmt: skip


@pytest.mark.parametrize(("stated", "text", "cure"), CURES)
def test_the_cure_of_a_wrong_list_is_one_that_works(
    tmp_path: Path, stated: str, text: str, cure: str
) -> None:
    """Messages name the form of ``control:``, not the keys of raw tables."""
    with pytest.raises(InputError) as caught:
        control(tmp_path, text, more=stated)
    assert cure in str(caught.value), str(caught.value)


def test_a_list_in_another_encoding_names_its_own_key(tmp_path: Path) -> None:
    """The encoding of raw tables does not hold for the list: the message says where it goes."""
    with pytest.raises(InputError, match=r"control: {file: control\.csv, encoding: cp1252}"):
        control(tmp_path, f"{SHORT}\nM\xe4rz,1,2,3\n".encode("cp1252"))


def test_an_sd_finer_than_any_mark_is_refused(tmp_path: Path) -> None:
    """1e-300 is neither held nor a weight that arithmetic can carry."""
    with pytest.raises(InputError, match='sd_easting "1e-300" is finer than any mark is known'):
        control(tmp_path, f"{FULL}\nCP1,1,2,3,0.001,1e-300,0,\n")
