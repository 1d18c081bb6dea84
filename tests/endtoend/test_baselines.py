"""Baselines: against a dense solution with full covariances, textbook closures, and decisions.

The dense solution is plain numpy, N = A'PA with P the inverse of each 3 x 3 covariance (Ghilani,
Adjustment Computations, GNSS baseline vector networks); its net is invented.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

import tieup
from tests.endtoend.jobs import stops
from tieup.data import data_path
from tieup.errors import NetworkError, TieupError
from tieup.model.arrays import FloatArray

PLACES = {
    "A": (1000.0, 2000.0, 50.0),
    "B": (1420.0, 2310.0, 61.0),
    "C": (1210.0, 2890.0, 44.0),
    "D": (640.0, 2650.0, 57.0),
    "E": (830.0, 2240.0, 52.0),
}
LINES = (("A", "B"), ("B", "C"), ("C", "D"), ("D", "E"), ("E", "A"), ("A", "C"), ("B", "E"),
         ("E", "C"), ("B", "D"))  # fmt: skip
PARTS = ("northing", "easting", "elevation")
SD = 0.003  # m
HEAD = (
    "from,to,d_northing,d_easting,d_elevation,sd_northing,sd_easting,sd_elevation,"
    "cov_northing_easting,cov_northing_elevation,cov_easting_elevation\n"
)


@dataclass(frozen=True)
class Vector:
    """An observed baseline with its covariance (m, m^2)."""

    start: str
    end: str
    offset: FloatArray
    covariance: FloatArray

    def row(self) -> str:
        """Return its row of baselines.csv."""
        sd, c = np.sqrt(np.diag(self.covariance)), self.covariance
        numbers = [*self.offset, *sd, c[0, 1], c[0, 2], c[1, 2]]
        return f"{self.start},{self.end},{','.join(f'{n:.15g}' for n in numbers)}\n"


def vectors(seed: int, *, noise: float = 1.0, diagonal: bool = False) -> list[Vector]:
    """Return baselines of all lines with strong correlations and random errors of theirs."""
    rng, found = np.random.default_rng(seed), []
    for a, b in LINES:
        half = rng.normal(size=(3, 3))
        covariance = (half @ half.T + np.eye(3)) * SD**2 / 4.0
        covariance = np.diag(np.diag(covariance)) if diagonal else covariance
        error = noise * np.linalg.cholesky(covariance) @ rng.normal(size=3)
        found.append(Vector(a, b, np.subtract(PLACES[b], PLACES[a]) + error, covariance))
    return found


def moved(observed: Sequence[Vector], number: int, by: Sequence[float]) -> list[Vector]:
    """Return the baselines with one of them wrong."""
    one = observed[number]
    wrong = Vector(one.start, one.end, one.offset + np.array(by), one.covariance)
    return [*observed[:number], wrong, *observed[number + 1 :]]


def job_of(
    folder: Path, observed: Sequence[Vector], known: str = "A", more: str = "", datum: str = ""
) -> Path:
    """Write a job of baselines alone."""
    folder.mkdir(exist_ok=True)
    (folder / "baselines.csv").write_text(HEAD + "".join(v.row() for v in observed))
    rows = "".join(f"{name},{','.join(map(str, PLACES[name]))}\n" for name in known)
    (folder / "control.csv").write_text(f"point,northing,easting,elevation\n{rows}")
    text = f"units: {{angle: deg, length: m}}\nbaselines: baselines.csv\n{more}"
    (folder / "job.yaml").write_text(text + (f"datum: {datum}\n" if datum else ""))
    return folder


def dense(
    observed: Sequence[Vector], known: str
) -> tuple[dict[str, FloatArray], dict[str, FloatArray], FloatArray, FloatArray, FloatArray]:
    """Return places and their covariances by mark, residuals, redundancy numbers and w."""
    free = [name for name in PLACES if name not in known]
    count = 3 * len(observed)
    design, misfit, weight = (
        np.zeros((count, 3 * len(free))),
        np.zeros(count),
        np.zeros((count,) * 2),
    )
    for i, v in enumerate(observed):
        rows = slice(3 * i, 3 * i + 3)
        misfit[rows] = v.offset
        weight[rows, rows] = np.linalg.inv(v.covariance)
        for name, sign in ((v.end, 1.0), (v.start, -1.0)):
            if name in known:
                misfit[rows] -= sign * np.array(PLACES[name])
            else:
                at = 3 * free.index(name)
                design[rows, at : at + 3] += sign * np.eye(3)
    spread = np.linalg.inv(design.T @ weight @ design)
    solved = spread @ design.T @ weight @ misfit
    residual = design @ solved - misfit
    left = np.linalg.inv(weight) - design @ spread @ design.T
    blocks = {name: slice(3 * i, 3 * i + 3) for i, name in enumerate(free)}
    return (
        {name: solved[part] for name, part in blocks.items()},
        {name: spread[part, part] for name, part in blocks.items()},
        residual,
        np.diag(left @ weight),
        residual / np.sqrt(np.diag(left)),
    )


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("known", ["A", "AD"])
def test_the_dense_solution_with_full_covariances(tmp_path: Path, seed: int, known: str) -> None:
    """Places, sds, residuals, redundancy numbers, w and mdb of every component."""
    observed = vectors(seed)
    result = tieup.reconcile(job_of(tmp_path, observed, known))
    places, spreads, residual, redundancy, w = dense(observed, known)
    table = result.coordinates.set_index("point")
    for name, place in places.items():
        np.testing.assert_allclose(table.loc[name, list(PARTS)].astype(float), place, atol=2e-6)
        sds = table.loc[name, [f"sd_{part}" for part in PARTS]].astype(float)
        np.testing.assert_allclose(sds, np.sqrt(np.diag(spreads[name])), rtol=1e-5, atol=1e-7)
    rows = result.observations
    assert rows.component.tolist() == [*PARTS] * len(observed)
    assert set(rows.kind) == {"baseline"} and set(rows.status) == {"used"}
    np.testing.assert_allclose(rows.residual, 1e3 * residual, atol=1e-5)  # mm
    np.testing.assert_allclose(rows.redundancy, redundancy, atol=1e-7)
    np.testing.assert_allclose(rows.w, w, atol=1e-5)
    run = result.reconciliation.run
    assert run["redundancy"]["baselines"] == pytest.approx(run["dof"], abs=1e-9)
    assert run["lists"] == {"baselines": {"used": len(LINES), "unused": 0, "excluded": 0}}
    assert "baselines.csv" in run["inputs"]


def test_the_mdb_allows_for_the_correlations(tmp_path: Path) -> None:
    """delta0 over the root of (P Qv P) of the component, from the dense matrices (Baarda 1968).

    delta0 is that of the test of a whole vector: 3 degrees, 0.01 over the 14 hypotheses of the
    job (9 vectors; N, E, H, both in plan and all three of the mark that is held).
    """
    observed = vectors(3)
    rows = tieup.reconcile(job_of(tmp_path, observed)).observations
    stacked = np.zeros((3 * len(observed),) * 2)
    for i, v in enumerate(observed):
        stacked[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = np.linalg.inv(v.covariance)
    free = [name for name in PLACES if name != "A"]
    design = np.zeros((len(stacked), 12))
    for i, v in enumerate(observed):
        for name, sign in ((v.end, 1.0), (v.start, -1.0)):
            if name != "A":
                at = 3 * free.index(name)
                design[3 * i : 3 * i + 3, at : at + 3] += sign * np.eye(3)
    spread = np.linalg.inv(design.T @ stacked @ design)
    information = np.diag(stacked - stacked @ design @ spread @ design.T @ stacked)
    critical = stats.chi2.isf(0.01 / 14, 3)
    lambda0 = optimize.brentq(lambda x: stats.ncx2.sf(critical, 3, x) - 0.80, 1.0, 60.0)
    right = np.sqrt(lambda0 / information)
    np.testing.assert_allclose(rows.mdb, 1e3 * right, rtol=1e-5)


def test_a_loop_closes_as_the_textbook_says(tmp_path: Path) -> None:
    """Three equal baselines of a triangle: each takes a third of the closure, 3 checks."""
    even = [
        Vector(a, b, np.subtract(PLACES[b], PLACES[a]), np.eye(3) * SD**2)
        for a, b in (("A", "B"), ("B", "C"), ("C", "A"))
    ]
    closure = np.array([0.003, -0.006, 0.009])
    result = tieup.reconcile(job_of(tmp_path, moved(even, 1, closure)))
    rows = result.observations
    np.testing.assert_allclose(rows.residual, np.tile(-1e3 * closure / 3.0, 3), atol=1e-6)  # mm
    np.testing.assert_allclose(rows.redundancy, 1.0 / 3.0, atol=1e-9)
    run = result.reconciliation.run
    square = float(closure @ closure) / (3.0 * SD**2)
    assert run["dof"] == 3
    assert run["sigma0"] == pytest.approx((square / 3.0) ** 0.5, abs=1e-9)


def test_heights_of_uncorrelated_baselines_are_those_of_level_runs(tmp_path: Path) -> None:
    """With a diagonal covariance the vertical part of a baseline is a level run."""
    observed = vectors(7, diagonal=True)
    whole = tieup.reconcile(job_of(tmp_path / "gps", observed))
    folder = job_of(tmp_path / "levels", observed)
    rows = "".join(
        f"{v.start},{v.end},{v.offset[2]:.15g},{v.covariance[2, 2] ** 0.5:.15g}\n" for v in observed
    )
    (folder / "levels.csv").write_text(f"from,to,difference,sd\n{rows}")
    text = (folder / "job.yaml").read_text().replace("baselines: baselines", "levels: levels")
    (folder / "job.yaml").write_text(text)
    runs = tieup.reconcile(folder)
    one, other = (r.coordinates.set_index("point") for r in (whole, runs))
    np.testing.assert_allclose(one.elevation, other.elevation[one.index], atol=1e-9)
    np.testing.assert_allclose(one.sd_elevation, other.sd_elevation[one.index], atol=1e-9)
    upright = whole.observations[whole.observations.component == "elevation"]
    for column in ("residual", "redundancy", "w"):
        np.testing.assert_allclose(upright[column], runs.observations[column], atol=1e-6)


def test_a_free_net_of_baselines_keeps_its_shape(tmp_path: Path) -> None:
    """Without control the differences are those of the held net: the turn is the baselines'."""
    observed = vectors(2)
    held = tieup.reconcile(job_of(tmp_path / "held", observed)).coordinates
    free = tieup.reconcile(job_of(tmp_path / "free", observed, "", datum="free")).coordinates
    one, other = (t.set_index("point")[list(PARTS)].astype(float) for t in (held, free))
    gap = (one - other.loc[one.index]).to_numpy()
    np.testing.assert_allclose(gap, np.tile(gap[0], (len(gap), 1)), atol=2e-6)


