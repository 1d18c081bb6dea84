"""The views of report.html: the crew's words, the surveyor's numbers, the office's books."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import yaml

from tests.write.page_reading import plan_data, read_page, table_cells
from tests.write.page_sites import invented_site, with_extras
from tests.write.sample import make_job, make_site
from tieup.model.answer import SiteVerdict
from tieup.model.decision import Decision
from tieup.model.reconciliation import FATES, Reconciliation
from tieup.write.page import page_text
from tieup.write.page.office_view import office_view
from tieup.write.page.view import page_of
from tieup.write.tables import coordinates_text, observations_text, setups_text, ties_text

FOLDER = Path("yard")
SITE = invented_site(FOLDER)
PAGE = read_page(page_text(SITE))
FULL = read_page(page_text(with_extras(SITE)))


def csv_rows(text: str) -> list[dict[str, str]]:
    """Return a CSV file as the csv module of the standard library reads it."""
    return list(csv.DictReader(io.StringIO(text)))


# ---- numbers: those of the CSV files ----------------------------------------------------------


def test_the_plan_has_the_coordinates_of_the_csv_to_the_letter() -> None:
    """What a tap on a point shows are the digits of coordinates.csv, for every point."""
    rows, data = csv_rows(coordinates_text(SITE)), plan_data(PAGE)
    assert data["name"] == [row["point"] for row in rows]
    for name, texts in data["figures"].items():
        assert texts.split(",") == [row[name] for row in rows], name
    for name, coded in data["words"].items():
        words = [coded["list"][int(number)] for number in coded["of"].split(",")]
        assert words == [row[name] for row in rows], name


def test_the_setups_are_those_of_the_csv() -> None:
    """Coordinates and orientations are the digits of setups.csv; sds the same in mm."""
    shown = table_cells(PAGE, "setups-table")
    for row, cells in zip(csv_rows(setups_text(SITE)), shown, strict=True):
        for column in ("setup", "northing", "easting", "elevation", "orientation", "redundancy"):
            assert cells[column.capitalize()] == row[column]
        assert cells["± N"] == f"{float(row['sd_northing']) * 1000:.1f}"
        assert cells["Weakest sd (mm)"] == row["geometry_sd"]


def test_the_ties_are_those_of_the_csv() -> None:
    """Every tie is there with its differences: thousandths of what ties.csv has in metres."""
    rows = {(row["point"], row["setup"]): row for row in csv_rows(ties_text(SITE))}
    shown = table_cells(PAGE, "ties-table")
    assert len(shown) == len(rows)
    for cells in shown:
        row = rows[cells["Mark"], cells["Setup"]]
        for title, column in (("N", "d_northing"), ("E", "d_easting"), ("Height", "d_elevation")):
            if row[column]:  # the CSV has two decimals more
                assert abs(float(cells[title]) - float(row[column]) * 1000) <= 0.051  # mm
            else:
                assert cells[title] == ""
        assert cells["Verdict"] == {"fails": "does not tie", "untested": "not proved"}.get(
            row["verdict"], row["verdict"]
        )


def test_a_job_in_feet_shows_feet() -> None:
    """Feet go to ten-thousandths in tables, the page says which foot, and no mm stand anywhere."""
    site = replace(SITE, job=make_job(FOLDER, length_unit="ftUS"), findings=())
    page = read_page(page_text(site))
    assert "US survey" in page.one(id="setups-table").text
    row = csv_rows(ties_text(site))[1]
    cells = next(
        c
        for c in table_cells(page, "ties-table")
        if (c["Mark"], c["Setup"]) == (row["point"], row["setup"])
    )
    assert float(cells["N"]) == pytest.approx(float(row["d_northing"]), abs=0.000051)  # ft
    crew = page.one(id="crew").text
    assert "0.100 US ft low (limit 0.003 US ft)" in crew
    assert " mm" not in crew + page.one(id="ties-table").text


# ---- the crew lead ------------------------------------------------------------------------------


def test_the_answer_comes_first() -> None:
    """The only first-level heading answers the question: does it tie?"""
    assert "Do not build on it yet." in PAGE.one("h1").text
    ties = read_page(page_text(make_site(FOLDER, ties=True)))
    assert "The bays tie." in ties.one("h1").text


def test_what_is_not_proved_is_the_answer_where_nothing_fails() -> None:
    """A site without a failing tie whose setup S4 nothing proves is not called good."""
    verdict = SiteVerdict("unproved", ("S4: its marks lie in one line",))
    crew = page_of(replace(with_extras(SITE), verdict=verdict)).crew
    assert (crew.answer, crew.shape) == ("Not proved yet.", "open")
    assert "S4: its marks lie in one line." in crew.reasons


def test_the_crew_reads_no_statistics() -> None:
    """No Greek, no symbol and no word of statistics on the crew lead's view."""
    words = FULL.one(id="crew").text
    assert not re.findall("[Α-Ωα-ωµ]", words)
    for word in (
        *("sigma", "chi", "statistic", "residual", "redundancy", "covariance", "ellipse"),
        *("deviation", "confidence", "variance", "degrees of freedom", "±", "1 sd"),
    ):
        assert word not in words.lower()


