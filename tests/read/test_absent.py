"""Headings that may be meant for a column: named with what to write, never taken by guessing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.read.jobs import make_job, read_raw
from tieup.errors import InputError
from tieup.model.fieldbook import TEMPLATE
from tieup.read import read_fieldbook
from tieup.read.absent import SHORT_FORMS, nearest
from tieup.read.raw_columns import COLUMNS

ROW = "S1,P1,10,90,{n},1.5\n"


@pytest.mark.parametrize(
    ("heading", "column"),
    [
        ("slope", "distance"),
        ("hz", "direction"),
        ("zd", "zenith"),
        ("Target Height", "target_height"),
        ("TARGET-HEIGHT (m)", "target_height"),
        ("target_heigth", "target_height"),
        ("Slope Distance", ""),  # only where distance itself is not there to be meant
        ("mood", ""),
        ("battery", ""),
        ("x", ""),
    ],
)
def test_the_nearest_column(heading: str, column: str) -> None:
    """Short forms of the trade and slips of the pen; a strange word is near nothing."""
    lacking = [name for name in COLUMNS if name != "distance" or heading != "Slope Distance"]
    assert nearest(heading, lacking) == column


def test_short_forms_name_one_column_each() -> None:
    """No short form stands for two columns or is a column's own name."""
    forms = [form for name in SHORT_FORMS for form in SHORT_FORMS[name]]
    assert len(forms) == len(set(forms))
    assert not set(forms) & set(COLUMNS)
    assert set(SHORT_FORMS) <= set(COLUMNS)


def test_what_to_write_takes_the_column(tmp_path: Path) -> None:
    """The entry of a misspelt column, pasted into job.yaml, reads the file as it was meant."""
    head = "# by hand\nsetup,point,direction,zenith,slope,Target Height\n"
    raw = head + "".join(ROW.format(n=n) for n in range(5, 15))
    book = read_raw(tmp_path / "a", raw)
    told = {column.column: column for column in book.absent}
    assert set(told) == {"distance", "target_height"}
    assert {(c.file, c.line, c.sure) for c in book.absent} == {("raw/a.csv", 2, True)}
    assert told["distance"].heading == "slope"
    again = read_raw(tmp_path / "b", raw, more=told["distance"].entry)
    assert again.shots.distance.tolist() == [float(n) for n in range(5, 15)]
    (wanting,) = [c for c in again.absent if c.column == "target_height"]
    assert (wanting.entry, wanting.sure) == ("target_height: Target Height (under columns)", False)


def test_an_absent_reading_is_named_without_a_heading(tmp_path: Path) -> None:
    """No zenith column and nothing like it: absent, with no heading; elevation angles will do."""
    book = read_raw(tmp_path / "a", "setup,point,direction,distance,target_height\nS1,P1,10,20,1\n")
    assert [(c.column, c.heading) for c in book.absent] == [("zenith", "")]
    other = "setup,point,direction,elevation_angle,horizontal_distance,target_height\n"
    other += "S1,P1,10,1,20,0\n"
    assert read_raw(tmp_path / "b", other).absent == ()


def test_an_empty_column_is_meant_for_nothing(tmp_path: Path) -> None:
    """A heading without a cell below it is no reading that is lost."""
    text = "setup,point,direction,zenith,distance,target_height,hi\nS1,P1,10,90,20,1,\n"
    assert read_raw(tmp_path, text).absent == ()


def test_words_are_meant_for_no_number(tmp_path: Path) -> None:
    """A column rod that holds the kind of rod is no height; one that holds heights may be."""
    head = "setup,point,direction,zenith,distance,rod\nS1,P1,10,90,20,"
    (found,) = read_raw(tmp_path / "a", head + "bipod\n").absent
    assert (found.column, found.heading) == ("target_height", "")
    (found,) = read_raw(tmp_path / "b", head + "1.6\n").absent
    assert (found.column, found.heading) == ("target_height", "rod")


def test_a_table_without_observations_names_what_may_be_meant(tmp_path: Path) -> None:
    """The error says which headings may be direction and distance."""
    job = make_job(tmp_path, {"a.csv": "setup,point,hz,slope\nS1,P1,10,20\n"})
    with pytest.raises(InputError, match="hz may be direction, slope may be distance") as caught:
        read_fieldbook(job)
    assert str(caught.value).startswith("raw/a.csv:1: ")


def test_a_required_column_by_a_short_form(tmp_path: Path) -> None:
    """The point column is called pt: asked, and what job.yaml would have to say."""
    job = make_job(tmp_path, {"a.csv": "setup,pt,direction\nS1,P1,10\n"})
    cure = r"columns: \{setup: setup, point: pt, direction: direction\}"
    with pytest.raises(InputError, match=rf"one called pt\? Rename it, or .*: {cure}"):
        read_fieldbook(job)


def test_an_unknown_table_gets_a_proposal_for_its_columns(tmp_path: Path) -> None:
    """Said once, every heading that is like a column; as written in job.yaml it is taken."""
    text = "Stn,PtNo,Hz,V,SD,TH,Cd,Moon\nS1,P1,10,90,20,1.5,curb,full\n"
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "day1.csv").write_text(f"{TEMPLATE}\nsetup,point\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, text)
    first, last = caught.value.problems  # and not that day1.csv stands alone
    assert "columns:" not in first
    entry = last.split("every column that is taken: ")[1]
    assert entry == (
        "columns: {setup: Stn, point: PtNo, direction: Hz, zenith: V, distance: SD, "
        "target_height: TH, code: Cd}"
    )
    (tmp_path / "raw" / "day1.csv").unlink()
    book = read_raw(tmp_path, text, more=entry)
    assert (book.points, book.shots.target_height.tolist()) == (("P1",), [1.5])


def test_a_column_without_a_single_cell_is_as_good_as_missing(tmp_path: Path) -> None:
    """Target heights and readings: the column is there, and no row has a cell in it."""
    head = "setup,point,direction,zenith,distance,target_height\n"
    (found,) = read_raw(tmp_path / "a", f"{head}S1,P1,10,90,20,\nS1,P2,10,90,20,\n").absent
    assert (found.column, found.empty) == ("target_height", True)
    assert read_raw(tmp_path / "b", f"{head}S1,P1,10,90,20,\nS1,P2,10,90,20,0\n").absent == ()
    other = "setup,point,direction,zenith,elevation_angle,distance,target_height\n"
    assert read_raw(tmp_path / "c", f"{other}S1,P1,10,,1,20,1\n").absent == ()