@pytest.mark.slow
def test_coverage_of_the_stated_sds(tmp_path: Path) -> None:
    """60 nets: errors over sds scatter by 1, the global test passes as often as it says."""
    off, passed, false = [], 0, 0
    for seed in range(60):
        result = tieup.reconcile(job_of(tmp_path, vectors(1000 + seed)))
        table = result.coordinates.set_index("point")
        for name in "BCDE":
            error = table.loc[name, list(PARTS)].astype(float).to_numpy() - PLACES[name]
            sds = table.loc[name, [f"sd_{part}" for part in PARTS]].astype(float).to_numpy()
            off.append(error / sds)
        passed += bool(result.reconciliation.run["global_test"]["passed"])
        false += bool(stops(result))
    assert np.std(off) == pytest.approx(1.0, abs=0.12)
    assert abs(np.mean(off)) < 0.17
    assert passed >= 51  # 95 % of 60 less 3.3 sds of that count
    assert false <= 3  # at 1 in 100, more has a chance of 0.3 %


@pytest.mark.parametrize(
    "by", [(0.0, 0.0, 0.08), (0.05, -0.06, 0.0), (0.5, -0.3, 0.2), (40.0, 0.0, 0.0)]
)
@pytest.mark.parametrize("number", [1, 4])
def test_a_wrong_baseline_is_named(tmp_path: Path, number: int, by: Sequence[float]) -> None:
    """An antenna height, a wrong mark: the baseline is left out, its size is the mistake."""
    result = tieup.reconcile(job_of(tmp_path, moved(vectors(5), number, by)))
    (found,) = stops(result)
    assert (found["kind"], found["points"]) == ("baseline", list(LINES[number]))
    assert found["lines"] == [f"baselines.csv:{number + 2}"]
    assert found["size"] == pytest.approx(float(np.linalg.norm(by)), abs=0.012)
    left = result.observations[result.observations.line == number + 2]
    assert set(left.status) == {"excluded"} and len(left) == 3
    assert result.reconciliation.run["lists"]["baselines"]["excluded"] == 1