def test_what_is_not_tested_is_not_called_good() -> None:
    """Untested ties and unchecked points are named as such even where the site ties."""
    site = make_site(FOLDER, ties=True)
    words = read_page(page_text(site)).one(id="crew").text
    assert "1 of 2 ties hold within" in words
    assert "1 tie not proved either way" in words
    assert "CP9 from S1" in words
    assert "Nothing checks 1 of 2 points" in words


def test_a_site_without_ties_has_none_to_show() -> None:
    """Where no mark is shared the page says so instead of counting none as good."""
    bare = {name: np.asarray(column)[:0] for name, column in SITE.ties.items()}
    site = replace(SITE, ties=bare, verdict=SiteVerdict("unproved"))
    words = read_page(page_text(site)).one(id="crew").text
    assert "there are no ties to test" in words


def test_setups_and_joints_are_those_of_the_crews_answer() -> None:
    """Plan, height, limit and verdict of each, in the job's unit, what does not tie first."""
    crew = page_of(with_extras(SITE)).crew
    assert [row.name for row in crew.setups] == ["S2", "S3", "S4", "S1"]
    s2, s3, s4, _ = crew.setups
    assert (s2.where, s2.verdict.word) == ("over CP3: 1 of 6 marks off", "does not tie")
    assert [(m.label, m.says, m.limit, m.over, m.point) for m in s3.measures] == [
        ("Plan", "2.7 mm", "6 mm", False, "CP3"),
        ("Height", "100 mm low", "3 mm", True, "M2"),
    ]
    assert (s4.measures, s4.verdict.word) == ((), "not proved")
    first, second = crew.joints
    assert (first.name, first.where, first.verdict.word) == ("S2 to S3", "CURB-2", "does not tie")
    assert [(m.label, m.says, m.over) for m in first.measures] == [
        ("Plan", "8.3 mm", True),
        ("Height", "S3 6.1 mm low", True),
    ]
    assert [(m.label, m.says, m.point) for m in second.measures] == [
        ("Plan", "2.1 mm", ""),
        ("Far end", "3.4 mm", "131"),
        ("Height", "S2 1.2 mm high", ""),
    ]
    assert "S3 is the odd one." in crew.reasons


def test_the_crews_answer_is_in_metres_and_the_page_in_feet() -> None:
    """0.1 m is 0.328 ft, 3 mm are 0.010 ft: NIST SP 811, 1 ft = 0.3048 m."""
    site = with_extras(SITE)
    assert site.answer is not None
    feet = replace(site.answer, length_unit="ft")
    crew = page_of(replace(site, answer=feet, job=make_job(FOLDER, length_unit="ft"))).crew
    height = crew.setups[1].measures[1]
    assert (height.says, height.limit) == ("0.328 ft low", "0.010 ft")


def test_a_site_without_the_crews_answer_still_names_its_setups() -> None:
    """The verdicts are those of setups.csv."""
    rows = {row.name: row.verdict.word for row in page_of(SITE).crew.setups}
    words = {"fails": "does not tie", "ties": "ties"}
    assert rows == {r["setup"]: words[r["verdict"]] for r in csv_rows(setups_text(SITE))}


