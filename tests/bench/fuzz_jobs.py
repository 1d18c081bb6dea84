"""Small jobs to spoil: one for each reader and each kind of frame, made of the two-setup sample."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable, Iterable
from math import atan2, cos, degrees, hypot, sin
from pathlib import Path

import tieup
from tieup.units import parse_angles

SAMPLE = Path(__file__).parents[2] / "sample_raw"
TABLES = ("raw/s1.csv", "raw/s2.csv")
SIDE_SHOTS = 4  # kept of each setup: a run takes half a second then
PLAN = "plan: {sights: sights.csv}\n"
SIGHTS = "setup,station,point,target_height,rounds,faces\n" + "".join(
    f"S9,CP1,{point},5,1,2\n" for point in ("CP2", "CP3", "CP4", "T1", "T2")
)
XML_HEAD = """<?xml version="1.0"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
<Units><Imperial linearUnit="foot" angularUnit="decimal degrees" directionUnit="decimal degrees"/>
</Units>
<Survey><SurveyHeader name="dock"/>
"""

KEPT = 12  # spots of each setup of the drill yard: two ponds are left
TIES = ("T1", "T2")
SURFACE = """\
surfaces:
  yard:
    strings: [SLAB, HIGH]
    codes: [pave]
    inlets: [inlet]
    longest_edge: 12
    limits: [{set: asphalt-drainage}, {set: asphalt-drainage, along: SLAB}]
  base:
    codes: [pave]
    roles: [shot]
    proofs: [checked, unchecked]
    against: {surface: yard, thickness: 0, tolerance: 0.02}