@pytest.mark.parametrize("how", ["keep", "accept", "exclude"])
def test_a_person_decides_about_a_baseline(tmp_path: Path, how: str) -> None:
    """Kept, it takes part as booked; accepted or excluded, it stays out and nothing is open."""
    observed = moved(vectors(5), 1, (0.0, 0.0, 0.08))
    (found,) = stops(tieup.reconcile(job_of(tmp_path, observed)))
    what = "{line: 'baselines.csv:3'}" if how == "exclude" else found["id"]
    more = f"decisions: [{{{how}: {what}, by: office, reason: antenna}}]\n"
    result = tieup.reconcile(job_of(tmp_path, observed, more=more))
    status = set(result.observations[result.observations.line == 3].status)
    assert status == ({"used"} if how == "keep" else {"excluded"})
    kept = [f["action"] for f in stops(result)]  # beyond the limits it stays one, kept or not
    assert kept == (["kept"] if how == "keep" else [])


def test_what_hangs_on_nothing_is_said(tmp_path: Path) -> None:
    """A baseline of two marks that nothing ties to control gives no coordinates."""
    stray = Vector("X", "Z", np.array([10.0, 5.0, 1.0]), np.eye(3) * SD**2)
    result = tieup.reconcile(job_of(tmp_path, [*vectors(1, noise=0.5), stray]))
    (found,) = [f for f in result.findings if f["kind"] == "disconnected"]
    assert found["points"] == ["X", "Z"]
    status = result.observations.set_index("point").status
    assert set(status["Z"]) == {"unused"}


