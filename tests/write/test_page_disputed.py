"""Points in more than one place: a table of the places, and both of them on the plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.write.page_reading import plan_data, read_page, table_cells
from tests.write.page_sites import invented_site, with_disputes
from tests.write.sample import make_job
from tieup.write.page import page_text
from tieup.write.page.drawing import Drawing, plan_view
from tieup.write.page.drawing_layout import LONGEST
from tieup.write.page.page_table import row_starts

FOLDER = Path("yard")
SITE = with_disputes(invented_site(FOLDER))
PAGE = read_page(page_text(SITE))


def plan() -> Drawing:
    """Return the plan of the site with disputed points."""
    drawn = plan_view(SITE, row_starts(SITE.observations))
    assert drawn is not None
    return drawn


def test_every_place_is_in_the_table_with_its_sds() -> None:
    """Coordinates to the digits of the CSV, sds and distances in mm, by point and story."""
    rows = table_cells(PAGE, "disputed-table")
    stories = [place for finding in SITE.findings for place in finding.places]
    assert len(rows) == len(stories) == 4
    for row, place in zip(rows, stories, strict=True):
        assert (row["Point"], row["If"]) == (place.point, place.story)
        figures = [row[axis] for axis in ("Northing", "Easting", "Elevation")]
        assert figures == [f"{value:.4f}" for value in place.coordinates]
        sds = [row[head] for head in ("± N", "± E", "± elev.")]
        assert sds == [f"{sd * 1000:.1f}" for sd in place.sds]
    assert [row["Place"] for row in rows] == ["A", "B", "A", "B"]
    assert [row["Plan from A"] for row in rows] == ["0.0", "10.0", "0.0", "0.0"]  # 6 N, 8 E: mm
    assert [row["Height from A"] for row in rows] == ["0.0", "0.0", "0.0", "-50.0"]


def test_a_site_without_disputes_has_neither_table_nor_layer() -> None:
    """Nothing of it is on the page where every point has one place."""
    text = page_text(invented_site(FOLDER))
    assert "more than one place</h2>" not in text
    assert "disputed-table" not in text
    assert 'id="layer-disputed"' not in text


def test_both_places_are_drawn_around_the_point_to_scale() -> None:
    """10 mm apart times the scale times the factor of the caption, B to the north-east of A."""
    drawn = plan()
    first, second = [story for story in drawn.stories if not story.beside]
    factor = drawn.frame.scale * drawn.frame.exaggeration
    assert second.x - first.x == pytest.approx(0.008 * factor, abs=0.03)  # drawing units
    assert first.y - second.y == pytest.approx(0.006 * factor, abs=0.03)
    middle = (first.x + second.x) / 2, (first.y + second.y) / 2
    assert middle == pytest.approx((first.from_x, first.from_y), abs=0.02)
    assert not first.cut
    names = {label.text for label in drawn.labels if label.layer == "disputed"}
    assert names == {"M3 A", "M3 B", "M4 A high", "M4 B low"}


def test_the_region_has_the_size_of_the_confidence() -> None:
    """Half axes of an upright 95 % ellipse: 2.4477 sds (chi-square, 2 degrees of freedom)."""
    from scipy import stats

    drawn = plan()
    first = next(story for story in drawn.stories if not story.beside)
    place = next(finding for finding in SITE.findings if finding.places).places[0]
    factor = drawn.frame.scale * drawn.frame.exaggeration * np.sqrt(stats.chi2.ppf(0.95, 2))
    assert first.across == pytest.approx(place.sds[1] * factor, abs=0.01)
    assert first.along == pytest.approx(place.sds[0] * factor, abs=0.01)


def test_heights_that_differ_are_bars_up_and_down() -> None:
    """50 mm apart is too long to be drawn whole: cut alike, one up, one down, beside each other."""
    up, down = [story for story in plan().stories if story.beside]
    assert up.y < up.from_y == down.from_y < down.y
    assert up.cut and down.cut
    assert up.from_y - up.y == pytest.approx(down.y - down.from_y, abs=0.02)
    assert down.y - down.from_y <= LONGEST
    assert up.beside != down.beside


def test_a_tap_has_the_places_to_show() -> None:
    """The script has every story by the number of its point, with the digits of the table."""
    data = plan_data(PAGE)
    told = [[data["name"][row[0]], *row[1:]] for row in data["disputed"]]
    rows = table_cells(PAGE, "disputed-table")
    heads = ("Point", "Place", "If", "Northing", "Easting", "Elevation")
    assert told == [[row[head] for head in heads] for row in rows]


def test_a_rival_without_a_statistic_has_no_number() -> None:
    """No "nan times its own sd", neither for NaN nor for none."""
    finding = SITE.findings[0]
    rivals = tuple(
        replace(r, statistic=s) for r, s in zip(finding.rivals, (np.nan, None), strict=True)
    )
    words = page_text(replace(SITE, findings=(replace(finding, rivals=rivals),)))
    assert "nan times" not in words.lower()
    assert "the readings cannot tell</dd>" in words


def test_feet_are_feet() -> None:
    """In a job in feet the table speaks of feet."""
    page = read_page(page_text(replace(SITE, job=make_job(FOLDER, length_unit="ft"))))
    row = table_cells(page, "disputed-table")[1]
    assert row["Plan from A"] == "0.0100"
    assert "in ft" in page.one(id="disputed-table").text
