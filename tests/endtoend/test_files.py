"""What `tieup reconcile` writes: every file and column of the contract, section 5."""

from __future__ import annotations

import math
import re

import pytest
from scipy.stats import chi2, f, t

from tests.endtoend.jobs import FATES, FILES, Output, Row, raw_cells
from tests.simulate import by_hand

COORDINATES = [
    "point",
    "northing",
    "easting",
    "elevation",
    "code",
    "string",
    "role",
    "proof",
    "sd_northing",
    "sd_easting",
    "sd_elevation",
    "ellipse_major",
    "ellipse_minor",
    "ellipse_azimuth",
    "elevation_interval",
    "setups",
    "flags",
]
OBSERVATIONS = [
    "file",
    "line",
    "setup",
    "point",
    "kind",
    "observed",
    "adjusted",
    "residual",
    "sd",
    "redundancy",
    "w",
    "mdb",
    "status",
    "reason",
]
SETUPS = [
    "setup",
    "station",
    "northing",
    "easting",
    "elevation",
    "orientation",
    "sd_northing",
    "sd_easting",
    "sd_elevation",
    "sd_orientation",
    "ties",
    "redundancy",
    "geometry",
    "geometry_sd",
    "verdict",
]
TIES = [
    "point",
    "setup",
    "d_northing",
    "d_easting",
    "d_elevation",
    "d_horizontal",
    "sd_northing",
    "sd_easting",
    "sd_elevation",
    "limit_horizontal",
    "limit_elevation",
    "verdict",
]
GEOMETRY = {"strong", "weak", "single", "two-tie", "in-line", "danger-circle", "disconnected"}
FOUR_DECIMALS = re.compile(r"-?\d+\.\d{4}")
DMS = re.compile(r"\d{1,3}-[0-5]\d-[0-5]\d\.\d\d")
NUMBER = re.compile(r"-?\d+(\.\d+)?")


def numbers(rows: list[Row], column: str) -> list[float]:
    """Return the defined numbers of a column."""
    return [float(row[column]) for row in rows if row[column]]


def test_every_file_is_there_and_no_other(run: Output) -> None:
    """The eight of every job and one for each table that this one has; nothing hidden stays.

    All are named in run.json. Both yards have strings, falls and derived points; the dock has
    strings alone.
    """
    job = run.folder.parent.name
    more = ["strings.csv"] if job == "two_setups" else ["strings.csv", "falls.csv", "derived.csv"]
    assert sorted(path.name for path in run.folder.iterdir()) == sorted([*FILES, *more])
    assert sorted(run.document("run")["files"]) == sorted([*FILES, *more])
    assert sorted(p.name for p in run.folder.parent.iterdir()) == sorted(
        ["control.csv", "job.yaml", "out", "raw"]
    )


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("coordinates", COORDINATES),
        ("observations", OBSERVATIONS),
        ("setups", SETUPS),
        ("ties", TIES),
    ],
)
def test_every_column_of_the_contract_is_there(run: Output, table: str, columns: list[str]) -> None:
    """Names as in the contract, each row whole, UTF-8, LF line ends, no undefined in words."""
    rows = run.table(table)
    assert rows
    assert set(columns) <= set(rows[0])
    assert all(None not in row and None not in row.values() for row in rows)
    data = (run.folder / f"{table}.csv").read_bytes()
    assert b"\r" not in data
    assert data.endswith(b"\n")
    cells = {cell.lower() for row in rows for cell in row.values()}
    assert not cells & {"nan", "none", "null", "inf", "-inf", "-0.0000", "-0.000", "-0.00000"}


def test_coordinates_are_numbers_of_four_decimals(run: Output) -> None:
    """N, E, H in the job's length unit; every point that was shot, occupied or given."""
    rows = run.table("coordinates")
    for row in rows:
        for column in ("northing", "easting", "elevation"):
            assert FOUR_DECIMALS.fullmatch(row[column]), row
        assert row["role"] in {"control", "tie", "shot", "station", "derived"}
        assert row["proof"] in {"held", "checked", "unchecked"}
        for column in ("sd_northing", "ellipse_major", "ellipse_minor", "elevation_interval"):
            assert NUMBER.fullmatch(row[column])
            assert float(row[column]) >= 0.0
        assert DMS.fullmatch(row["ellipse_azimuth"])
        assert by_hand.angle(row["ellipse_azimuth"], "dms") < math.pi
    names = [row["point"] for row in rows]
    assert len(set(names)) == len(names)
    job = run.folder.parent
    shot = {cells["point"] for _, cells in raw_cells(job)}
    setups = {cells["setup"] for _, cells in raw_cells(job) if not cells.get("station")}
    unread = {row["point"] for row in run.table("observations") if row["status"] == "invalid"}
    used = {row["point"] for row in run.table("observations") if row["status"] == "used"}
    assert shot - (unread - used) <= set(names)
    assert setups <= set(names)