def test_control_without_elevations_leaves_heights_open(tmp_path: Path) -> None:
    """One mark known in plan alone: plan by the plan part of the covariances, no heights."""
    observed = vectors(4)
    folder = job_of(tmp_path, observed)
    (folder / "control.csv").write_text("point,northing,easting,elevation\nA,1000,2000,\n")
    result = tieup.reconcile(folder)
    table = result.coordinates.set_index("point")
    assert np.isnan(table.elevation.astype(float)).all()
    flat = [Vector(v.start, v.end, v.offset, v.covariance * 1.0) for v in observed]
    for v in flat:  # what is not correlated with the plan cannot move it
        v.covariance[2, :2] = v.covariance[:2, 2] = 0.0
    places = dense(flat, "A")[0]
    for name, place in places.items():
        np.testing.assert_allclose(
            table.loc[name, ["northing", "easting"]].astype(float), place[:2], atol=2e-6
        )
    parts = result.observations.groupby("component").status.unique()
    assert parts["northing"].tolist() == ["used"] and parts["elevation"].tolist() == ["unused"]


def with_setups(
    tmp_path: Path, lines: Sequence[tuple[str, str]], *, off: FloatArray | None = None, **keys: str
) -> tuple[tieup.library.Result, dict[str, FloatArray]]:
    """Return the clean sample with baselines, one mark of which no setup has seen, and its truth.

    ``keys`` may give the ``control`` marks and the ``datum``.
    """
    job = tmp_path / "job"
    shutil.rmtree(job, ignore_errors=True)
    shutil.copytree(data_path("sample_raw") / "fire_station_clean", job)
    plain = tieup.reconcile(job).coordinates.set_index("point")
    truth = {n: plain.loc[n, list(PARTS)].to_numpy(dtype=float) for n in plain.index}
    truth["GPS"] = truth["CP1"] + np.array([-300.0, 250.0, 5.0])
    rng = np.random.default_rng(11)
    spread = np.diag([1.0, 1.0, 4.0]) * 0.002**2
    rows = [
        Vector(a, b, truth[b] - truth[a] + rng.normal(size=3) * [0.002, 0.002, 0.004], spread)
        for a, b in lines
    ]
    rows = rows if off is None else moved(rows, 0, off)
    (job / "baselines.csv").write_text(HEAD + "".join(v.row() for v in rows))
    if "control" in keys:
        listed = "".join(f"{n},{','.join(map(str, truth[n]))}\n" for n in keys["control"].split())
        (job / "control.csv").write_text(f"point,northing,easting,elevation\n{listed}")
    text = (job / "job.yaml").read_text(encoding="utf-8").replace("datum: control\n", "")
    (job / "job.yaml").write_text(
        f"{text}baselines: baselines.csv\ndatum: {keys.get('datum', 'control')}\n"
    )
    return tieup.reconcile(job), truth


