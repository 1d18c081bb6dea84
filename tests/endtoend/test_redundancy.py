"""Redundancy numbers sum to the degrees of freedom (Baarda 1968), row by row in observations.csv.

Whatever takes part in a job: free, held, weighted and correlated control, setups over marks, level
runs, tapes and baselines. tau is held against statsmodels (Pope's tau is the internally studentized
residual of regression), control with its covariance against a dense solution.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas
import pytest

import tieup
from tests.endtoend.jobs import copy_sample, only_measured
from tests.endtoend.test_baselines import LINES, PARTS, PLACES, Vector, job_of, vectors
from tests.endtoend.test_two_days import FIRST, SETUPS, job, rows
from tieup.config import load_job
from tieup.library.reconcile_result import Result
from tieup.pipeline import make_case, read_site

KRUMM = "from,to,difference,sd\nA,B,1.2,0.004\nB,C,-0.7,0.003\nC,A,-0.503,0.004\nA,C,0.498,0.005\n"


def sums_to_dof(result: Result) -> pandas.DataFrame:
    """Hold the column against run.json; return the rows of what is no reading."""
    table, record = result.observations, result.reconciliation.run
    assert np.nansum(table.redundancy) == pytest.approx(record["dof"], abs=1e-6)
    assert sum(record["redundancy"].values()) == pytest.approx(record["dof"], abs=1e-6)
    used = table.status == "used"
    assert table.redundancy[~used].isna().all()
    assert not table.redundancy[used].isna().any()
    return table[table.kind.isin(["centring", "instrument_height", "control"])]


@pytest.mark.parametrize("datum", ["control", "free"])
@pytest.mark.parametrize("name", ["fire_station", "fire_station_clean"])
def test_setups_over_marks_and_weighted_control(tmp_path: Path, name: str, datum: str) -> None:
    """S4 stands over T9, eight marks of control have an sd; free, there is no control."""
    folder = only_measured(copy_sample(name, tmp_path))
    text = (folder / "job.yaml").read_text()
    assert text.count("\ndatum: control") == 1
    (folder / "job.yaml").write_text(text.replace("\ndatum: control", f"\ndatum: {datum}"))
    more = sums_to_dof(tieup.reconcile(folder))
    assert more.kind.value_counts().get("control", 0) == (24 if datum == "control" else 0)
    over = more[more.kind != "control"]
    assert over.component.tolist() == ["northing", "easting", ""] * (len(over) // 3)
    assert len(over) >= 3
    assert (over.line == 2).all()


def test_what_is_left_out_says_why(tmp_path: Path) -> None:
    """A height booked 0.1 m too large and a coordinate listed 0.05 m wrong: no share, and why."""
    folder = copy_sample("fire_station_clean", tmp_path)
    rows = pandas.read_csv(folder / "raw" / "s4.csv", dtype=str, keep_default_na=False)
    rows.instrument_height = [f"{float(cell) + 0.1:.3f}" for cell in rows.instrument_height]
    rows.to_csv(folder / "raw" / "s4.csv", index=False)
    marks = pandas.read_csv(folder / "control.csv", dtype=str, keep_default_na=False)
    marks.loc[4, "easting"] = f"{float(marks.easting[4]) + 0.05:.4f}"
    marks.to_csv(folder / "control.csv", index=False)
    result = tieup.reconcile(folder)
    more = sums_to_dof(result)
    left = more[more.status == "excluded"]
    assert list(zip(left.kind, left.point, left.component, strict=True)) == [
        ("instrument_height", "T9", ""),
        ("control", marks.point[4], "easting"),
    ]
    ids = {finding["kind"]: finding["id"] for finding in result.findings}
    assert left.reason.tolist() == [
        f"{kind} ({ids[kind]})" for kind in ("instrument-height", "control-coordinate")
    ]
    assert left.residual.isna().all()


def shots(seed: int, *setups: str) -> str:
    """Return the shots of some setups of the two days."""
    random = np.random.default_rng(seed)
    return "".join(rows(random, setup) for setup in setups)


@pytest.mark.parametrize("seed", range(3))
def test_correlated_control(tmp_path: Path, seed: int) -> None:
    """Yesterday's marks with their covariance: three rows each that are seen, summing with all."""
    before = job(tmp_path / "before", shots(seed, "S1", "S2"), FIRST)
    tieup.reconcile(before).write(before / "out")
    later = job(tmp_path / "later", shots(seed + 9, "S3", "S4"), "", "control: {job: ../before}\n")
    more = sums_to_dof(tieup.reconcile(later))
    seen = {mark for setup in ("S3", "S4") for mark in SETUPS[setup][1]}
    known = {mark for setup in ("S1", "S2") for mark in SETUPS[setup][1]}
    used = more[more.status == "used"]
    assert set(used.point) >= seen & known
    assert (used.kind == "control").all()


@pytest.mark.parametrize("held", ["A,,,10,,,0\n", "A,,,10,,,0.002\nC,,,10.5,,,0.003\n"])
def test_level_runs(tmp_path: Path, held: str) -> None:
    """Held to one bench mark, and to two that have sds."""
    head = "point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation\n"
    (tmp_path / "control.csv").write_text(head + held)
    (tmp_path / "levels.csv").write_text(KRUMM)
    (tmp_path / "job.yaml").write_text("units: {angle: deg, length: m}\nlevels: levels.csv\n")
    more = sums_to_dof(tieup.reconcile(tmp_path))
    assert more.point.tolist() == ([] if held.endswith(",0\n") else ["A", "C"])