def test_ellipses_and_intervals_follow_from_the_sds(run: Output) -> None:
    """The interval is t sd; the ellipse's axes have the sds' squares as their sum.

    At least 1.9600 and 2.4477 times (published_checks, section 7), more for sds that come of few
    checks: t and F by scipy for 8 degrees at the most. Printed to 0.00001.
    """
    for row in run.table("coordinates"):
        north, east, up = (float(row[f"sd_{c}"]) for c in ("northing", "easting", "elevation"))
        major, minor = float(row["ellipse_major"]), float(row["ellipse_minor"])
        assert major >= minor
        assert 1.9600 * up - 1.6e-5 <= float(row["elevation_interval"])
        assert float(row["elevation_interval"]) <= t.ppf(0.975, 8) * up + 1.6e-5
        both = math.hypot(north, east)
        most = math.sqrt(2.0 * f.ppf(0.95, 2, 8))
        assert 2.4477 * both - 3e-5 <= math.hypot(major, minor) <= most * both + 3e-5
        factor = math.hypot(major, minor) / both if both > 1e-4 else 2.4477
        turned = by_hand.angle(row["ellipse_azimuth"], "dms")
        along = math.hypot(major * math.cos(turned), minor * math.sin(turned))
        assert along == pytest.approx(factor * north, abs=3e-5 + 0.02 * factor * north)


def of_raw_rows(run: Output) -> list[Row]:
    """Return the rows of observations.csv that are a component of a raw row."""
    believed = ("centring", "instrument_height", "control")
    return [row for row in run.table("observations") if row["kind"] not in believed]


def test_every_component_of_every_raw_row_has_its_line(run: Output) -> None:
    """One row per observed component, in the order of the raw files; its fate is one of five."""
    rows = of_raw_rows(run)
    wanted = [
        (*at.rsplit(":", 1), kind)
        for at, cells in raw_cells(run.folder.parent)
        for kind in ("direction", "zenith", "distance")
        if cells[kind]
    ]
    assert [(row["file"], row["line"], row["kind"]) for row in rows] == wanted
    assert {row["status"] for row in rows} <= set(FATES)
    assert all(row["reason"] == "" for row in rows if row["status"] == "used")
    assert all(row["reason"] for row in rows if row["status"] != "used")


def test_residual_is_adjusted_minus_observed(run: Output) -> None:
    """In arc seconds or mm, to the last digit that is printed; the observed is the raw cell."""
    cells = dict(raw_cells(run.folder.parent))
    settings = run.document("run")["settings"]["units"]
    metre = {"m": 1.0, "ft": 0.3048}[settings["length"]]
    seen = 0
    for row in of_raw_rows(run):
        if row["status"] == "invalid":
            continue
        raw = cells[f"{row['file']}:{row['line']}"]
        assert (row["setup"], row["point"]) == (raw["setup"], raw["point"])
        if row["kind"] == "distance":
            observed = float(row["observed"])
            assert observed == float(raw["distance"])
            if row["adjusted"]:
                assert FOUR_DECIMALS.fullmatch(row["adjusted"])
                gap = (float(row["adjusted"]) - observed) * metre * 1000.0
                assert gap == pytest.approx(float(row["residual"]), abs=0.051 * metre + 6e-4)
        else:
            assert by_hand.angle(row["observed"], "dms") == pytest.approx(
                by_hand.angle(raw[row["kind"]], "dms"), abs=1e-9
            )
            if row["adjusted"]:
                seen += 1
                angle = by_hand.angle(row["adjusted"], "dms")
                gap = math.degrees(angle - by_hand.angle(row["observed"], "dms")) * 3600.0
                gap = (gap + 648_000.0) % 1_296_000.0 - 648_000.0
                assert gap == pytest.approx(float(row["residual"]), abs=0.0056)
    assert seen > 80


def test_what_is_not_defined_is_empty(run: Output) -> None:
    """A row that is not used has no adjusted value and no statistic, never a 0."""
    for row in run.table("observations"):
        numbers_of = [row[c] for c in ("adjusted", "residual", "sd", "redundancy", "w", "mdb")]
        if row["status"] != "used":
            assert numbers_of == [""] * 6
            continue
        assert all(numbers_of[:4])
        # What nothing checks has a residual of 0 and no test at all.
        if float(row["redundancy"]) < 1e-6 and not any(numbers_of[4:]):
            assert abs(float(row["residual"])) < 1e-3
        elif float(row["redundancy"]) > 1e-3:
            assert all(numbers_of[4:])


def test_w_is_the_residual_over_its_own_sd(run: Output) -> None:
    """About v / (sd sqrt(r)) where one pointing is the sight; the mdb 5 to 8 sd / sqrt(r).

    Exactly so for directions: zenith angle and distance of a sight share its target. Where
    pointings share a sight the two differ, and `tests.montecarlo` shows that each has its own sd.
    """
    rows = run.table("observations")
    of_sight: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        if row["status"] == "used":
            of_sight.setdefault((row["setup"], row["point"], row["kind"]), []).append(row)
    squares = []
    for group in of_sight.values():
        for row in group:
            if not row["w"]:
                continue
            squares.append(float(row["w"]) ** 2)
            if len(group) == 1:
                sd, share = float(row["sd"]), float(row["redundancy"])
                own = sd * math.sqrt(share)
                if row["kind"] != "direction":
                    continue
                assert float(row["w"]) == pytest.approx(float(row["residual"]) / own, abs=3e-3)
                assert 4.9 < float(row["mdb"]) / (sd / math.sqrt(share)) < 12.0
    assert len(squares) > 80
    spread = math.sqrt(sum(squares) / len(squares))
    assert spread == pytest.approx(1.0, abs=4.0 / math.sqrt(2 * len(squares)) + 0.05)