ROUND = (("CP1", "CP5"), ("CP5", "CP3"), ("CP3", "GPS"), ("GPS", "CP1"), ("CP1", "CP3"))


def test_baselines_join_the_shots(tmp_path: Path) -> None:
    """Clean baselines change no verdict, place a mark of their own and add their checks."""
    result, truth = with_setups(tmp_path, ROUND)
    run = result.reconciliation.run
    assert not stops(result)
    assert sum(run["redundancy"].values()) == pytest.approx(run["dof"], abs=1e-6)
    assert run["redundancy"]["baselines"] > 9.0
    found = result.coordinates.set_index("point").loc["GPS"]
    np.testing.assert_allclose(found[list(PARTS)].astype(float), truth["GPS"], atol=0.012)
    assert found.role == "tie"


@pytest.mark.slow
@pytest.mark.parametrize("off", [(0.03, 0.03, -0.04), (5.0, 0.0, 0.0), (0.0, 0.0, 2.0)])
def test_a_wrong_baseline_among_shots_is_named(tmp_path: Path, off: Sequence[float]) -> None:
    """Small or gross, the baseline is named and no shot is blamed for it."""
    result, _ = with_setups(tmp_path, ROUND, off=np.array(off))
    (found,) = stops(result)
    assert (found["kind"], found["points"]) == ("baseline", ["CP1", "CP5"])
    assert found["size"] == pytest.approx(float(np.linalg.norm(off)), abs=0.012)


@pytest.mark.slow
def test_baselines_alone_tie_the_setups_to_control(tmp_path: Path) -> None:
    """The one known mark is seen by no setup: baselines bring place, height and turn."""
    lines = (("GPS", "CP1"), ("GPS", "CP3"), ("GPS", "CP5"), ("CP1", "CP3"))
    result, truth = with_setups(tmp_path, lines, control="GPS")
    assert not stops(result)
    table = result.coordinates.set_index("point")
    for name in ("CP2", "CP4", "CP8"):
        np.testing.assert_allclose(
            table.loc[name, list(PARTS)].astype(float), truth[name], atol=0.012
        )