def test_the_gauge_has_the_limit_in_its_middle() -> None:
    """Half a gauge is the limit; twice the limit and more fill it."""
    crew = page_of(with_extras(SITE)).crew
    measures = [m for row in (*crew.setups, *crew.joints) for m in row.measures]
    assert all((m.percent > 50.0) is m.over for m in measures)
    assert max(m.percent for m in measures) == 100.0


def test_a_mistake_stands_with_what_to_do_about_it() -> None:
    """Every stop and check is on the crew's view, with the way to make sure; notes are not."""
    words = PAGE.one(id="crew").text
    for finding in SITE.findings:
        asked = finding.severity in ("stop", "check")
        assert (finding.says in words) is asked
        assert (finding.confirm in words) is (asked or not finding.confirm)
    assert "To do" not in words
    asked = FULL.one(id="crew").one("ol", look="todo")
    assert [item.text for item in asked.all("li")] == [
        "At S3: shoot M2 again, both faces, pole height read aloud"
    ]


# ---- the surveyor -------------------------------------------------------------------------------


def test_both_fits_stand_side_by_side() -> None:
    """The fit of the site by itself and the one held to control, with words and bounds."""
    by_itself, held = PAGE.all("div", look="fit")
    assert "fits as well as the gear should" in by_itself.text
    assert "fits worse than the gear should" in held.text
    for text in ("31", "1.02", "32.3", "17.5 and 48.2"):
        assert text in by_itself.text
    assert "1.52" in held.text
    alone = read_page(page_text(replace(SITE, summary=replace(SITE.summary, held=None))))
    assert len(alone.all("div", look="fit")) == 1


def test_findings_are_whole_and_worst_first() -> None:
    """Evidence, rivals, confirm and cure of every finding, in the order of findings.json."""
    articles = PAGE.all("article")
    assert [a.attributes["id"] for a in articles] == [f.id for f in SITE.findings]
    words = articles[0].text
    for text in ("-0.1001 m", "1 sd 0.00093", "107 times its own sd", "raw/s3.csv:8"):
        assert text in words
    assert "mark moved, M2: the readings speak against it (88.1 times its own sd)" in words
    assert "zenith, S3 to M2: the readings cannot tell (107 times its own sd)" in words
    assert SITE.findings[0].confirm in words
    assert SITE.findings[0].cure in words


def test_the_line_to_paste_is_a_decision() -> None:
    """Pasted under ``decisions:`` the lines are YAML with the finding's id, by and reason."""
    for article, finding in zip(PAGE.all("article"), SITE.findings, strict=True):
        lines = [p.one("code").text for p in article.all("p", look="decision")]
        entries = yaml.safe_load("decisions:\n" + "\n".join(f"  {line}" for line in lines))
        expected = ["accept", "keep"] if finding.action else []
        assert [next(iter(e)) for e in entries["decisions"] or []] == expected
        for entry in entries["decisions"] or []:
            assert set(entry) == {next(iter(entry)), "by", "reason"}
            assert next(iter(entry.values())) == finding.id


def test_what_a_person_has_settled_asks_for_nothing() -> None:
    """An accepted finding has no line to paste."""
    settled = replace(SITE.findings[0], action="accepted", severity="note", decidable=False)
    page = read_page(page_text(replace(SITE, findings=(settled,))))
    assert not page.one("article").all("p", look="decision")


def test_ties_come_worst_first() -> None:
    """What fails stands first, then by how much of the limit is used."""
    cells = table_cells(PAGE, "ties-table")
    fails = [row["Verdict"] == "does not tie" for row in cells]
    assert fails == sorted(fails, reverse=True)
    assert any(fails)
    used = [
        max(float(row["Plan"] or 0) / 6.0, abs(float(row["Height"] or 0)) / 3.0)  # of the limits
        for row in cells[sum(fails) :]
    ]
    assert all(a >= b - 0.05 for a, b in pairwise(used))


# ---- the office ---------------------------------------------------------------------------------


