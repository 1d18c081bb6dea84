"""Invented sites of any size for the tests of the page, as a run would have reconciled them.

Nothing is adjusted here: places lie on a jittered grid, residuals are drawn from the normal
distribution, and the faults that the page must show are put in by hand.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.write.sample import GOOD_FIT, NAN, make_job, table
from tieup.model.answer import Errand, JointAnswer, SetupAnswer, SiteVerdict, TieAnswer
from tieup.model.decision import Decision
from tieup.model.finding import Finding, Place, Rival
from tieup.model.reconciliation import Reconciliation, Summary, Table
from tieup.model.settings import Tolerances
from tieup.write.columns import COORDINATES, OBSERVATIONS, SETUPS, TIES

CORNER = np.array([2000.0, 5000.0])
VERDICT = SiteVerdict("fails", ("3 of 30 ties fail", "2 to settle before use", "1 to check"))
HOSTILE = (
    "<script>alert(1)</script>",
    "</script><img src=x onerror=alert(1)>",
    "\"'><b>quote & amp;",
    "=1+1",
    "a,b;c\nd",
    "\u202eשלום",
    "نقطة ٧",
    "🚧 42",
    "{{ 7 * 7 }}",
    "javascript:alert(1)",
)


def invented_site(
    folder: Path, *, points: int = 300, setups: int = 5, shots: int = 2, seed: int = 5
) -> Reconciliation:
    """Return a site whose setup S3 puts M2 100 mm low and whose CP1 has moved.

    ``shots`` is how many setups see each mark; side shots are seen by one.
    """
    rng = np.random.default_rng(seed)
    marks = max(8, points // 20)
    names = [f"CP{i}" for i in range(1, 9)] + [f"M{i}" for i in range(1, marks - 7)]
    names += [f"{i + 101}" for i in range(points - marks)]
    side = 12.0 * points**0.5 / 2.0
    place = rng.uniform(0, side, (points, 2)) + CORNER
    for first in range(marks, points, 24):  # curbs of 24 shots, across the yard in turn
        run = np.arange(first, min(first + 24, points))
        along = np.linspace(0.05, 0.95, len(run)) * side
        across = 2.0 * np.sin(along / side * 3) + (first * 7.3) % (0.9 * side)
        sides = [along, across] if (first // 24) % 2 else [across, along]
        place[run] = np.column_stack(sides) + CORNER
    height = 112.0 + 0.014 * (place[:, 0] - 2000)
    stand = rng.uniform(0.15, 0.85, (setups, 2)) * side + CORNER
    labels = [f"S{i + 1}" for i in range(setups)]
    far = np.hypot(*(place[:, None] - stand[None]).transpose(2, 0, 1))
    order = np.argsort(far, axis=1)
    seen = [order[i, : shots if i < marks else 1] for i in range(points)]
    ties = _ties(names, marks, seen, labels, rng)
    site = Reconciliation(
        job=make_job(
            folder,
            title="Invented yard, north side",
            decisions=(_decision(),),
            resolved=_settings(),
        ),
        coordinates=_coordinates(names, place, height, marks, seen, labels, rng),
        observations=_observations(names, far, marks, seen, labels, rng),
        setups=_setups(labels, stand, seen, ties),
        ties=ties,
        findings=_findings(),
        summary=Summary(
            datum="held to control CP1, CP2, CP3",
            minimal=GOOD_FIT,
            held=replace(GOOD_FIT, statistic=71.2, sigma0=1.52, passed=False),
            rows={"used": 2 * points, "unused": 2, "excluded": 3, "repeated": 1, "invalid": 1},
        ),
        run={
            "version": "0.1.0",
            "inputs": {"raw/s1.csv": "ab" * 32, "control.csv": "cd" * 32},
            "raw_files": [{"name": "raw/s1.csv", "rows": 2 * points, "sha256": "ab" * 32}],
            "settings": _settings(),
            "unknown_columns": {"battery": ["raw/s1.csv"]},
            "decisions": [{"line": 14, "rows": 2, "sigma0_before": 1.52, "sigma0_after": 1.02}],
        },
        verdict=VERDICT,
    )
    return site


def with_extras(site: Reconciliation) -> Reconciliation:
    """Return a site with everything that only some runs have."""
    north, east = site.coordinates["northing"], site.coordinates["easting"]
    joints = {
        "string": ["CURB-1", "CURB-2"],
        "first": ["S1", "S2"],
        "second": ["S2", "S3"],
        "point": ["M1", "M2"],
        "northing": np.array([north[8], north[9]]),
        "easting": np.array([east[8], east[9]]),
        "d_horizontal": np.array([0.0021, 0.0083]),
        "d_elevation": np.array([0.0012, -0.0061]),
        "limit_horizontal": np.array([0.006, 0.006]),
        "limit_elevation": np.array([0.003, 0.003]),
        "verdict": ["ties", "fails"],
    }
    pairs = {
        "first": ["S1"],
        "second": ["S2"],
        "shared": [3],
        "d_northing": np.array([0.0011]),
        "d_easting": np.array([-0.0004]),
        "d_elevation": np.array([0.0012]),
        "turn": np.array([4.0]),
        "far_point": ["131"],
        "d_horizontal": np.array([0.0021]),
        "sd_horizontal": np.array([0.0012]),
        "sd_elevation": np.array([0.0007]),
        "limit_horizontal": np.array([0.006]),
        "limit_elevation": np.array([0.003]),
        "verdict": ["ties"],
    }
    control = {
        "point": ["CP1", "CP2"],
        "d_northing": np.array([0.0141, 0.0002]),
        "d_easting": np.array([-0.0110, 0.0004]),
        "d_elevation": np.array([-0.0040, NAN]),
        "sd_northing": np.array([0.0010, 0.0011]),
        "sd_easting": np.array([0.0010, 0.0010]),
        "sd_elevation": np.array([0.0008, NAN]),
        "verdict": ["fails", "ties"],
    }
    rules = {
        "rule": ["control_minimum", "face_distance", "closing_backsight"],
        "says": ["control marks sighted", "distance, face 1 against face 2", "closing backsight"],
        "state": ["pass", "warn", "not checked"],
        "subject": ["S1", "S2", ""],
        "value": np.array([4.0, 3.4, NAN]),
        "limit": np.array([3.0, 3.0, NAN]),
        "unit": ["", "mm", ""],
        "checked": [5, 4, 0],
        "reason": ["", "", "no closing rows"],
        "source": ["common practice, no source"] * 3,
    }
    return replace(
        site, joints=joints, pairs=pairs, control=control, rules=rules, answer=_crew_answer()
    )


def with_disputes(site: Reconciliation) -> Reconciliation:
    """Return a site in which M3 lies in two places in plan, 10 mm apart, and M4 in two heights."""
    names = np.asarray(site.coordinates["point"]).tolist()
    findings = list(site.findings)
    for number, (point, kind, other) in enumerate(
        (("M3", "distance", (0.006, 0.008, 0.0)), ("M4", "target-height", (0.0, 0.0, -0.05)))
    ):
        row = names.index(point)
        north, east, up = (
            float(site.coordinates[axis][row]) for axis in ("northing", "easting", "elevation")
        )
        stories = ((f"the {kind} from S1 to {point} is off", -0.5), (f"{point} moved", 0.5))
        places = tuple(
            Place(
                point,
                story,
                (north + side * other[0], east + side * other[1], up + side * other[2]),
                (0.0012, 0.0015, 0.0009),
            )
            for story, side in stories
        )
        findings.insert(
            number,
            Finding(
                kind=kind,
                severity="stop",
                setup="S1",
                points=(point,),
                rivals=(
                    Rival("mark-moved", "", (point,), 12.0, False),
                    Rival("point-name", "S1", (point,), 11.9, False),
                ),
                says=f"In setup S1 the {kind} to {point} is off, or {point} moved.",
                places=places,
                decidable=True,
            ),
        )
    return replace(site, findings=tuple(findings))


def hostile_site(folder: Path) -> Reconciliation:
    """Return a site with `HOSTILE` texts as point, setup, code, string, note and title."""
    site = invented_site(folder, points=60)
    count = len(HOSTILE)
    coordinates = {name: np.array(column) for name, column in site.coordinates.items()}
    for name in ("point", "code", "string", "flags"):
        coordinates[name][:count] = HOSTILE
    ties = {name: np.array(column) for name, column in site.ties.items()}
    ties["point"][:count] = HOSTILE
    ties["setup"][:count] = HOSTILE
    observations = {name: np.array(column) for name, column in site.observations.items()}
    for name in ("file", "point", "reason"):
        observations[name][:count] = HOSTILE
    setups = {name: np.array(column) for name, column in site.setups.items()}
    setups["setup"][:2], setups["station"][:2] = HOSTILE[:2], HOSTILE[2:4]
    findings = tuple(
        replace(site.findings[0], setup=text, points=(text,), says=text, confirm=text, cure=text)
        for text in HOSTILE
    )
    job = replace(site.job, title=HOSTILE[1], resolved={HOSTILE[0]: HOSTILE[1]})
    return replace(
        site,
        job=job,
        coordinates=coordinates,
        ties=ties,
        observations=observations,
        setups=setups,
        findings=findings,
        run={**site.run, "settings": job.resolved, "inputs": {HOSTILE[1]: "ab" * 32}},
    )


def _crew_answer() -> TieAnswer:
    """Return an answer in which S3 and its joint with S2 fail, and S4 is not proved."""
    return TieAnswer(
        title="Invented yard, north side",
        length_unit="m",
        limits=Tolerances(),
        setups=(
            SetupAnswer("S1", "", 0.0024, "CP6", -0.0019, "M7", "ties", "6 of 6 marks proved"),
            SetupAnswer("S2", "CP3", 0.0178, "CP1", 0.0013, "CP8", "fails", "1 of 6 marks off"),
            SetupAnswer("S3", "", 0.0027, "CP3", -0.1, "M2", "fails", "1 of 8 marks off"),
            SetupAnswer("S4", "", NAN, "", NAN, "", "untested", "its marks lie in one line"),
        ),
        joints=(
            JointAnswer("S1", "S2", 0.0021, 0.0012, 0.0034, "131", ("CURB-1",), "ties", "within"),
            JointAnswer("S2", "S3", 0.0083, -0.0061, NAN, "", ("CURB-2",), "fails", "beyond"),
        ),
        odd="S3",
        todo=(Errand("At S3", ("shoot M2 again, both faces, pole height read aloud",)),),
        holding=25,
        failing=3,
        unproved=2,
        verdict=VERDICT,
    )


def _decision() -> Decision:
    return Decision(
        verb="exclude",
        finding="",
        where={"setup": "S2", "point": "M4"},
        values={},
        to="",
        by="A. Person",
        reason="pole not plumb",
        line=14,
    )


def _settings() -> dict[str, Any]:
    return {
        "title": "Invented yard, north side",
        "units": {"angle": "deg", "length": "m"},
        "raw": ["raw/*.csv"],
        "instruments": {"default": {"direction": 2.0, "distance": [1.5, 2.0]}},
        "levels": None,
        "decisions": [{"exclude": {"setup": "S2", "point": "M4"}, "reason": "pole not plumb"}],
    }


def _coordinates(
    names: list[str],
    place: np.ndarray,
    height: np.ndarray,
    marks: int,
    seen: list[np.ndarray],
    labels: list[str],
    rng: np.random.Generator,
) -> Table:
    spread = rng.uniform(0.0006, 0.0016, (len(names), 3))
    rows = []
    for i, name in enumerate(names):
        role = "control" if i < 8 else "tie" if i < marks else "shot"
        rows.append(
            {
                "point": name,
                "northing": place[i, 0],
                "easting": place[i, 1],
                "elevation": height[i],
                "code": "nail" if i < marks else "curb",
                "string": "" if i < marks else f"CURB-{(i - marks) // 24}",
                "role": role,
                "proof": {"control": "held", "tie": "checked", "shot": "unchecked"}[role],
                "sd_northing": spread[i, 0],
                "sd_easting": spread[i, 1],
                "sd_elevation": spread[i, 2],
                "ellipse_major": 2.4477 * spread[i, :2].max(),
                "ellipse_minor": 2.4477 * spread[i, :2].min(),
                "ellipse_azimuth": float(rng.uniform(0, 180)),
                "elevation_interval": 1.96 * spread[i, 2],
                "setups": " ".join(labels[s] for s in sorted(seen[i])),
            }
        )
    return table(COORDINATES, rows)


def _observations(
    names: list[str],
    far: np.ndarray,
    marks: int,
    seen: list[np.ndarray],
    labels: list[str],
    rng: np.random.Generator,
) -> Table:
    rows: list[dict[str, Any]] = []
    times: list[str] = []
    line = dict.fromkeys(labels, 1)
    shots = sorted(((s, i) for i, setups in enumerate(seen) for s in setups))
    for s, i in shots:
        line[labels[s]] += 1
        row = {"file": f"raw/{labels[s].lower()}.csv", "line": line[labels[s]]}
        row |= {"setup": labels[s], "point": names[i], "status": "used"}
        for kind in ("direction", "zenith", "distance"):
            w = rng.standard_normal() if i < marks else NAN
            observed = far[i, s] if kind == "distance" else float(rng.uniform(0, 360))
            rows.append({**row, "kind": kind, "observed": observed, "w": w, "sd": 3.0})
            times.append(f"2026-03-03T{7 + len(rows) // 120 % 12:02d}:{len(rows) // 2 % 60:02d}:00")
    for row, (status, reason) in zip(
        rows[::31],
        [("excluded", "target height (F-7c1e2a)"), ("repeated", "copy of line 2")],
        strict=False,
    ):
        row |= {"status": status, "reason": reason, "w": NAN}
    return {**table(OBSERVATIONS, rows), "time": np.array(times, dtype=object)}


def _setups(labels: list[str], stand: np.ndarray, seen: list[np.ndarray], ties: Table) -> Table:
    fails = set(np.asarray(ties["setup"])[np.asarray(ties["verdict"]) == "fails"])
    counts = np.bincount(np.concatenate([s for s in seen if len(s) > 1]), minlength=len(labels))
    return table(
        SETUPS,
        [
            {
                "setup": label,
                "station": "CP3" if i == 1 else "",
                "northing": stand[i, 0],
                "easting": stand[i, 1],
                "elevation": 113.7,
                "orientation": 31.5 * i,
                "sd_northing": 0.0008,
                "sd_easting": 0.0007,
                "sd_elevation": 0.0005,
                "sd_orientation": 0.0009,
                "ties": int(counts[i]),
                "redundancy": 11.25,
                "geometry": ("strong", "two-tie", "weak")[i % 3],
                "geometry_sd": 1.4,
                "verdict": "fails" if label in fails else "ties",
            }
            for i, label in enumerate(labels)
        ],
    )


def _ties(
    names: list[str],
    marks: int,
    seen: list[np.ndarray],
    labels: list[str],
    rng: np.random.Generator,
) -> Table:
    rows = []
    for i in range(marks):
        for s in seen[i]:
            north, east, up = rng.normal(0, 0.0011, 3)
            verdict = "untested" if i == 12 else "ties"
            if names[i] == "M2" and s == seen[i][0]:
                up, verdict = -0.1, "fails"
            if names[i] == "CP1":
                north, east, verdict = 0.014, -0.011, "fails"
            plan = float(np.hypot(north, east))
            row: dict[str, Any] = {"point": names[i], "setup": labels[s], "verdict": verdict}
            row |= {"limit_horizontal": 0.006, "limit_elevation": 0.003}
            if verdict != "untested":
                row |= {"d_northing": north, "d_easting": east, "d_elevation": up}
                row |= {"d_horizontal": plan, "sd_horizontal": 0.0012, "sd_elevation": 0.0008}
            rows.append(row)
    return table(TIES, rows)


def _findings() -> tuple[Finding, ...]:
    return (
        Finding(
            kind="target-height",
            severity="stop",
            setup="S3",
            points=("M2",),
            lines=("raw/s3.csv:8", "raw/s3.csv:9"),
            size=-0.1001,
            unit="m",
            sd=0.00093,
            statistic=107.2,
            rivals=(
                Rival("mark-moved", "", ("M2",), 88.1, True),
                Rival("zenith", "S3", ("M2",), 107.2, False),
            ),
            action="excluded",
            says="In setup S3 the pole height of the shot to M2 was booked 0.1001 m too small; "
            "the heights are left out.",
            confirm="Look up the pole height in the field book; shoot the point again and read "
            "the pole height aloud.",
            cure="Set the pole height 0.1001 m higher (accept), or leave the heights out.",
            decidable=True,
        ),
        Finding(
            kind="mark-moved",
            severity="stop",
            points=("CP1",),
            lines=("raw/s1.csv:2",),
            size=0.0178,
            unit="m",
            sd=0.0011,
            statistic=16.2,
            action="split",
            says="Mark CP1 moved by 17.8 mm (N +14.0 mm, E -11.0 mm).",
            confirm="Look at the mark; measure from CP1 to two neighbours.",
            cure="Do not use CP1 until it is re-set; keep the split (accept).",
            decidable=True,
        ),
        Finding(
            kind="weak-geometry",
            severity="check",
            setup="S2",
            says="S2 hangs on two marks: a mistake at either would not be located.",
            confirm="Shoot a third mark from S2.",
        ),
        Finding(kind="precision", severity="note", says="The stated precision fits the data."),
    )