def test_baselines_give_a_free_site_its_turn(tmp_path: Path) -> None:
    """Datum free: what is left to choose is a shift; the directions are those of the grid."""
    result, truth = with_setups(tmp_path, ROUND, datum="free")
    assert not stops(result)
    table = result.coordinates.set_index("point")
    names = [f"CP{n}" for n in range(1, 9)]
    gap = np.array([table.loc[n, list(PARTS)].astype(float) - truth[n] for n in names], dtype=float)
    gap -= gap.mean(axis=0)
    assert np.abs(gap).max() < 0.006  # m


def test_two_turns_are_refused(tmp_path: Path) -> None:
    """An azimuth of one's own beside baselines: one of them would be ignored."""
    more = "local: {point: A, toward: B, azimuth: 0}\n"
    with pytest.raises(NetworkError, match="baselines have a turn of their own"):
        tieup.reconcile(job_of(tmp_path, vectors(1), more=more, datum="local"))


def test_nothing_known_is_touched(tmp_path: Path) -> None:
    """Control that no baseline touches is an error that says so."""
    folder = job_of(tmp_path, vectors(1))
    (folder / "control.csv").write_text("point,northing,easting,elevation\nQ,1,2,3\n")
    with pytest.raises(NetworkError, match="no baseline touches a mark of known northing"):
        tieup.reconcile(folder)


def test_a_plan_takes_baselines(tmp_path: Path) -> None:
    """What the plan promises of a net of baselines is what the adjustment finds."""
    folder = job_of(tmp_path, vectors(1), more="confidence: 0.95\n")
    points = tieup.plan(folder).points.set_index("point")
    found = tieup.reconcile(folder).coordinates.set_index("point")
    for name in "BCDE":
        for column in ("ellipse_major", "sd_elevation"):
            assert points.loc[name, column] == pytest.approx(found.loc[name, column], rel=1e-3)
    rows = tieup.reconcile(folder).observations
    own = rows[((rows.point == "D") | (rows["from"] == "D")) & (rows.component == "elevation")]
    assert points.loc["D"].caught_height == pytest.approx(own.mdb.max() / 1e3, rel=0.03)  # m


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("A,A,1,2,3,.01,.01,.01,,,", "baselines.csv:2: runs from A to itself"),
        ("A,B,1,2,3,.01,,.01,,,", "baselines.csv:2: has no standard deviation of d_easting"),
        ("A,B,1,2,3,.01,0,.01,,,", 'baselines.csv:2: sd_easting "0" is not above 0'),
        ("A,B,1,,3,.01,.01,.01,,,", "baselines.csv:2: d_easting is empty"),
        ("A,B,1,2 m,3,.01,.01,.01,,,", 'baselines.csv:2: d_easting "2 m" is not a number'),
        ("A,B,1,2,3,.01,.01,.01,1e-4,,", "baselines.csv:2: has a covariance that is singular"),
        ("A,B,1,2,3,.01,.01,.01,9,,", "baselines.csv:2: has a covariance that is singular"),
        ("A,B,1,2,3,.01,.01,.01,x,,", 'cov_northing_easting "x" is not a number'),
        (",B,1,2,3,.01,.01,.01,,,", "baselines.csv:2: from or to is empty"),
        ("A,B,1e300,2,3,.01,.01,.01,,,", 'd_northing "1e300" is longer than the earth is wide'),
        ("A,B,inf,2,3,.01,.01,.01,,,", 'd_northing "inf" is not a number'),
    ],
)
def test_baselines_that_cannot_be_right_are_refused(tmp_path: Path, row: str, message: str) -> None:
    """The message names file, line and column."""
    folder = job_of(tmp_path, vectors(1))
    (folder / "baselines.csv").write_text(f"{HEAD}{row}\n")
    with pytest.raises(TieupError) as caught:
        tieup.reconcile(folder)
    assert message in str(caught.value)


