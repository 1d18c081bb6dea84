"""Derived points from job.yaml to every file that carries them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

import tieup
from tests.endtoend.jobs import Output, copy_sample, reconcile
from tests.write.page_reading import read_page

YARD = ("SLAB-SW", "HYDRANT", "LID-RIM", *(f"SUMP-W-{i}" for i in range(1, 8)))

PROOFS = ("unchecked", "checked", "held")  # the weakest first


def with_derived(job: Path, *entries: str) -> Path:
    """Write entries under ``derived:`` of a job.yaml, instead of those it has."""
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8").split("\nderived:")[0].rstrip()
    lines = "".join(f"  - {entry}\n" for entry in entries)
    path.write_text(f"{text}\nderived:\n{lines}", encoding="utf-8")
    return job


@pytest.fixture
def clean(tmp_path: Path) -> Path:
    """Return a copy of the clean yard."""
    return copy_sample("fire_station_clean", tmp_path)


def test_the_sample_derives_a_few_points(clean_yard: Output) -> None:
    """They stand at the end of coordinates.csv, and derived.csv says how each is made."""
    run = clean_yard
    rows = run.table("coordinates")
    assert run.status == 0
    assert tuple(row["point"] for row in rows if row["role"] == "derived") == YARD
    assert [row["role"] for row in rows[-len(YARD) :]] == ["derived"] * len(YARD)
    derived = run.by("derived", "point")
    assert derived["SLAB-SW"]["how"] == "intersection of 128-139 and 529-535"
    assert derived["HYDRANT"]["how"] == "3.200 m at 75-30-00.00 from T7, grade 1.5 %"
    assert derived["SUMP-W-3"]["how"] == "0.300 m to the right of SUMP at 521, grade 2 %"
    assert (derived["LID-RIM"]["by"], derived["LID-RIM"]["reason"]) == ("office", "rim set to plan")
    assert derived["LID-RIM"]["verdict"] == "agrees"


def test_places_by_hand(clean_yard: Output) -> None:
    """Polar, mean and offset from the printed coordinates of their marks, to 0.1 mm."""
    run = clean_yard
    north, east, up = run.place("T7")
    azimuth = math.radians(75.5)
    by_hand = (north + 3.2 * math.cos(azimuth), east + 3.2 * math.sin(azimuth), up + 0.048)
    assert run.place("HYDRANT") == pytest.approx(by_hand, abs=1.1e-4)  # m, two roundings
    (n1, e1, h1), (n2, e2, _) = run.place("519"), run.place("520")
    length = math.hypot(n2 - n1, e2 - e1)
    right = (-(e2 - e1) / length, (n2 - n1) / length)
    moved = (n1 + 0.3 * right[0], e1 + 0.3 * right[1], h1 + 0.006)
    assert run.place("SUMP-W-1") == pytest.approx(moved, abs=1.1e-4)
    assert e1 > run.place("SUMP-W-1")[1]  # the sump was shot southwards: its right is west


def test_rows_inherit_what_their_marks_are(capsys: pytest.CaptureFixture[str], clean: Path) -> None:
    """The weakest proof, all setups, the code of the string; flags name the source.

    A number that a person typed is checked by nothing, nor is what is made of it.
    """
    entries = (
        "{point: A, from: T5, bearing: 10-00-00, distance: 1}",
        '{point: B, mean: [T5, "128"]}',
        "{point: C, from: T7, elevation: 112.39, by: crew, reason: level}",
        "{string: BACK, offset: SUMP, distance: -0.2}",
        "{point: D, mean: [A, T5]}",
        "{point: E, mean: [T5, T7]}",
        "{point: F, intersect: [[T1, T4], [T5, T12]]}",
        "{string: TOE, project: JOINT, onto: TRENCH, fall: 1}",
        "{point: G, mean: [E, D]}",
    )
    run = reconcile(capsys, with_derived(clean, *entries))
    rows = run.by("coordinates", "point")
    proof = {name: rows[name]["proof"] for name in ("T5", "T7", "T1", "T4", "T12")}
    assert set(proof.values()) <= {"checked", "unchecked"}
    weakest = {
        "E": min(proof["T5"], proof["T7"], key=PROOFS.index),
        "F": min((proof[name] for name in ("T1", "T4", "T5", "T12")), key=PROOFS.index),
    }
    assert {rows[name]["proof"] for name in "ABCDG"} == {"unchecked"}
    assert {name: rows[name]["proof"] for name in "EF"} == weakest
    typed = [row for row in rows.values() if row["string"] in ("BACK", "TOE") and row["northing"]]
    assert {row["string"] for row in typed} == {"BACK", "TOE"}
    assert {row["proof"] for row in typed} == {"unchecked"}
    assert rows["A"]["setups"] == rows["T5"]["setups"]
    assert set(rows["B"]["setups"].split()) == {*rows["T5"]["setups"].split(), "S1"}
    assert rows["A"]["flags"] == "from T5"
    assert rows["B"]["flags"] == "from T5 128"
    assert rows["C"]["flags"] == "typed elevation (agrees) from T7"
    assert rows["C"]["sd_elevation"] == "0.00000"
    assert rows["C"]["elevation"] == "112.3900"
    for name in ("A", "T5"):
        assert float(rows[name]["sd_northing"]) == pytest.approx(0.0012, abs=2e-4)
    back = rows["BACK-2"]
    assert (back["string"], back["code"], back["flags"]) == ("BACK", "drain", "from 520")


def test_a_typed_elevation_off_what_was_measured_is_a_finding(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """Some 139 mm below the measured curb: who typed it and why, against the limit of 3 mm.

    coordinates.csv widens the sd by what a scatter known from few checks leaves open.
    """
    entry = '{point: LID, from: T7, elevation: 112.250, by: office, reason: "lid set to plan"}'
    run = reconcile(capsys, with_derived(clean, entry))
    finding = run.finding("typed-elevation")
    measured = run.place("T7")[2]
    assert finding["severity"] == "check"
    assert finding["points"] == ["LID", "T7"]
    assert finding["size"] == pytest.approx(112.25 - measured, abs=6e-5)  # m
    row = run.by("derived", "point")["LID"]
    assert finding["sd"] == pytest.approx(float(row["sd_difference"]), abs=6e-6)
    widened = float(run.by("coordinates", "point")["T7"]["sd_elevation"])
    assert finding["sd"] - 6e-6 <= widened <= 1.05 * finding["sd"]
    below = re.search(r"([\d.]+) mm below", finding["says"])
    assert below and float(below[1]) / 1000 == pytest.approx(measured - 112.25, abs=1.1e-4)  # m
    assert "typed by office: lid set to plan" in finding["says"]
    assert row["verdict"] == "differs"
    assert float(row["d_elevation"]) == pytest.approx(finding["size"], abs=6e-5)
    assert (row["measured_elevation"], row["typed_elevation"]) == (f"{measured:.4f}", "112.2500")
    assert run.status == 0  # a person decided it; the site ties all the same
    page = read_page((run.folder / "report.html").read_text(encoding="utf-8"))
    for view in ("crew", "survey"):
        assert below[0] in page.one(id=view).text


def test_what_cannot_be_built_is_empty_and_said(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """A line crossed with itself turned round: empty cells, the reason, a finding."""
    entries = ("{point: X, intersect: [[T1, T2], [T2, T1]]}", "{point: Y, mean: [X, T1]}")
    run = reconcile(capsys, with_derived(clean, *entries))
    rows, derived = run.by("coordinates", "point"), run.by("derived", "point")
    for name in "XY":
        row = rows[name]
        assert not any(row[c] for c in ("northing", "easting", "elevation", "proof"))
        assert not any(row[c] for c in ("sd_northing", "sd_easting", "sd_elevation"))
    reason = "lines T1-T2 and T2-T1 are parallel as far as anyone can tell"
    assert rows["X"]["flags"] == derived["X"]["remarks"] == reason
    assert derived["Y"]["remarks"] == "X has no place"
    kinds = [(f["kind"], f["points"]) for f in run.findings if f["kind"] == "derived"]
    assert sorted(kinds) == [("derived", ["X"]), ("derived", ["Y"])]


def test_an_intersection_says_what_is_odd_about_it(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """Lines that meet at 5.6 degrees far outside: the angle, the overshoot, a wide ellipse."""
    run = reconcile(capsys, with_derived(clean, "{point: X, intersect: [[T1, T2], [T3, T4]]}"))
    row = run.by("derived", "point")["X"]
    for words in ("narrow crossing of 5.6 degrees", "beyond T1 on line T1-T2", "T3-T4 passes"):
        assert words in row["remarks"]
    assert float(row["sd_easting"]) > 0.05  # m
    assert run.by("coordinates", "point")["X"]["flags"] == "narrow crossing from T1 T2 T3 T4"


MISTAKES = {
    "{point: D1, from: T55, bearing: 45-00-00, distance: 2.5}": "Did you mean T5?",
    "{string: S, offset: CURBN, distance: 1}": "Did you mean CURB-N?",
    "{point: T5, mean: [T1, T2]}": "already",
    "{point: S1, mean: [T1, T2]}": "already",
    "{point: A, from: A, bearing: 0, distance: 1}": "derived from itself",
    "{point: A, mean: [T1]}": "needs two points or more",
    "{point: A, mean: [T1, T1]}": "has T1 twice",
    "{point: A, from: T1, bearing: 45-61-00, distance: 2}": "has minutes of 60 or more",
    "{point: A, from: T1, bearing: 400-00-00, distance: 2}": (
        'bearing "400-00-00" is outside one circle. Expected 0 to 360 (units.angle)'
    ),
    "{point: A, from: T1, bearing: -10-00-00, distance: 2}": "is outside one circle",
    "{point: A, from: T1, bearing: 45-00-00, distance: 2, grad: 3}": "Did you mean grade?",
    "{point: A, from: T1, elevation: 3}": "has no reason",
    "{point: A, from: T1, elevation: high, by: me, reason: plan}": "Expected a number",
    "{point: A, distance: 3}": "says not how",
    "{point: A, intersect: [[T1, T2]]}": "needs two lines of two points",
    "{string: X, project: SUMP, onto: SUMP, fall: 1}": "is the string itself",
    "{string: X, offset: SUMP, distance: 1, fall: 1}": "has no place beside offset",
}


@pytest.mark.parametrize("entry", MISTAKES)
def test_a_wrong_entry_is_refused_with_its_line(
    capsys: pytest.CaptureFixture[str], clean: Path, entry: str
) -> None:
    """Exit 2, file and line, what to do; nothing is written."""
    job = with_derived(clean, entry)
    line = len((job / "job.yaml").read_text(encoding="utf-8").splitlines())
    run = reconcile(capsys, job)
    assert run.status == 2
    assert f"job.yaml:{line}: " in run.errors
    assert MISTAKES[entry] in run.errors
    assert not run.folder.exists()


def test_other_units(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """In a job of feet distances and typed elevations are feet."""
    job = with_derived(
        copy_sample("two_setups", tmp_path),
        "{point: A, from: T1, bearing: 90-00-00, distance: 10, grade: 5}",
        "{point: B, from: T1, elevation: 351.1, by: crew, reason: plan}",
    )
    run = reconcile(capsys, job)
    north, east, up = run.place("T1")
    assert run.place("A") == pytest.approx((north, east + 10.0, up + 0.5), abs=1.1e-4)  # ft
    finding = run.finding("typed-elevation")
    assert (finding["unit"], round(finding["size"], 2)) == ("ft", round(351.1 - up, 2))
    assert run.by("derived", "point")["A"]["how"] == "10.000 ft at 90-00-00.00 from T1, grade 5 %"


def test_derived_points_reach_every_exchange_file(
    capsys: pytest.CaptureFixture[str], clean: Path
) -> None:
    """Points of every format, and the derived string as a line."""
    forms = ("pnezd", "landxml", "geojson", "gpkg", "dxf")
    run = reconcile(capsys, clean, None, *(part for form in forms for part in ("--also", form)))
    place = run.by("coordinates", "point")["HYDRANT"]
    points = (run.folder / "points.txt").read_text(encoding="utf-8").splitlines()
    (line,) = [text for text in points if text.startswith("HYDRANT,")]
    assert line.split(",")[1:4] == [place[c] for c in ("northing", "easting", "elevation")]
    for name in ("site.xml", "site.geojson", "site.dxf"):
        text = (run.folder / name).read_text(encoding="utf-8")
        assert "HYDRANT" in text
        assert "SUMP-W-4" in text
    assert b"HYDRANT" in (run.folder / "site.gpkg").read_bytes()
    strings = [row["point"] for row in run.table("strings") if row["string"] == "SUMP-W"]
    assert strings == [f"SUMP-W-{i}" for i in range(1, 8)]


def test_the_library_shows_the_same(tmp_path: Path) -> None:
    """`result.derived` has the columns of derived.csv; without entries it has no rows."""
    result = tieup.reconcile(copy_sample("fire_station_clean", tmp_path))
    assert result.derived["point"].tolist() == list(YARD)
    nothing = tieup.reconcile(copy_sample("two_setups", tmp_path))
    assert list(nothing.derived.columns) == list(result.derived.columns)
    assert nothing.derived.empty


def test_no_entries_no_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """derived.csv is written where the job derives something, and goes when it no longer does."""
    job = copy_sample("fire_station_clean", tmp_path)
    first: Output = reconcile(capsys, job)
    assert (first.folder / "derived.csv").is_file()
    path = job / "job.yaml"
    path.write_text(path.read_text(encoding="utf-8").split("\nderived:")[0], encoding="utf-8")
    second = reconcile(capsys, job)
    assert not (second.folder / "derived.csv").exists()
    assert "derived.csv" not in second.document("run")["files"]