def test_every_input_has_its_hash_and_the_fate_of_its_rows() -> None:
    """Rows by file and fate, counted again here from observations.csv."""
    fate_of: dict[tuple[str, str], str] = {}
    for row in csv_rows(observations_text(SITE)):
        key = (row["file"], row["line"])
        order = ["unused", "excluded", "used", "repeated", "invalid"]
        fate_of[key] = max(fate_of.get(key, "unused"), row["status"], key=order.index)
    counts = Counter((file, fate) for (file, _), fate in fate_of.items())
    cells = {row["File"]: row for row in table_cells(PAGE, "inputs-table")}
    assert cells["raw/s1.csv"]["sha256"] == "ab" * 32
    assert cells["control.csv"]["sha256"] == "cd" * 32
    for file in {file for file, _ in fate_of}:
        for fate in FATES:
            assert cells[file][fate.capitalize()] == str(counts[file, fate])
    assert "607 raw rows = 600 used + 2 unused + 3 excluded + 1 repeated + 1 invalid" in (
        " ".join(PAGE.one(id="office").text.split())
    )


def test_every_row_not_used_is_listed_with_its_reason() -> None:
    """Each row of observations.csv that is not used is on the page, with why."""
    expected = Counter(
        (f"{row['file']}:{row['line']}", row["reason"])
        for row in csv_rows(observations_text(SITE))
        if row["status"] != "used"
    )
    shown = Counter((row["Row"], row["Why"]) for row in table_cells(PAGE, "unused-table"))
    assert set(shown) == set(expected)
    assert len(shown) == 2


def test_settings_and_decisions_are_on_record() -> None:
    """Every setting by its path; every decision with who, why and what it changed."""
    words = PAGE.one(id="office").text
    for path, value in (("instruments.default.direction", "2.0"), ("levels", "not set")):
        assert path in words
        assert value in words
    (row,) = table_cells(PAGE, "decisions-table")
    assert row["Decision"] == "exclude, setup S2, point M4"
    assert (row["By"], row["Reason"]) == ("A. Person", "pole not plumb")
    assert row["Effect"] == "2 rows; scatter 1.52 before, 1.02 after"
    assert "battery" in words


def decided(unit: str, **values: float) -> Reconciliation:
    """Return the site with one ``set`` decision in a unit of length."""
    decision = Decision("set", "", {"setup": "S2"}, values, "", "", "", 3)
    return replace(SITE, job=make_job(FOLDER, length_unit=unit, decisions=(decision,)))


def test_decided_lengths_are_in_the_jobs_unit() -> None:
    """What is held in metres is shown as it was written: 5 ft is 1.524 m."""
    for unit, value, text in (("ft", 1.524, "5.0000 ft"), ("m", 1.524, "1.5240 m")):
        (row,) = table_cells(
            read_page(page_text(decided(unit, instrument_height=value))), "decisions-table"
        )
        assert row["Decision"] == f"set, setup S2, instrument height {text}"
        assert row["By"] == "not named"
    site = decided("ft", prism_constant=-0.0344, face=2.0)
    (row,) = table_cells(read_page(page_text(site)), "decisions-table")
    assert row["Decision"] == "set, setup S2, prism constant -34.40 mm, face 2"


def test_points_are_counted_by_proof() -> None:
    """The counts are those of coordinates.csv."""
    counts = Counter((row["role"], row["proof"]) for row in csv_rows(coordinates_text(SITE)))
    for row in table_cells(PAGE, "points-table"):
        assert int(row["Nothing checks it"]) == counts[row["Role"], "unchecked"]
        assert int(row["Held"]) == counts[row["Role"], "held"]


def test_rules_are_counted_and_sourced() -> None:
    """What does not pass comes first; each line has its source; not checked is never a pass."""
    rules = table_cells(FULL, "rules-table")
    assert [row["Result"] for row in rules] == ["warn", "not checked", "pass"]
    assert {row["Source"] for row in rules} == {"common practice, no source"}
    assert (rules[0]["Worst value"], rules[0]["Limit"]) == ("3.4", "3.0")  # mm, as of the ties
    assert rules[1]["Why"] == "no closing rows"
    view = office_view(with_extras(SITE), np.zeros(1, dtype=np.int64))
    assert [(v.word, n) for v, n in view.rules_count] == [
        ("warn", 1),
        ("not checked", 1),
        ("pass", 1),
    ]