def test_a_list_without_sds_is_refused(tmp_path: Path) -> None:
    """Each column that is missing is said once, not in every row."""
    folder = job_of(tmp_path, vectors(1))
    rows = "A,B,1,2,3\nA,C,1,2,3\nA,D,1,2,3\n"
    (folder / "baselines.csv").write_text(f"from,to,d_northing,d_easting,d_elevation\n{rows}")
    with pytest.raises(TieupError) as caught:
        tieup.reconcile(folder)
    lines = str(caught.value).splitlines()
    assert [line.split(" is missing")[0] for line in lines] == [
        f"baselines.csv:1: column sd_{part}" for part in PARTS
    ]


def test_variances_are_squares_of_sds(tmp_path: Path) -> None:
    """var_... in place of sd_...: the same result; both for one component are refused."""
    observed = vectors(6)
    folder = job_of(tmp_path, observed)
    first = tieup.reconcile(folder).coordinates
    rows = ""
    for v in observed:
        c = v.covariance
        numbers = [*v.offset, *np.diag(c), c[0, 1], c[0, 2], c[1, 2]]
        rows += f"{v.start},{v.end},{','.join(f'{n:.17g}' for n in numbers)}\n"
    (folder / "baselines.csv").write_text(HEAD.replace("sd_", "var_") + rows)
    again = tieup.reconcile(folder).coordinates
    np.testing.assert_allclose(first.northing, again.northing, atol=1e-9)
    np.testing.assert_allclose(first.sd_easting, again.sd_easting, rtol=1e-9)
    (folder / "baselines.csv").write_text(
        "from,to,d_northing,d_easting,d_elevation,sd_northing,var_northing,sd_easting,sd_elevation\n"
        "A,B,1,2,3,.01,.0001,.01,.01\n"
    )
    with pytest.raises(TieupError, match="has sd_northing and var_northing"):
        tieup.reconcile(folder)


def test_feet_are_feet(tmp_path: Path) -> None:
    """Offsets, sds and covariances are in the job's unit and its square."""
    metric = vectors(8)
    plain = tieup.reconcile(job_of(tmp_path / "m", metric)).observations
    feet = [Vector(v.start, v.end, v.offset / 0.3048, v.covariance / 0.3048**2) for v in metric]
    folder = job_of(tmp_path / "ft", feet)
    text = (folder / "job.yaml").read_text().replace("length: m", "length: ft")
    (folder / "job.yaml").write_text(text)
    place = ",".join(str(x / 0.3048) for x in PLACES["A"])
    (folder / "control.csv").write_text(f"point,northing,easting,elevation\nA,{place}\n")
    other = tieup.reconcile(folder).observations
    for column in ("residual", "sd", "w", "mdb"):  # mm, whatever the job's unit
        np.testing.assert_allclose(other[column], plain[column], rtol=0, atol=1e-5)


def test_a_grid_scales_the_plan_part_alone(tmp_path: Path) -> None:
    """Lengths on the ground times the factor of the grid, as with tapes; heights stay."""
    observed = vectors(2, noise=0.0)
    grid = "grid: {scale: 0.9996}\n"
    result = tieup.reconcile(job_of(tmp_path, observed, more=grid))
    table = result.coordinates.set_index("point")
    for name in "BCDE":
        ground = np.subtract(PLACES[name], PLACES["A"]) * [0.9996, 0.9996, 1.0]
        found = table.loc[name, list(PARTS)].astype(float).to_numpy() - PLACES["A"]
        np.testing.assert_allclose(found, ground, atol=1e-6)
    wrong = job_of(tmp_path, moved(observed, 1, (0.05, 0.0, 0.06)), more=grid)
    (found_wrong,) = stops(tieup.reconcile(wrong))
    assert found_wrong["size"] == pytest.approx(float(np.hypot(0.05, 0.06)), abs=1e-4)