"""
BASELINES = """\
from,to,d_northing,d_easting,d_elevation,sd_northing,sd_easting,sd_elevation,cov_northing_easting
CP1,CP2,10.5003,150.2496,1.1007,0.01,0.01,0.02,0.00003
CP2,CP3,110.2495,-9.7502,-0.4493,0.01,0.01,0.02,
CP3,CP4,-15.4999,-149.7503,-1.4502,0.01,0.01,0.02,
"""
MARKS = {"A": (100, 200), "B": (180, 320), "C": (40, 400), "D": (-30, 260), "E": (90, 290)}
ZEROS = {"A": 10.0, "B": 105.0, "C": 211.0}  # degrees, of the circles
LINES = ("AB dh", "AC dh", "AD dh", "BA dh", "BC dh", "BD dh", "CA dh", "CB dh", "DE h", "AE h",
         "BE h", "CD a", "CE a")  # fmt: skip

Rows = list[dict[str, str]]


def read_rows(path: Path) -> Rows:
    """Return the rows of a table with commas."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_rows(path: Path, rows: Rows, columns: Iterable[str] = ()) -> None:
    """Write a table with commas."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(columns) or list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def add_setting(job: Path, text: str, instead_of: str = "") -> None:
    """Put settings at the end of job.yaml, or into the place of one."""
    path = job / "job.yaml"
    whole = path.read_text(encoding="utf-8")
    assert instead_of in whole
    whole = whole.replace(instead_of, text) if instead_of else f"{whole}{text}"
    path.write_text(whole, encoding="utf-8")


def _plain(job: Path) -> None:
    """Leave the sample as it is."""


def _short(job: Path) -> None:
    """Take out most of the side shots."""
    for path in sorted((job / "raw").iterdir()):
        rows = read_rows(path)
        side = [row for row in rows if row["role"] == "side"]
        write_rows(path, [row for row in rows if row not in side[SIDE_SHOTS:]])


def _yard(job: Path) -> None:
    """Take the sample of five setups with mistakes in them, without what is worked out of it."""
    shutil.rmtree(job)
    shutil.copytree(SAMPLE / "fire_station", job, ignore=shutil.ignore_patterns("out"))
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(text.partition("derived:")[0], encoding="utf-8")
    _short(job)


def _rich(job: Path) -> None:
    """Use every list and section beside the raw rows."""
    _short(job)
    for name in TABLES:
        rows = read_rows(job / name)
        for row in rows:
            row |= {"note": "", "temperature": "12", "pressure": "980", "prism_constant": "0"}
            row |= {"field_northing": "1000", "field_easting": "3000", "field_elevation": "350"}
            row["string"] = row["string"] or "LINE"
        write_rows(job / name, rows)
    levels = "from,to,difference,sd\nCP1,CP2,1.1,0.02\nT1,T2,0.08,0.05\n"
    (job / "levels.csv").write_text(levels, encoding="utf-8")
    tapes = "from,to,distance,sd\nCP1,CP2,150.62,0.02\n"
    (job / "tapes.csv").write_text(tapes, encoding="utf-8")
    (job / "sights.csv").write_text(SIGHTS, encoding="utf-8")
    derived = "derived:\n  - {point: Q, from: T1, bearing: 75-30-00, distance: 3.2, grade: 1.5}\n"
    falls = "falls:\n  - {name: dock, along: LINE, minimum: 0}\n"
    lists = "levels: levels.csv\ntapes: tapes.csv\nstanding: [CP1]\n"
    decision = "decisions:\n  - {exclude: {setup: S1, point: CP4, kind: zenith}, reason: x}\n"
    add_setting(job, decision, "decisions:\n")
    add_setting(job, f"{lists}{PLAN}{derived}{falls}")


def _foreign(job: Path) -> None:
    """Write the tables with semicolons, decimal commas, other headings and another encoding."""
    _short(job)
    names = {"setup": "Standpunkt", "point": "Punkt", "direction": "Hz", "zenith": "V"}
    names |= {"distance": "Schräg", "target_height": "Ziel", "face": "Lage", "code": "Art"}
    for name in TABLES:
        lines = [";".join(names.values())]
        for row in read_rows(job / name):
            row["face"] = {"1": "I", "2": "II"}[row["face"]]
            lines.append(";".join(row[own].replace(".", ",") for own in names))
        (job / name).write_text("\n".join(lines), encoding="cp1252")
    columns = ", ".join(f"{own}: {heading}" for own, heading in names.items())
    form = 'delimiter: ";"\ndecimal: ","\nencoding: cp1252\n'
    words = "words: {face: {I: 1, II: 2}}\n"
    add_setting(job, f"{form}{words}columns: {{{columns}}}\n")


def _workbook(job: Path) -> None:
    """Put the second table into a workbook."""
    import openpyxl

    _short(job)
    book = openpyxl.Workbook()
    rows = read_rows(job / TABLES[1])
    book.active.append(list(rows[0]))
    for row in rows:
        book.active.append([float(v) if _is_number(v) else v for v in row.values()])
    book.save(job / "raw" / "s2.xlsx")
    (job / TABLES[1]).unlink()
    add_setting(job, "raw: [raw/*.csv, raw/*.xlsx]", "raw: [raw/*.csv]")


def _is_number(text: str) -> bool:
    return text.replace(".", "", 1).isdigit()


def _landxml(job: Path) -> None:
    """Write the raw rows and the marks as LandXML."""
    _short(job)
    text = XML_HEAD
    for number, name in enumerate(TABLES, 1):
        text += f'<InstrumentSetup id="i{number}" stationName="S{number}" instrumentHeight="0"/>\n'
        text += f'<ObservationGroup id="g{number}" setupID="i{number}">\n'
        text += "".join(map(_xml_shot, read_rows(job / name)))
        text += "</ObservationGroup>\n"
        (job / name).unlink()
    (job / "raw" / "dock.xml").write_text(f"{text}</Survey>\n</LandXML>\n", encoding="utf-8")
    points = "".join(
        f'<CgPoint name="{row["point"]}" pntSurv="control">'
        f"{row['northing']} {row['easting']} {row['elevation']}</CgPoint>\n"
        for row in read_rows(job / "control.csv")
    )
    marks = XML_HEAD.partition("<Survey>")[0] + f"<CgPoints>{points}</CgPoints>\n</LandXML>\n"
    (job / "marks.xml").write_text(marks, encoding="utf-8")
    (job / "control.csv").unlink()
    add_setting(job, "control: marks.xml", "control: control.csv")
    add_setting(job, "raw: [raw/*.xml]", "raw: [raw/*.csv]")


def _xml_shot(row: dict[str, str]) -> str:
    (direction, zenith), bad = parse_angles([row["direction"], row["zenith"]], "dms")
    assert not bad
    return (
        f'<RawObservation horizAngle="{degrees(direction):.6f}" '
        f'zenithAngle="{degrees(zenith):.6f}" slopeDistance="{row["distance"]}" '
        f'directFace="{"true" if row["face"] == "1" else "false"}" '
        f'targetHeight="{row["target_height"]}"><TargetPoint pntRef="{row["point"]}" '
        f'code="{row["code"]}"/></RawObservation>\n'
    )


def _free(job: Path) -> None:
    """Take the control list away."""
    _short(job)
    (job / "control.csv").unlink()
    add_setting(job, "datum: free\n", "control: control.csv\ndatum: control\n")


def _local(job: Path) -> None:
    """Hold one mark and the way to another."""
    _short(job)
    local = "datum: local\nlocal: {point: CP1, toward: CP2, azimuth: 81-00-00}\n"
    add_setting(job, local, "datum: control\n")


def _occupied(job: Path) -> None:
    """Stand one setup on a mark; raw rows in two rounds."""
    _short(job)
    rows = read_rows(job / TABLES[0])
    again = [row | {"round": "2"} for row in rows if row["role"] != "side"]
    write_rows(job / TABLES[0], rows + again)
    rows = read_rows(job / TABLES[1])
    rows = [{"station": "T9", "instrument_height": "5.2", **row} for row in rows]
    write_rows(job / TABLES[1], rows)


def _planned(job: Path) -> None:
    """Plan before the field: no raw rows yet."""
    shutil.rmtree(job / "raw")
    (job / "sights.csv").write_text(SIGHTS, encoding="utf-8")
    places = "point,northing,easting,elevation\nT1,1050,3050,350\nT2,1070,3080,350\n"
    (job / "places.csv").write_text(places, encoding="utf-8")
    plan = "plan: {places: places.csv, sights: sights.csv}\n"
    add_setting(job, plan, "raw: [raw/*.csv]\n")


def _plane(job: Path) -> None:
    """Measure in plan alone: circle readings, azimuths and horizontal distances between marks."""
    rows = []
    for line in LINES:
        start, end, what = line[0], line[1], line[3:]
        north, east = (MARKS[end][axis] - MARKS[start][axis] for axis in (0, 1))
        azimuth = degrees(atan2(east, north)) % 360.0
        row = {"setup": f"S{start}", "station": start, "point": end}
        row["direction"] = f"{(azimuth - ZEROS[start]) % 360:.3f}" if "d" in what else ""
        row["azimuth"] = f"{azimuth:.3f}" if "a" in what else ""
        row["horizontal_distance"] = f"{hypot(north, east):.3f}" if "h" in what else ""
        rows.append(row)
    (job / TABLES[1]).unlink()
    write_rows(job / TABLES[0], rows)
    held = [f"{name},{north},{east},\n" for name, (north, east) in list(MARKS.items())[:2]]
    text = "".join(["point,northing,easting,elevation\n", *held])
    (job / "control.csv").write_text(text, encoding="utf-8")
    add_setting(job, "{angle: deg, length: m}", "{angle: dms, length: ft}")


def _azimuths(job: Path) -> None:
    """Book azimuths of a compass of each setup, and distances in plan with what gives a height."""
    _short(job)
    for name, turn in zip(TABLES, (33.0, -71.0), strict=True):
        kept = [row for row in read_rows(job / name) if row["face"] == "1"]
        for row in kept:
            angles, bad = parse_angles([row.pop("direction"), row["zenith"]], "dms")
            assert not bad
            slope = float(row.pop("distance"))
            row["azimuth"] = f"{(degrees(angles[0]) + turn) % 360:.5f}"
            row["horizontal_distance"] = f"{slope * sin(angles[1]):.4f}"
            if name == TABLES[0]:
                row["zenith"] = f"{degrees(angles[1]):.5f}"
            else:
                del row["zenith"]
                row["vertical_distance"] = f"{slope * cos(angles[1]):.4f}"
        write_rows(job / name, kept)
    add_setting(job, "{angle: deg, length: ft}", "{angle: dms, length: ft}")
    add_setting(job, "azimuths: setup\n")


def _baselines(job: Path) -> None:
    """Add baselines between the marks, with a covariance."""
    _short(job)
    (job / "baselines.csv").write_text(BASELINES, encoding="utf-8")
    add_setting(job, "baselines: baselines.csv\n")


def _monday(job: Path) -> Path:
    """Put an earlier day of the same job into a folder of it: its results and its job.yaml."""
    _short(job)
    monday = job / "monday"
    shutil.copytree(job, monday)
    tieup.reconcile(monday).write(monday / "out")
    shutil.rmtree(monday / "raw")
    for name in ("report.html", "observations.csv", "columns.csv", "ties.csv", "setups.csv"):
        (monday / "out" / name).unlink()
    return monday


def _next_day(job: Path) -> None:
    """Take the marks of another job as control."""
    _monday(job)
    (job / "control.csv").unlink()
    add_setting(job, "control: {job: monday, marks: [CP1, CP2, T1, T2]}", "control: control.csv")


def _correlated(job: Path) -> None:
    """Give a list of marks the covariance that an earlier day has of them."""
    monday = _monday(job)
    known = [row for row in read_rows(monday / "out" / "coordinates.csv") if row["point"] in TIES]
    columns = ("point", "northing", "easting", "elevation")
    write_rows(job / "control.csv", [{name: row[name] for name in columns} for row in known])
    rows = read_rows(monday / "out" / "covariance.csv")
    own = [row for row in rows if {row["point"], row["with_point"]} <= {*TIES}]
    write_rows(job / "covariance.csv", own)
    shutil.rmtree(monday)
    add_setting(job, "control_covariance: covariance.csv\n")


def _surfaces(job: Path) -> None:
    """Make surfaces of what the drill yard has around one of its ponds."""
    shutil.rmtree(job)
    shutil.copytree(SAMPLE / "drill_yard", job, ignore=shutil.ignore_patterns("out"))
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(text.partition("derived:")[0] + SURFACE, encoding="utf-8")
    for path in sorted((job / "raw").iterdir()):
        rows = read_rows(path)
        side = [row for row in rows if row["role"] == "side" and not row["string"]]
        spare = [row for row in side if row["code"] == "pave"][KEPT:]
        write_rows(path, [row for row in rows if row not in spare])


def _plain_surface(job: Path) -> None:
    """Make one surface of whatever the sample has."""
    _short(job)
    add_setting(job, "surfaces:\n")


JOBS: dict[str, Callable[[Path], None]] = {
    "sample": _plain,
    "short": _short,
    "rich": _rich,
    "foreign": _foreign,
    "workbook": _workbook,
    "landxml": _landxml,
    "free": _free,
    "local": _local,
    "occupied": _occupied,
    "planned": _planned,
    "yard": _yard,
    "plane": _plane,
    "azimuths": _azimuths,
    "baselines": _baselines,
    "next_day": _next_day,
    "correlated": _correlated,
    "surfaces": _surfaces,
    "plain_surface": _plain_surface,
}


def make_jobs(folder: Path) -> None:
    """Write every job into a folder of its name."""
    for name, change in JOBS.items():
        job = folder / name
        shutil.copytree(SAMPLE / "two_setups", job, ignore=shutil.ignore_patterns("out"))
        change(job)
