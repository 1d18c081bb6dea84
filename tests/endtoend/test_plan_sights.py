"""Sights in plan, azimuths and distances alone, through the whole tool, against own least squares.

The referee is scipy on the observation equations written out here; it shares no code with the
package.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

import tieup
from tests.published.plan_jobs import plan_job
from tieup.config import load_job
from tieup.diagnose.solve import solve
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
HELD = {
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
        row = found.loc[name]
        assert (row["northing"], row["easting"]) == pytest.approx(tuple(where), abs=2e-4), name
        number = solved.case.points.index(name)
        stated = solved.adjustment.point_covariance[number, :2, :2]
        assert stated == pytest.approx(cofactor[name], rel=2e-3, abs=1e-10), name
    assert found["elevation"].isna().all() and site.setups["elevation"].isna().all()
    assert site.ties["d_elevation"].isna().all() and found["sd_elevation"].isna().all()
    assert set(site.observations["status"]) == {"used"}