def test_a_wrong_tape_is_not_blamed_on_the_only_known_mark(tmp_path: Path) -> None:
    """A wrong coordinate of it would move everything alike, and no length would change."""
    folder = job_of(tmp_path, vectors(2, noise=0.0), more="tapes: tapes.csv\n")
    right = float(np.hypot(*np.subtract(PLACES["B"], PLACES["A"])[:2]))
    (folder / "tapes.csv").write_text(f"from,to,distance,sd\nA,B,{right + 0.2:.5f},0.003\n")
    (found,) = stops(tieup.reconcile(folder))
    assert (found["kind"], found["points"]) == ("tape", ["A", "B"])
    assert found["size"] == pytest.approx(0.2, abs=2e-4)  # m


def test_a_gross_tape_is_measured_on_the_grid(tmp_path: Path) -> None:
    """What is booked is compared with the distance of the grid by the factor of its line."""
    job = tmp_path / "job"
    shutil.copytree(data_path("sample_raw") / "fire_station_clean", job)
    plain = tieup.reconcile(job).coordinates.set_index("point")
    gap = plain.loc["CP1", ["northing", "easting"]] - plain.loc["CP6", ["northing", "easting"]]
    right = float(np.hypot(*gap.to_numpy(dtype=float)))
    (job / "tapes.csv").write_text(f"from,to,distance,sd\nCP1,CP6,{right + 0.5:.4f},0.002\n")
    text = (job / "job.yaml").read_text(encoding="utf-8").replace("datum: control\n", "")
    (job / "job.yaml").write_text(f"{text}datum: free\ntapes: tapes.csv\ngrid: {{scale: 0.9}}\n")
    (found,) = stops(tieup.reconcile(job))
    assert (found["kind"], found["points"]) == ("tape", ["CP1", "CP6"])
    assert found["size"] == pytest.approx(0.45, abs=0.006)  # m on the grid


def test_levels_carry_on_from_baselines(tmp_path: Path) -> None:
    """Runs between marks of the baselines check their heights, and reach marks of their own."""
    folder = job_of(tmp_path, vectors(3))
    runs = "B,M,1.5,0.001\nM,C,-18.5,0.001\nC,N,2,0.001\n"
    (folder / "levels.csv").write_text(f"from,to,difference,sd\n{runs}")
    text = (folder / "job.yaml").read_text()
    (folder / "job.yaml").write_text(f"{text}levels: levels.csv\n")
    result = tieup.reconcile(folder)
    table, run = result.coordinates.set_index("point"), result.reconciliation.run
    assert not stops(result)
    assert table.loc["N"].elevation == pytest.approx(table.loc["C"].elevation + 2.0, abs=1e-9)
    assert np.isnan(float(table.loc["M"].northing))
    assert 0.1 < run["redundancy"]["levels and tapes"] < 1.0
    assert sum(run["redundancy"].values()) == pytest.approx(run["dof"], abs=1e-9)


@pytest.mark.parametrize("number", range(len(LINES)))
def test_a_baseline_booked_the_other_way_round_is_said_to_be(tmp_path: Path, number: int) -> None:
    """Each of the nine in turn: from and to exchanged, and no other cause is given."""
    observed = vectors(5)
    one = observed[number]
    observed[number] = Vector(one.end, one.start, one.offset, one.covariance)
    (found,) = stops(tieup.reconcile(job_of(tmp_path, observed)))
    way = f"is booked the other way round: it is that from {one.start} to {one.end}"
    assert way in found["says"] and "Exchange from and to in its row" in found["cure"]


def test_a_baseline_off_by_some_other_length_is_not_said_to_be_turned(tmp_path: Path) -> None:
    """Twice the vector and 0.1 m more."""
    observed = vectors(5)
    wrong = moved(observed, 1, -2.0 * observed[1].offset + np.array([0.1, 0.0, 0.0]))
    (found,) = stops(tieup.reconcile(job_of(tmp_path, wrong)))
    assert "the other way round" not in found["says"] and "is off by" in found["says"]