def test_redundancy_numbers_sum_to_dof(run: Output) -> None:
    """Those of observations.csv are dof, and so are the parts of run.json together."""
    record = run.document("run")
    parts, rows = record["redundancy"], run.table("observations")
    assert sum(numbers(rows, "redundancy")) == pytest.approx(record["dof"], abs=5e-5 * len(rows))
    readings = sum(numbers(of_raw_rows(run), "redundancy"))
    assert readings == pytest.approx(parts["readings"], abs=5e-5 * len(rows))
    assert sum(parts.values()) == pytest.approx(record["dof"], abs=1e-6)
    assert record["held_fit"]["dof"] == record["dof"]


def test_raw_rows_are_the_sum_of_their_fates(run: Output) -> None:
    """rows = used + unused + excluded + repeated + invalid, and as many as the files hold."""
    counts = run.document("run")["counts"]
    rows = list(raw_cells(run.folder.parent))
    assert counts["rows"] == len(rows) == sum(counts[fate] for fate in FATES)
    fate: dict[str, set[str]] = {}
    for row in of_raw_rows(run):
        fate.setdefault(f"{row['file']}:{row['line']}", set()).add(row["status"])
    gravest = {at: next(f for f in FATES if f in found) for at, found in fate.items()}
    for name in FATES:
        assert counts[name] == sum(value == name for value in gravest.values()), name


def test_setups_are_the_raw_ones_with_words_of_the_contract(run: Output) -> None:
    """One row per setup, its geometry in a word and a number in mm, its ties counted."""
    rows = run.by("setups", "setup")
    ties = run.table("ties")
    names = dict.fromkeys(cells["setup"] for _, cells in raw_cells(run.folder.parent))
    assert list(rows) == list(names)
    for name, row in rows.items():
        assert row["geometry"] in GEOMETRY
        assert float(row["geometry_sd"]) > 0.0
        assert int(row["ties"]) == sum(tie["setup"] == name for tie in ties)
        assert row["verdict"] in {"ties", "fails", "unproved"}
        assert DMS.fullmatch(row["orientation"])
        assert float(row["redundancy"]) > 0.0
        for column in ("northing", "easting", "elevation"):
            assert FOUR_DECIMALS.fullmatch(row[column])


def test_ties_are_judged_against_their_limits(run: Output) -> None:
    """Each point and setup once; limits of the paving class; d_horizontal is that of N and E.

    Beyond a limit a tie fails only where that is more than chance, all of them together at one
    job in 200 (Holm, tails by scipy); within it, it ties only where the gear could show it: an
    error of twice the limit 19 times in 20 (normal value 1.645). All else is untested.
    """
    rows = run.by("ties", "point", "setup")
    sure = 0.005 / (2 * len(rows))  # smaller chances are an error whatever the other ties do
    metre = {"m": 1.0, "ft": 0.3048}[run.document("run")["settings"]["units"]["length"]]
    for row in rows.values():
        assert float(row["limit_horizontal"]) == pytest.approx(0.006 / metre, abs=1e-5)
        assert float(row["limit_elevation"]) == pytest.approx(0.003 / metre, abs=1e-5)
        if not row["d_horizontal"]:
            assert (row["sd_northing"], row["verdict"]) == ("", "untested")
            continue
        across = math.hypot(float(row["d_northing"]), float(row["d_easting"]))
        rise = abs(float(row["d_elevation"]))
        assert float(row["d_horizontal"]) == pytest.approx(across, abs=2e-5)
        assert all(float(row[f"sd_{c}"]) > 0.0 for c in ("northing", "easting", "elevation"))
        flat, up = float(row["sd_horizontal"]), float(row["sd_elevation"])
        over = (across > 0.006 / metre + 2e-5, rise > 0.003 / metre + 1e-5)
        coarse = 1.645 * flat > 0.006 / metre or 1.645 * up > 0.003 / metre
        if not any(over):
            assert row["verdict"] == ("untested" if coarse else "ties"), row
            continue
        # Along its own direction a plan difference is never more out of the ordinary than in all.
        chances = (chi2.sf((across / flat) ** 2, 2), chi2.sf((rise / up) ** 2, 1))
        clear = any(o and chance < sure for o, chance in zip(over, chances, strict=True))
        assert row["verdict"] in (("fails",) if clear else ("fails", "untested")), row
        if row["verdict"] == "fails" and not over[0]:
            assert chances[1] < 0.005, row
