"""Derived points and stored coordinates on the page: the cells of the CSV files, odd ones seen."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.write.page_reading import Element, read_page, table_cells
from tests.write.page_sites import HOSTILE, invented_site
from tests.write.sample import table
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import DERIVED, FIELD, FIELD_SETUPS
from tieup.write.page import page_text
from tieup.write.tables import csv_text

PLAIN = invented_site(Path("yard"))


def derived_rows(first: str = "D1") -> list[dict[str, Any]]:
    """Return three points of their own, one of them typed, and a string of four, one odd."""
    place = {"northing": 2010.5, "easting": 5020.25, "elevation": 112.3}
    spread = {"sd_northing": 0.0012, "sd_easting": 0.0013, "sd_elevation": 0.0009}
    typed = {"measured_elevation": 112.389, "typed_elevation": 112.25, "d_elevation": -0.139}
    typed |= {"sd_difference": 0.0008, "limit_elevation": 0.003}
    return [
        {"point": first, "how": "2.500 m at 45 from T5", **place, **spread},
        {
            "point": "D2",
            "how": "intersection of A-B and C-D",
            "remarks": "A-B and C-D are parallel",
        },
        {"point": "LID", "how": "T7 with a typed elevation", **place, **spread, **typed}
        | {"verdict": "differs", "by": "office", "reason": "lid set to plan"},
        *(
            {"point": f"BACK-{i}", "string": "BACK", "how": "0.150 m to the right", **place}
            | {"remarks": "the offset is bigger than the bend at 3 allows" if i == 3 else ""}
            for i in range(1, 5)
        ),
    ]


def field_rows() -> list[dict[str, Any]]:
    """Return stored coordinates: one in place, two moved with their setup, one on its own."""
    limits = {"limit_horizontal": 0.006, "limit_elevation": 0.003, "sd_elevation": 0.001}
    return [
        {"file": "raw/s3.csv", "line": line, "setup": "S3", "point": point, "d_northing": plan}
        | {"d_horizontal": plan, "d_elevation": rise, "sd_horizontal": 0.001, "verdict": verdict}
        | {"cause": cause, "stake_out": staked, **limits}
        for line, point, plan, rise, verdict, cause, staked in (
            (2, "M1", 0.001, 0.0, "same", "", ""),
            (3, "M2", 0.012, 0.0, "moved", "with its setup", ""),
            (4, "M3", 0.013, 0.0, "moved", "with its setup", "yes"),
            (5, "M4", 0.002, 0.250, "moved", "on its own", ""),
        )
    ]


SAYS = "S3 stored its points 12.3 mm north of where they are; 1 stake-out from it, first M3 10:42"
SETUP = {"setup": "S3", "points": 4, "moved": 3, "d_northing": 0.0123, "d_easting": 0.0004}
SETUP |= {"d_elevation": -0.0002, "turn": 41.7, "d_horizontal": 0.013, "far_point": "M3"}
SETUP |= {"verdict": "moved", "stake_outs": 1, "first": "M3", "first_time": "10:42", "says": SAYS}


def worked(site: Reconciliation, first: str = "D1") -> Reconciliation:
    """Return a site that derives points and stored coordinates in the field."""
    return replace(
        site,
        derived=table(DERIVED, derived_rows(first)),
        field_rows=table(FIELD, field_rows()),
        field_setups=table(FIELD_SETUPS, [SETUP]),
    )


SITE = worked(PLAIN)
PAGE = read_page(page_text(SITE))


def test_points_of_their_own_are_shown_and_strings_where_they_are_odd() -> None:
    """Four of seven rows, with the digits of derived.csv; sds in mm; the note says the rest."""
    rows = {
        r["point"]: r for r in csv.DictReader(io.StringIO(csv_text(SITE.derived, DERIVED, "deg")))
    }
    shown = table_cells(PAGE, "derived-table")
    assert [cells["Point"] for cells in shown] == ["D1", "D2", "LID", "BACK-3"]
    for cells in shown:
        row = rows[cells["Point"]]
        assert (cells["How"], cells["Remarks"]) == (row["how"], row["remarks"])
        for title in ("Northing", "Easting", "Elevation"):
            assert cells[title] == row[title.lower()]
    assert (shown[0]["± N"], shown[0]["± elev."]) == ("1.2", "0.9")
    assert "4 of 7 derived points are shown here; all of them are in derived.csv." in texts(PAGE)


def test_a_typed_elevation_stands_beside_the_measured_one() -> None:
    """One row: both values, the difference in mm against its limit, who and why."""
    (cells,) = table_cells(PAGE, "typed-table")
    assert cells == {
        "Point": "LID",
        "Result": "differs",
        "Measured": "112.3890",
        "Typed": "112.2500",
        "Typed - measured": "-139.0",
        "± measured": "0.8",
        "Limit": "3.0",
        "By": "office",
        "Reason": "lid set to plan",
    }


def test_a_setups_frame_is_said_in_words() -> None:
    """The sentence, the shift in mm, the turn in whole seconds."""
    (cells,) = table_cells(PAGE, "field-setups-table")
    assert cells["In words"] == SAYS
    assert cells["Frame"] == "moved"
    assert [cells[name] for name in ("N", "E", "Height", "Turn (arc sec)")] == [
        "12.3",
        "0.4",
        "-0.2",
        "42",
    ]


def test_moved_points_come_on_their_own_first() -> None:
    """What moved on its own, then with its setup by size; what stayed is left out."""
    shown = table_cells(PAGE, "field-table")
    assert [cells["Point"] for cells in shown] == ["M4", "M3", "M2"]
    assert [cells["Staked out"] for cells in shown] == ["", "yes", ""]
    assert shown[0]["Height"] == "250.0"


def test_a_site_without_them_has_no_such_panels() -> None:
    """Nothing derived, nothing stored: no headings and no tables."""
    page = read_page(page_text(PLAIN))
    headings = [element.text for element in page.all("h2")]
    assert not {"Derived points", "Coordinates stored in the field"} & set(headings)
    known = {t.attributes["aria-labelledby"] for t in page.all("table")}
    assert not known & {"derived-table", "typed-table", "field-setups-table", "field-table"}


def test_names_and_reasons_are_texts_whatever_they_hold() -> None:
    """Markup in a name or a reason is shown and never read as markup."""
    for name in HOSTILE:
        site = worked(PLAIN, name)
        page = read_page(page_text(site))
        assert table_cells(page, "derived-table")[0]["Point"] == name.strip()


def texts(page: Element) -> list[str]:
    """Return the texts of all paragraphs."""
    return [element.text for element in page.all("p")]
