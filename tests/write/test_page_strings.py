"""Strings and falls on the page: the numbers of the CSV files; what fails, where the crew looks."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.write.page_reading import read_page, table_cells
from tests.write.page_sites import HOSTILE, invented_site
from tests.write.page_strings import FALL, with_falls, with_strings
from tieup.model.answer import SiteVerdict
from tieup.write.columns import FALLS
from tieup.write.page import page_text
from tieup.write.page.crew_view import crew_view
from tieup.write.tables import csv_text

PLAIN = invented_site(Path("yard"))
SITE = with_falls(with_strings(PLAIN))
PAGE = read_page(page_text(SITE))


def test_each_string_has_its_length_falls_and_both_kinds_of_sd() -> None:
    """24 points 4 m apart: 92 m; falls from 0.3 to -1.9 %; within and across stand apart.

    By hand from how the invented table is made.
    """
    shown = table_cells(PAGE, "strings-table")
    assert len(shown) == len(set(SITE.strings["string"])) > 10
    first = shown[0]
    expected = {
        "String": "CURB-0",
        "Code": "curb",
        "Points": "24",
        "Length": "92.000",
        "± mm": "4.9",
        "Least fall %": "-1.900",
        "Most %": "0.300",
        "± within %": "0.040",
        "± across %": "0.040",
        "Remarks": "turns back here",
    }
    assert {name: first[name] for name in expected} == expected
    points = [p for p, s in zip(*(SITE.strings[n] for n in ("point", "string")), strict=True)
              if s == "CURB-0"]  # fmt: skip
    assert first["Low spots"] == f"{points[6]}; perhaps {points[8]}"


def test_falls_are_those_of_the_csv_the_failing_first() -> None:
    """Every cell is that of falls.csv; fail, cannot tell, pass in this order."""
    rows = list(csv.DictReader(io.StringIO(csv_text(SITE.falls, FALLS, "deg"))))
    shown = table_cells(PAGE, "falls-table")
    rank = {"fail": 0, "cannot tell": 1, "pass": 2}
    rows.sort(key=lambda row: rank[row["verdict"]])
    assert [cells["Result"] for cells in shown] == [row["verdict"] for row in rows]
    for cells, row in zip(shown, rows, strict=True):
        assert (cells["Check"], cells["Fall %"], cells["± %"]) == (
            row["check"],
            row["fall"],
            row["sd_fall"],
        )
        assert (cells["At least"], cells["In words"]) == (row["minimum"], row["reason"])


def test_the_office_sees_each_check_with_its_counts() -> None:
    """A check of two falls of which one fails has failed."""
    shown = table_cells(PAGE, "checks-table")
    assert [(c["Check"], c["Result"], c["Fail"], c["Pass"]) for c in shown] == [
        ("apron", "fail", "1", "1"),
        ("lane", "cannot tell", "0", "0"),
        ("gate", "pass", "0", "1"),
    ]


def test_the_crew_sees_what_fails_apart_from_mistakes() -> None:
    """A slope out of its limit is no mistake of the survey: it has a heading of its own."""
    crew = crew_view(SITE)
    assert [fall.says for fall in crew.falls] == [FALL.says]
    assert FALL.says not in [mistake.says for mistake in crew.mistakes]
    assert FALL.says in read_page(page_text(SITE)).one(id="crew").text


def test_a_site_that_ties_says_that_a_fall_fails() -> None:
    """The answer is not good news while a slope is out of its limit."""
    ties = replace(SITE, verdict=SiteVerdict("ties", (), SITE.verdict.falls), findings=(FALL,))
    crew = crew_view(ties)
    assert (crew.answer, crew.shape) == ("The bays tie, but 1 fall fails.", "bad")
    assert ties.status == 1
    assert crew_view(replace(ties, verdict=SiteVerdict("ties"))).answer == "The bays tie."


def test_a_site_without_strings_or_falls_shows_no_empty_tables() -> None:
    """No heading without a table."""
    text = page_text(PLAIN)
    assert not any(f'id="{name}-table"' in text for name in ("strings", "falls", "checks"))


def test_hostile_names_of_strings_are_text() -> None:
    """A string named like markup is shown, not run."""
    strings = {name: np.array(column) for name, column in SITE.strings.items()}
    falls = {name: np.array(column) for name, column in SITE.falls.items()}
    for table, column in ((strings, "string"), (strings, "remarks"), (falls, "check")):
        table[column] = np.array([HOSTILE[i % 2] for i in range(len(table[column]))], dtype=object)
    text = page_text(replace(SITE, strings=strings, falls=falls))
    assert "<script>alert(1)" not in text and "<img src=x" not in text
