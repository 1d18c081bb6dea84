"""The page says what the CSV files say: every number of a sample's page, read back from both."""

from __future__ import annotations

import pytest

from tests.endtoend.jobs import Output, Row
from tests.write.page_reading import Element, read_page, table_cells


def page(run: Output) -> Element:
    """Return report.html of a run as a tree."""
    return read_page((run.folder / "report.html").read_text(encoding="utf-8"))


def cells(run: Output, table: str) -> list[Row]:
    """Return the rows of a table of the page, none where the page has no such table."""
    ids = [t.attributes["aria-labelledby"] for t in page(run).all("table")]
    return table_cells(page(run), table) if table in ids else []


def rows(run: Output, name: str) -> list[Row]:
    """Return the rows of a CSV file, none where the run has not written it."""
    return run.table(name) if (run.folder / f"{name}.csv").exists() else []


def same(run: Output, shown: str, written: str) -> bool:
    """Say whether a small length of the page is that of a file: mm of metres, else feet."""
    if written == "":
        return shown == ""
    metric = run.document("run")["settings"]["units"]["length"] == "m"
    factor, last = (1000.0, 0.1) if metric else (1.0, 1e-4)
    return abs(float(shown) - factor * float(written)) < 0.501 * last


def test_falls(run: Output) -> None:
    """Each fall, its limits and its verdict: the digits of falls.csv, what fails first."""
    columns = {
        "Check": "check",
        "Result": "verdict",
        "Fall %": "fall",
        "± %": "sd_fall",
        "From": "from",
        "To": "to",
        "At least": "minimum",
        "At most": "maximum",
        "Length": "length",
        "Proof": "proof",
    }
    falls = [
        row | {"verdict": "not tested" if row["verdict"] == "untested" else row["verdict"]}
        for row in rows(run, "falls")
    ]
    written = [tuple(row[name] for name in columns.values()) for row in falls]
    shown = [tuple(row[title] for title in columns) for row in cells(run, "falls-table")]
    assert sorted(shown) == sorted(written)


def test_strings(run: Output) -> None:
    """Each string's count of points, extreme falls and low spots: those of strings.csv."""
    lines: dict[str, list[Row]] = {}
    for row in rows(run, "strings"):
        lines.setdefault(row["string"], []).append(row)
    shown = {row["String"]: row for row in cells(run, "strings-table")}
    assert set(shown) == set(lines)
    for name, own in lines.items():
        falls = [float(row["fall"]) for row in own if row["fall"]]
        low = {row["point"] for row in own if row["low_spot"]}
        assert int(shown[name]["Points"]) == len({row["point"] for row in own})
        assert float(shown[name]["Least fall %"]) == min(falls)
        assert float(shown[name]["Most %"]) == max(falls)
        assert low == {word.strip(",;") for word in shown[name]["Low spots"].split()} - {"perhaps"}


def test_derived_points(run: Output) -> None:
    """Coordinates to the digit, sds in mm; typed beside measured elevations."""
    written = {row["point"]: row for row in rows(run, "derived")}
    for row in cells(run, "derived-table"):
        own = written[row["Point"]]
        for title, name in (("Northing", "northing"), ("Easting", "easting")):
            assert row[title] == own[name]
        assert row["Elevation"] == own["elevation"] and row["How"] == own["how"]
        for title, name in (("± N", "sd_northing"), ("± E", "sd_easting")):
            assert same(run, row[title], own[name])
        assert same(run, row["± elev."], own["sd_elevation"])
    typed = {row["Point"]: row for row in cells(run, "typed-table")}
    assert set(typed) == {name for name, row in written.items() if row["typed_elevation"]}
    for name, row in typed.items():
        assert row["Measured"] == written[name]["measured_elevation"]
        assert row["Typed"] == written[name]["typed_elevation"]
        assert same(run, row["Typed - measured"], written[name]["d_elevation"])


def test_setups(run: Output) -> None:
    """Coordinates, orientation and verdict of each setup: the digits of setups.csv."""
    for row, own in zip(cells(run, "setups-table"), run.table("setups"), strict=True):
        for name in ("setup", "northing", "easting", "elevation", "orientation", "ties"):
            assert row[name.capitalize()] == own[name]


def test_ties(run: Output) -> None:
    """Every tie of ties.csv is on the page with its differences in mm."""
    written = {(row["point"], row["setup"]): row for row in run.table("ties")}
    shown = {(row["Mark"], row["Setup"]): row for row in cells(run, "ties-table")}
    assert set(shown) == set(written)
    for key, row in shown.items():
        for title, name in (("N", "d_northing"), ("E", "d_easting"), ("Height", "d_elevation")):
            assert same(run, row[title], written[key][name]), (key, title)


def test_points_by_role(run: Output) -> None:
    """The office's count of points by role and proof is that of coordinates.csv."""
    for row in cells(run, "points-table"):
        own = [point for point in run.table("coordinates") if point["role"] == row["Role"]]
        unchecked = sum(point["proof"] == "unchecked" for point in own)
        assert int(row["Nothing checks it"]) == unchecked
        assert (
            int(row.get("Checked", 0)) + int(row.get("Held", 0)) + int(row.get("Two places", 0))
            == len(own) - unchecked
        )


@pytest.mark.parametrize("yard", ["undecided", "clean_yard"])
def test_the_sample_has_all_of_them(yard: str, request: pytest.FixtureRequest) -> None:
    """The yards show every table above, so that none of these tests compares nothing."""
    for table in ("falls", "strings", "derived", "typed", "setups", "ties", "points"):
        assert cells(request.getfixturevalue(yard), f"{table}-table"), table
