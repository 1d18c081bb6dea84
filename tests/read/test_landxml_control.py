"""Control marks from LandXML: which points count, their coordinates and standard deviations."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.landxml_files import METRIC, SETUP, group, landxml, shot, xml_job
from tieup.errors import InputError
from tieup.model.control import Control
from tieup.read import read_control

FOOT = 0.3048  # m, exact (1959)


def control_of(folder: Path, points: str, *, units: str = METRIC, more: str = "") -> Control:
    """Read the control of a job whose control list is its own LandXML file."""
    text = landxml(SETUP + group(shot("P1")), points=points, units=units)
    job = xml_job(folder, text, more=f"control: raw/a.xml\n{more}")
    assert job.control_file is not None
    return read_control(job.control_file, job)


def test_only_marks_of_control_count(tmp_path: Path) -> None:
    """pntSurv="control" or the role of a control point; side shots and plain points do not."""
    control = control_of(
        tmp_path,
        '<CgPoint name="A" pntSurv="control">1 2 3</CgPoint>'
        '<CgPoint name="B" pntSurv="sideshot">4 5 6</CgPoint>'
        '<CgPoint name="C">7 8 9</CgPoint>'
        '<CgPoint name="D" role="control point">10 11</CgPoint>'
        '<CgPoint name="E" pntSurv="Control"/>',
    )
    assert control.names == ("A", "D", "E")
    assert np.array_equal(
        control.coordinates, [[1, 2, 3], [10, 11, np.nan], [np.nan] * 3], equal_nan=True
    )
    assert (control.sd == 0.0).all()


def test_coordinates_and_sds_are_in_the_unit_of_the_file(tmp_path: Path) -> None:
    """Northing first; a stated standard deviation goes before control_sd of the job."""
    control = control_of(
        tmp_path,
        '<CgPoints name="inner"><CgPoint name="A" pntSurv="control" northingStdError="0.01" '
        'elevationStdError="0">100 200 50</CgPoint></CgPoints>',
        units=METRIC.replace('"meter"', '"foot"'),
        more="control_sd: 0.004",
    )
    np.testing.assert_allclose(control.coordinates, [[100 * FOOT, 200 * FOOT, 50 * FOOT]])
    np.testing.assert_allclose(control.sd, [[0.01 * FOOT, 0.004, 0.0]])


def test_a_point_may_refer_to_another(tmp_path: Path) -> None:
    """Coordinates of its own win over the reference."""
    control = control_of(
        tmp_path,
        '<CgPoint name="P">1 2 3</CgPoint>'
        '<CgPoint name="A" pntSurv="control" pntRef="P"/>'
        '<CgPoint name="B" pntSurv="control" pntRef="P">4 5 6</CgPoint>',
    )
    assert control.coordinates.tolist() == [[1, 2, 3], [4, 5, 6]]


def test_every_problem_is_named_at_once(tmp_path: Path) -> None:
    """Two sets of coordinates for one mark, and a coordinate that is no number."""
    with pytest.raises(InputError) as caught:
        control_of(
            tmp_path,
            '<CgPoint name="A" pntSurv="control">1 2 3</CgPoint>\n'
            '<CgPoint name="A" pntSurv="control">1 2 4</CgPoint>\n'
            '<CgPoint name="B" pntSurv="control">1 x 3</CgPoint>',
        )
    first, second = caught.value.problems
    assert first.startswith("raw/a.xml:5: A is on line 4 already, with other coordinates")
    assert second == 'raw/a.xml:6: B: "x" is not a number'


@pytest.mark.parametrize(
    ("sd", "north", "message"),
    [
        ("1e-300", "1", "has too small an sd"),
        ("-0.01", "1", "has too small an sd"),
        ("1e300", "1", "a number is beyond all measure"),
        ("0.01", "1e300", "a number is beyond all measure"),
    ],
)
def test_a_mark_that_cannot_be(tmp_path: Path, sd: str, north: str, message: str) -> None:
    """No weight bears it: named with its line."""
    point = f'<CgPoint name="A" pntSurv="control" northingStdError="{sd}">{north} 2 3</CgPoint>'
    with pytest.raises(InputError, match=f"raw/a.xml:4: A: {message}"):
        control_of(tmp_path, point)


def test_a_file_without_control_marks_says_so(tmp_path: Path) -> None:
    """What a point must say to be control stands in the message."""
    with pytest.raises(InputError, match='Expected CgPoint with pntSurv="control"'):
        control_of(tmp_path, '<CgPoint name="A">1 2 3</CgPoint>')


POINTS = '<CgPoint name="A">1 2 3</CgPoint><CgPoint name="B" pntSurv="control">4 5 6</CgPoint>'
POINTS += '<CgPoint name="C">7 8</CgPoint><CgPoint name="D"/>'


@pytest.mark.parametrize(
    ("marks", "names"), [("all", ("A", "B", "C")), ("[C, A]", ("A", "C")), (None, ("B",))]
)
def test_job_yaml_says_which_points_are_control(
    tmp_path: Path, marks: str | None, names: tuple[str, ...]
) -> None:
    """All points with coordinates, those that are named, or those that the file marks."""
    text = landxml(SETUP + group(shot("P1")), points=POINTS)
    chosen = f", marks: {marks}" if marks else ""
    job = xml_job(tmp_path, text, more=f"control: {{file: raw/a.xml{chosen}}}")
    assert job.control_file is not None
    assert read_control(job.control_file, job).names == names


def test_a_point_that_is_not_there_is_named(tmp_path: Path) -> None:
    """A slip in ``marks`` is no mark less in silence."""
    text = landxml(SETUP + group(shot("P1")), points='<CgPoint name="CP1">1 2 3</CgPoint>')
    job = xml_job(tmp_path, text, more="control: {file: raw/a.xml, marks: [CP1, CP11]}")
    assert job.control_file is not None
    with pytest.raises(InputError, match=r"has no mark CP11 \(control\.marks\)\. Did you mean CP1"):
        read_control(job.control_file, job)


def test_unmarked_points_are_offered_as_control(tmp_path: Path) -> None:
    """The message says how to name them: the file of another program need not be edited."""
    points = "".join(f'<CgPoint name="P{n}">{n} 2 3</CgPoint>' for n in range(5))
    with pytest.raises(InputError) as caught:
        control_of(tmp_path, points)
    assert "it has 5 points without" in str(caught.value)
    assert "control: {file: raw/a.xml, marks: [P0, P1, P2, ...]}" in str(caught.value)
