"""Levelled height differences and taped distances."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.read.jobs import HEADER, good_rows, make_job
from tieup.errors import InputError
from tieup.model.job import Job
from tieup.model.link import BookedLink
from tieup.read import number_links, read_booked_links, read_levels, read_tapes


def job_with(tmp_path: Path, kind: str, text: str, *, length: str = "m", more: str = "") -> Job:
    """Make a job with a list of levels or tapes."""
    (tmp_path / f"{kind}.csv").write_text(text, encoding="utf-8")
    more = f"{kind}: {kind}.csv\n{more}"
    return make_job(tmp_path, {"a.csv": f"{HEADER}\n{good_rows(1)}"}, length=length, more=more)


def levels(
    tmp_path: Path, text: str, *, length: str = "m", more: str = ""
) -> tuple[BookedLink, ...]:
    """Read the text of a levels.csv."""
    job = job_with(tmp_path, "levels", text, length=length, more=more)
    assert job.levels_file is not None
    return read_levels(job.levels_file, job)


def tapes(tmp_path: Path, text: str, *, length: str = "m") -> tuple[BookedLink, ...]:
    """Read the text of a tapes.csv."""
    job = job_with(tmp_path, "tapes", text, length=length)
    assert job.tapes_file is not None
    return read_tapes(job.tapes_file, job)


def test_levels_have_their_own_sd_or_that_of_the_run(tmp_path: Path) -> None:
    """3 mm per square root of a km over 250 m is 1.5 mm; a stated sd goes before."""
    rows = "BM1,BM2,-0.5,,250,a\nBM2,CP1,1.25,0.002,9000,\n"
    found = levels(tmp_path, f"from,to,difference,sd,length,note\n{rows}", more="levels_sd: 3")
    assert [(k.kind, k.start, k.end, k.value, k.file, k.line, k.note) for k in found] == [
        ("level", "BM1", "BM2", -0.5, "levels.csv", 2, "a"),
        ("level", "BM2", "CP1", 1.25, "levels.csv", 3, ""),
    ]
    assert [k.sd for k in found] == pytest.approx([0.0015, 0.002], abs=1e-12)  # m


def test_levels_in_feet(tmp_path: Path) -> None:
    """Difference, sd and length are in feet, levels_sd in mm: 1 km is 3280.84 ft."""
    rows = "A,B,10,0.01,\nB,C,1,,3280.8398950131\n"
    found = levels(
        tmp_path, f"from,to,difference,sd,length\n{rows}", length="ft", more="levels_sd: 2"
    )
    assert [k.value for k in found] == pytest.approx([3.048, 0.3048], abs=1e-12)
    assert [k.sd for k in found] == pytest.approx([0.003048, 0.002], abs=1e-9)


def test_tapes(tmp_path: Path) -> None:
    """A taped distance has its sd; both are in the job's unit."""
    (found,) = tapes(tmp_path, "to,from,distance,sd\nB,A,100,0.01\n", length="ft")
    assert (found.kind, found.start, found.end) == ("tape", "A", "B")
    assert (found.value, found.sd) == (pytest.approx(30.48), pytest.approx(0.003048))


def test_links_are_arrays_over_the_points_of_the_site(tmp_path: Path) -> None:
    """Levels before tapes; marks known already keep their number, new ones follow."""
    (tmp_path / "tapes.csv").write_text("from,to,distance,sd\nCP1,X,9,0.002\n", encoding="utf-8")
    text = "from,to,difference,sd\nBM1,CP1,0.5,0.001\nCP1,BM1,-0.5,0.001\n"
    job = job_with(tmp_path, "levels", text, more="tapes: tapes.csv")
    points, links = number_links(read_booked_links(job), ("P1", "CP1"))
    assert points == ("P1", "CP1", "BM1", "X")
    assert links.kind.tolist() == ["level", "level", "tape"]
    assert (links.start.tolist(), links.end.tolist()) == ([2, 1, 1], [1, 2, 3])
    assert (links.value.tolist(), links.sd.tolist()) == ([0.5, -0.5, 9.0], [0.001, 0.001, 0.002])


def test_a_job_without_lists_has_no_links(tmp_path: Path) -> None:
    """Nothing to read gives empty arrays and leaves the points as they are."""
    job = make_job(tmp_path, {"a.csv": f"{HEADER}\n{good_rows(1)}"})
    points, links = number_links(read_booked_links(job), ("P1",))
    assert points == ("P1",)
    assert [len(column) for column in vars(links).values()] == [0] * 7


VECTOR = "from,to,d_northing,d_easting,d_elevation,sd_northing,sd_easting,sd_elevation\nA,B,1,1,1"
SQUARES = VECTOR.replace("sd_", "var_")
REFUSED = [
    ("levels", "from,to,difference,sd\nA,B,1,\n", "levels.csv:2: has no standard deviation"),
    ("levels", "from,to,difference,length\nA,B,1,100\n", "levels_sd in job.yaml"),
    ("levels", "from,to,difference,sd\nA,B,,1\n", "difference is empty"),
    ("levels", "from,to,difference,sd\nA,B,x,1\n", 'difference "x" is not a number'),
    ("levels", "from,to,difference,sd\nA,B,1,0\n", 'sd "0" is not above 0'),
    ("levels", "from,to,difference,sd\nA,B,1,1e-300\n", 'sd "1e-300" is finer than any'),
    ("levels", "from,to,difference,sd\nA,B,1e300,1\n", 'difference "1e300" is beyond all measure'),
    ("levels", "from,to,difference,sd\nA,B,1,1e300\n", 'sd "1e300" is beyond all measure'),
    ("levels", "from,to,difference,sd,length\nA,B,1,1,1e300\n", "is beyond all measure"),
    ("baselines", f"{VECTOR},1,1e300,1\n", 'sd_easting "1e300" is coarser than any'),
    ("baselines", f"{VECTOR},5,5,8\n", "Lengths here are in the job's unit: in mm?"),
    ("baselines", f"{VECTOR},1,1,1\nA,B,1,1,1,1,1,1\n", "csv:3: repeats the baseline of line 2"),
    ("baselines", f"{VECTOR},1,1e-9,1\n", 'sd_easting "1e-9" is finer than any length is known'),
    ("baselines", f"{SQUARES},1,1e300,1\n", 'var_easting "1e300" is coarser than any'),
    ("tapes", "from,to,distance,sd\nA,B,1e300,1\n", 'distance "1e300" is beyond all measure'),
    ("levels", "from,to,difference,sd\nA,A,1,1\n", "runs from A to itself"),
    ("levels", "from,to,difference,sd\n,A,1,1\n", "from or to is empty"),
    ("levels", "from,to,difference,sd,length\nA,B,1,1,-5\n", 'length "-5" is not above 0'),
    ("levels", "from,to,diference,sd\nA,B,1,1\n", "Is it the one called diference?"),
    ("tapes", "from,to,distance\nA,B,1\n", "column sd is missing"),
    ("tapes", "from,to,distance,sd\nA,B,1,\n", "has no standard deviation"),
    ("tapes", "from,to,distance,sd\nA,B,-1,0.1\n", 'distance "-1" is not above 0'),
    ("tapes", "from,to,distance,sd\nA,B,inf,0.1\n", 'distance "inf" is not a number'),
]


@pytest.mark.parametrize(("kind", "text", "message"), REFUSED)
def test_lists_that_cannot_be_right_are_refused(
    tmp_path: Path, kind: str, text: str, message: str
) -> None:
    """The message names file and line."""
    with pytest.raises(InputError) as caught:
        read_booked_links(job_with(tmp_path, kind, text))
    assert message in str(caught.value)