def test_tau_is_the_studentized_residual(tmp_path: Path) -> None:
    """Of four level runs and two weighted bench marks, by statsmodels."""
    api = pytest.importorskip("statsmodels.api")
    (tmp_path / "control.csv").write_text(
        "point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation\n"
        "A,,,10,,,0.002\nC,,,10.503,,,0.003\n"
    )
    (tmp_path / "levels.csv").write_text(KRUMM)
    (tmp_path / "job.yaml").write_text("units: {angle: deg, length: m}\nlevels: levels.csv\n")
    result = tieup.reconcile(tmp_path)
    sums_to_dof(result)
    design = np.array(
        [[-1, 1, 0], [0, -1, 1], [1, 0, -1], [-1, 0, 1], [1, 0, 0], [0, 0, 1]], dtype=float
    )
    observed = np.array([1.2, -0.7, -0.503, 0.498, 10.0, 10.503])
    sd = np.array([0.004, 0.003, 0.004, 0.005, 0.002, 0.003])
    fit = api.OLS(observed / sd, design / sd[:, None]).fit()
    influence = fit.get_influence()
    table = result.observations
    np.testing.assert_allclose(table.tau, -influence.resid_studentized_internal, atol=1e-6)
    np.testing.assert_allclose(table.redundancy, 1.0 - influence.hat_matrix_diag, atol=1e-9)
    single = result.reconciliation.run["single_tests"]
    assert single["sigma0"] == pytest.approx(fit.scale**0.5, abs=1e-9)
    # Pope's tau of 3 degrees at 0.001, tests.published.test_statistics_tables
    assert single["tau_limit"] == pytest.approx(1.7303, abs=5.1e-5)
    assert single["w_limit"] == pytest.approx(3.2905, abs=5.1e-5)


def test_tau_of_one_check_is_none(tmp_path: Path) -> None:
    """With one degree of freedom every tau is 1 and tests nothing (Pope): the column is empty."""
    (tmp_path / "control.csv").write_text("point,northing,easting,elevation\nA,,,10\n")
    (tmp_path / "levels.csv").write_text("from,to,difference,sd\nA,B,1.2,0.004\nA,B,1.203,0.004\n")
    (tmp_path / "job.yaml").write_text("units: {angle: deg, length: m}\nlevels: levels.csv\n")
    result = tieup.reconcile(tmp_path)
    assert result.reconciliation.run["dof"] == 1
    assert not result.observations.w.isna().any()
    assert result.observations.tau.isna().all()
    assert np.isnan(result.reconciliation.run["single_tests"]["tau_limit"])


@pytest.mark.parametrize("seed", range(4))
def test_control_with_its_covariance_against_a_dense_solution(tmp_path: Path, seed: int) -> None:
    """Baselines of today on marks of yesterday: residual, redundancy, w and mdb of each coordinate.

    Dense: P of baselines and the whole covariance of yesterday's marks as one block matrix.
    """
    before = job_of(tmp_path / "before", vectors(seed))
    tieup.reconcile(before).write(before / "out")
    observed = vectors(seed + 50)
    now = job_of(tmp_path / "now", observed)
    text = (now / "job.yaml").read_text() + "control: {job: ../before}\n"
    (now / "job.yaml").write_text(text)
    (now / "control.csv").unlink()
    result = tieup.reconcile(now)
    more = sums_to_dof(result)
    read = load_job(now)
    given = make_case(read, *read_site(read)).given
    assert given is not None
    want = dense(observed, given.names, given.coordinates, given.correlated.covariance)
    table = more.set_index(["point", "component"])
    free = [name for name in PLACES if name != "A"]
    assert len(more) == 3 * len(free)
    ratio = []
    for name in free:
        for part in PARTS:
            row = table.loc[name, part]
            residual, redundancy, w, bias_sd = want[name, part]
            assert row.residual == pytest.approx(1e3 * residual, abs=1e-4)
            assert row.redundancy == pytest.approx(redundancy, abs=1e-5)
            assert row.w == pytest.approx(w, abs=1e-3)
            ratio.append(row.mdb / (1e3 * bias_sd))
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-4)
    assert 4.13 < ratio[0] < 7.0


def dense(
    observed: list[Vector], names: tuple[str, ...], place: np.ndarray, spread: np.ndarray
) -> dict[tuple[str, str], tuple[float, float, float, float]]:
    """Return residual, redundancy, w and the sd of a mistake of each coordinate but those of A."""
    free = [name for name in names if name != "A"]
    count, marks = 3 * len(LINES), 3 * len(free)
    kept = [3 * names.index(name) + c for name in free for c in range(3)]
    design = np.zeros((count + marks, marks))
    design[count:] = np.eye(marks)
    cofactor = np.zeros((count + marks,) * 2)
    cofactor[count:, count:] = spread[np.ix_(kept, kept)]
    value = np.concatenate([np.zeros(count), place.ravel()[kept]])
    for i, vector in enumerate(observed):
        own = slice(3 * i, 3 * i + 3)
        cofactor[own, own], value[own] = vector.covariance, vector.offset
        for name, sign in ((vector.end, 1.0), (vector.start, -1.0)):
            if name == "A":
                value[own] -= sign * place[names.index("A")]
            else:
                at = 3 * free.index(name)
                design[own, at : at + 3] += sign * np.eye(3)
    weight = np.linalg.inv(cofactor)
    solved = np.linalg.inv(design.T @ weight @ design)
    residual = design @ (solved @ design.T @ weight @ value) - value
    left = cofactor - design @ solved @ design.T
    w, information = residual / np.sqrt(np.diag(left)), np.diag(weight @ left @ weight)
    columns = residual, np.diag(left @ weight), w, information**-0.5
    keys = [(name, part) for name in free for part in PARTS]
    found = np.column_stack([column[count:] for column in columns]).tolist()
    return {key: tuple(numbers) for key, numbers in zip(keys, found, strict=True)}
