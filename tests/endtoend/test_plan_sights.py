"""Sights in plan, azimuths and distances alone, through the whole tool, against own least squares.

The referee is scipy on the observation equations written out here; it shares no code with the
package.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

import tieup
from tests.endtoend.jobs import ROOT
from tests.published.plan_jobs import plan_job
from tests.read.landxml_files import landxml
from tieup.config import load_job
from tieup.diagnose.basis.solve import solve
from tieup.errors import TieupError
from tieup.pipeline import make_case, read_site

SECOND = np.pi / 648_000.0
PLACES = {"A": (100.0, 200.0), "B": (180.0, 320.0), "C": (40.0, 400.0), "D": (-30.0, 260.0)}
PLACES["E"] = (90.0, 290.0)
GEAR = (
    "instruments: {default: {direction: 5, zenith: 5, distance: [3, 2]}}\n"
    "centring: {instrument: 1, target: 2}\nheights: {instrument: 0, target: 0}\n"
)
HEADER = "setup,station,point,direction,azimuth,horizontal_distance\n"


def sight(start: str, end: str) -> tuple[float, float]:
    """Return azimuth (rad) and distance (m) between two places."""
    north, east = np.subtract(PLACES[end], PLACES[start])
    return float(np.arctan2(east, north) % (2 * np.pi)), float(np.hypot(north, east))


def table(random: np.random.Generator, lines: list[tuple[str, str, str]]) -> list[list[str]]:
    """Return rows of (station, point, what): d a circle reading, a an azimuth, h a distance."""
    zero = {name: float(random.uniform(0.0, 6.0)) for name in PLACES}
    rows = []
    for start, end, what in lines:
        azimuth, far = sight(start, end)
        noise = random.normal(size=2) * [5 * SECOND, 0.003]
        turned = (azimuth - zero[start] + noise[0]) % (2 * np.pi)
        seen = (azimuth + noise[0]) % (2 * np.pi)
        rows.append(
            [
                start,
                start,
                end,
                f"{np.degrees(turned):.7f}" if "d" in what else "",
                f"{np.degrees(seen):.7f}" if "a" in what else "",
                f"{far + noise[1]:.5f}" if "h" in what else "",
            ]
        )
    return rows


def written(rows: list[list[str]]) -> str:
    """Return a raw table."""
    return HEADER + "".join(",".join(row) + "\n" for row in rows)


def referee(rows: list[list[str]], held: dict[str, tuple[float, float]]) -> tuple[dict, dict]:
    """Return places and covariances of the marks by scipy: axes, circle zeros and marks unknown.

    The instrument's centring joins each axis to its mark; the target's is in each sight.
    """
    marks = [name for name in PLACES if name not in held]
    stations = sorted({row[0] for row in rows})
    turned = sorted({row[0] for row in rows if row[3]})
    first = [PLACES[name] for name in marks] + [PLACES[name] for name in stations]
    zero = []
    for name in turned:
        row = next(row for row in rows if row[0] == name and row[3])
        zero.append(sight(row[0], row[2])[0] - np.radians(float(row[3])))

    def misfit(x: np.ndarray) -> np.ndarray:
        plan = x[: 2 * (len(marks) + len(stations))].reshape(-1, 2)
        at = {**{n: np.array(p) for n, p in held.items()}, **dict(zip(marks, plan, strict=False))}
        axis = dict(zip(stations, plan[len(marks) :], strict=True))
        turn = dict(zip(turned, x[2 * (len(marks) + len(stations)) :], strict=True))
        off = [(axis[name] - at[name]) / 0.001 for name in stations]
        parts = list(np.concatenate(off))
        for start, _, end, direction, azimuth, far in rows:
            ray = at[end] - axis[start]
            length = np.hypot(*ray)
            sd = np.hypot(5 * SECOND, 0.002 / sight(start, end)[1])
            for text, zero_at in ((direction, turn.get(start, 0.0)), (azimuth, 0.0)):
                if text:
                    gap = np.arctan2(ray[1], ray[0]) - zero_at - np.radians(float(text))
                    parts.append(((gap + np.pi) % (2 * np.pi) - np.pi) / sd)
            if far:
                parts.append((length - float(far)) / np.hypot(0.003 + 2e-6 * float(far), 0.002))
        return np.array(parts)

    answer = least_squares(misfit, [*np.ravel(first), *zero], x_scale="jac", xtol=1e-15, ftol=1e-15)
    cofactor = np.linalg.inv(answer.jac.T @ answer.jac)
    place = {name: answer.x[2 * i : 2 * i + 2] for i, name in enumerate(marks)}
    return place, {
        name: cofactor[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i, name in enumerate(marks)
    }


AROUND = [("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"), ("E", "A"), ("E", "C"), ("B", "E")]
KINDS = {
    "azimuths and distances": [(a, b, "ah") for a, b in AROUND],
    "azimuths alone": [(a, b, "a") for a, b in [*AROUND, ("A", "D"), ("C", "B"), ("D", "E")]],
    "distances alone": [
        (a, b, "h") for a, b in [*AROUND, ("A", "C"), ("B", "D"), ("D", "E"), ("B", "A")]
    ],
    "circle readings and one azimuth": [
        *[(a, b, "dh") for a, b in [*AROUND, ("A", "D"), ("B", "A"), ("C", "B"), ("D", "C")]],
        ("E", "D", "a"),
    ],
}
CIRCLES = (
    ("A", "B"),
    ("A", "C"),
    ("A", "D"),
    ("B", "A"),
    ("B", "C"),
    ("B", "D"),
    ("C", "A"),
    ("C", "B"),
)
KINDS["distances beside circle readings"] = [
    *[(a, b, "dh") for a, b in CIRCLES],
    *[(a, "E", "h") for a in ("D", "A", "B")],
]
HELD = {
    "distances beside circle readings": ("A", "B"),
    "azimuths and distances": ("A",),
    "azimuths alone": ("A", "C"),
    "distances alone": ("A", "B", "C"),
    "circle readings and one azimuth": ("A", "B"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_is_what_least_squares_says(tmp_path: Path, kind: str) -> None:
    """Places to 0.02 mm and sds to 0.1 % of an independent adjustment, heights empty."""
    rows = table(np.random.default_rng(11), KINDS[kind])
    held = {name: PLACES[name] for name in HELD[kind]}
    control = "".join(f"{name},{n},{e},,0,0,\n" for name, (n, e) in held.items())
    job = plan_job(tmp_path / "job", written(rows), control, angle="deg", more=GEAR)
    site = tieup.reconcile(job)
    place, cofactor = referee(rows, held)
    found = site.coordinates.set_index("point")
    read = load_job(job)
    solved = solve(make_case(read, *read_site(read)))
    for name, where in place.items():
        row = found.loc[name]  # weighed by how the readings scatter: near, not the same
        assert (row["northing"], row["easting"]) == pytest.approx(tuple(where), abs=3e-3), name
        number = solved.case.points.index(name)
        stands = solved.adjustment.position[number] + solved.network.origin
        assert stands[:2] == pytest.approx(where, abs=2e-5), name
        stated = solved.adjustment.point_covariance[number, :2, :2]
        assert stated == pytest.approx(cofactor[name], rel=2e-3, abs=1e-10), name
    assert found["elevation"].isna().all() and site.setups["elevation"].isna().all()
    assert site.ties["d_elevation"].isna().all() and found["sd_elevation"].isna().all()
    assert set(site.observations["status"]) == {"used"}


def test_a_distance_to_a_mark_that_nothing_places_names_its_setup(tmp_path: Path) -> None:
    """One distance alone, from a mark of no list: its setup is not tied, and nothing else."""
    kind = "distances beside circle readings"
    rows = table(np.random.default_rng(11), KINDS[kind])
    rows.append(["Q", "Q", "E", "", "", "90.5"])
    control = "".join(f"{name},{PLACES[name][0]},{PLACES[name][1]},,0,0,\n" for name in HELD[kind])
    site = tieup.reconcile(
        plan_job(tmp_path / "job", written(rows), control, angle="deg", more=GEAR)
    )
    kinds = {"disconnected", "single-tie"}
    assert [found["setup"] for found in site.findings if found["kind"] in kinds] == ["Q"]


def test_a_free_plan_of_azimuths_lies_north_up(tmp_path: Path) -> None:
    """Without control azimuths say which way is north; only where it lies is open."""
    rows = table(np.random.default_rng(12), KINDS["azimuths and distances"])
    job = plan_job(tmp_path / "job", written(rows), "", angle="deg", more=f"{GEAR}datum: free\n")
    site = tieup.reconcile(job)
    found = site.coordinates.set_index("point")[["northing", "easting"]]
    for one, other in (("A", "B"), ("C", "D"), ("E", "A")):
        gap = found.loc[other] - found.loc[one]
        assert gap.to_numpy() == pytest.approx(np.subtract(PLACES[other], PLACES[one]), abs=0.02)
    assert site.reconciliation.run["rank_defect"] == 2  # two shifts: heights take no part


def test_distances_that_fit_a_mirror_image_are_refused_until_a_rough_place_tells(
    tmp_path: Path,
) -> None:
    """Two known marks leave a net of distances and its mirror image; field coordinates decide."""
    rows = table(np.random.default_rng(13), KINDS["distances alone"])
    control = "".join(f"{name},{n},{e},,0,0,\n" for name, (n, e) in list(PLACES.items())[:2])
    job = plan_job(tmp_path / "job", written(rows), control, angle="deg", more=GEAR)
    with pytest.raises(TieupError, match="mirror image"):
        tieup.reconcile(job)
    header = HEADER.replace("\n", ",field_northing,field_easting\n")
    near = {name: f",{n + 8:.0f},{e - 9:.0f}" for name, (n, e) in PLACES.items()}
    text = header + "".join(",".join(row) + near[row[2]] + "\n" for row in rows)
    (job / "raw" / "a.csv").write_text(text, encoding="utf-8")
    found = tieup.reconcile(job).coordinates.set_index("point")
    for name, place in PLACES.items():
        row = found.loc[name]
        assert (row["northing"], row["easting"]) == pytest.approx(place, abs=0.02), name


def test_a_plan_in_landxml_closes(tmp_path: Path) -> None:
    """Reduced observations of corner to corner, one of them an arc: all used, and they close."""
    corners = ("A", "B", "C", "D")
    setups = "".join(
        f'<InstrumentSetup id="s{n}" stationName="{n}" instrumentHeight="0">'
        f'<InstrumentPoint pntRef="{n}"/></InstrumentSetup>'
        for n in corners
    )
    lines = ""
    for one, other in zip(corners, corners[1:] + corners[:1], strict=True):
        azimuth, far = sight(one, other)
        ends = f'setupID="s{one}" targetSetupID="s{other}"'
        if one == "C":  # the arc over a chord at 60 degrees is pi/3 chords long
            lines += (
                f'<ReducedArcObservation {ends} chordAzimuth="{np.degrees(azimuth):.8f}" '
                f'radius="{far:.6f}" length="{far * np.pi / 3:.6f}" rot="cw"/>'
            )
        else:
            lines += (
                f'<ReducedObservation {ends} azimuth="{np.degrees(azimuth):.8f}" '
                f'horizDistance="{far:.6f}" distanceType="Measured"/>'
            )
    text = landxml(setups + f'<ObservationGroup id="g">{lines}</ObservationGroup>')
    job = plan_job(tmp_path / "job", "", "A,100,200,,0,0,\n", angle="deg", more=GEAR)
    (job / "raw" / "a.csv").unlink()
    (job / "raw" / "plan.xml").write_text(text, encoding="utf-8")
    with (job / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("raw: [raw/*.xml]\n")
    site = tieup.reconcile(job)
    booked = {"centring", "instrument_height"}  # of a setup over a mark, beside its readings
    assert set(site.observations["kind"]) - booked == {"azimuth", "horizontal_distance"}
    own = site.observations[~site.observations["kind"].isin(booked)]
    assert set(own["status"]) == {"used"} and len(own) == 8
    (row,) = site.traverses.to_dict("records")
    assert row["traverse"] == "A-B-C-D-A" and row["misclosure"] < 1e-4
    for finding in site.findings:
        assert "height" not in finding["says"] and "no row has" not in finding["says"]


def test_heights_that_nothing_gives_are_in_no_step(tmp_path: Path) -> None:
    """Zenith angles without a known elevation: no height in any tie, joint, setup or finding.

    The heights that the solution has there are stand-ins: steep distances must not be taken for
    a step in height, nor a wrong one for a pole height.
    """
    job = tmp_path / "job"
    shutil.copytree(ROOT / "sample_raw" / "two_setups", job)
    listed = (job / "control.csv").read_text(encoding="utf-8").splitlines()
    flat = [",".join([*line.split(",")[:3], "", *line.split(",")[4:]]) for line in listed[1:]]
    (job / "control.csv").write_text("\n".join([listed[0], *flat]) + "\n", encoding="utf-8")
    raw = (job / "raw" / "s2.csv").read_text(encoding="utf-8")
    wrong = raw.replace(",80.3126,", ",80.4126,").replace(",80.3011,", ",80.4011,")
    assert wrong.count(",80.4") == 2
    (job / "raw" / "s2.csv").write_text(wrong, encoding="utf-8")
    site = tieup.reconcile(job)
    assert {"distance"} == {f["kind"] for f in site.findings if f["severity"] == "stop"}
    for frame in (site.coordinates, site.setups):
        assert frame["elevation"].isna().all() and frame["sd_elevation"].isna().all()
    assert site.coordinates["hidden_elevation"].isna().all()
    assert site.ties["d_elevation"].isna().all()
    pairs = site.reconciliation.pairs
    assert np.isnan(np.asarray(pairs["d_elevation"], dtype=float)).all()
