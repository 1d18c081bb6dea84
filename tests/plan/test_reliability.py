"""What mistake would be caught: against draws, textbooks and a general-purpose library."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.plan.jobs import CONTROL, JOB, write_plan_job
from tests.published.level_nets import KRUMM
from tieup.adjust.adjust import adjust
from tieup.adjust.distributions import normal_critical
from tieup.adjust.hypothesis import everything, remaining
from tieup.adjust.pointings import sight_results
from tieup.adjust.solution import Adjustment
from tieup.config import load_job
from tieup.model.arrays import FloatArray
from tieup.model.observations import KINDS
from tieup.planning import draw
from tieup.preanalysis.scheme import solve_scheme
from tieup.preanalysis.sight_reliability import examine_sights

api = pytest.importorskip("statsmodels.api")
DRAWS = 2000
BAARDA = 4.1321  # sds: one test at 0.001 found 8 times in 10, from memory (Baarda 1968)
CRITICAL = 3.2905  # two-sided 0.001, from memory (Baarda's 3.29)


def solved(folder: Path) -> tuple[Adjustment, float]:
    """Return the solution of the usual plan and its refraction coefficient."""
    job, drawn = draw(load_job(write_plan_job(folder), planning=True))
    return solve_scheme(drawn.scheme), job.refraction


def standardised(adjustment: Adjustment, noise: FloatArray) -> FloatArray:
    """Return w of every component (c, 3, draws) of draws (q, draws) of whitened errors."""
    residual = remaining(adjustment, everything(adjustment), noise)
    root = np.sqrt(adjustment.redundancy)[:, :, None]
    return np.asarray(residual[: 3 * len(root)].reshape(*root.shape[:2], -1) / root)


@pytest.mark.parametrize("kind", range(3), ids=KINDS)
def test_a_mistake_of_the_printed_size_is_found_8_times_in_10(kind: int, tmp_path: Path) -> None:
    """2,000 linear draws of the plan, each with one mistake of the printed size: 80 % +- 3 found.

    In three sights; the errors are drawn for every observation and every weighted coordinate,
    the mistake is in the unit of plan_sights.csv turned back. Without a mistake 1 in 1,000 is.
    """
    adjustment, _ = solved(tmp_path)
    rng, sights = np.random.default_rng(11), adjustment.problem.network.sights
    bias = examine_sights(adjustment, sights, np.full((len(sights), 3), BAARDA)).bias
    row = sight_results(adjustment, sights).connection
    for sight in (0, 4, 9):
        weight = adjustment.problem.weight
        weighted = weight[(weight > 0).any(axis=1)] > 0
        observed = np.isfinite(adjustment.connections.value)
        there = np.concatenate([observed.ravel(), weighted.ravel()])
        noise = rng.standard_normal((len(there), DRAWS)) * there[:, None]
        clean = standardised(adjustment, noise)
        assert (np.abs(clean[row[sight], kind]) > CRITICAL).mean() < 0.004  # 8 of 2,000
        at = int(row[sight]), kind
        noise[3 * at[0] + at[1]] += bias[sight, kind] / adjustment.sd[at]
        found = np.abs(standardised(adjustment, noise)[at]) > normal_critical(0.0005)
        assert found.mean() == pytest.approx(0.80, abs=0.03)


def test_an_uncaught_mistake_moves_its_mark_as_far_as_printed(tmp_path: Path) -> None:
    """Each component of a sight spoiled by its smallest mistake and solved anew, not linearised.

    The mark moves by the printed amount, the worst of the three components, within 0.02 mm.
    """
    adjustment, refraction = solved(tmp_path)
    problem = adjustment.problem
    sights, precision = problem.network.sights, load_job(tmp_path, planning=True).precision
    found = examine_sights(adjustment, sights, np.full((len(sights), 3), BAARDA))
    for sight in (3, 7, 11):
        plan, height = 0.0, 0.0
        for kind in range(3):
            value = sights.value.copy()
            value[sight, kind] += found.bias[sight, kind]
            network = replace(problem.network, sights=replace(sights, value=value))
            moved = adjust(network, precision, refraction, problem.frame)
            shift = (moved.position - adjustment.position)[sights.point[sight]]
            plan, height = max(plan, np.hypot(*shift[:2])), max(height, abs(shift[2]))
        assert found.moves[sight] == pytest.approx([plan, height], abs=2e-5)  # m


def test_in_a_free_frame_the_mark_moves_in_that_frame(tmp_path: Path) -> None:
    """As above without control: inner constraints over the marks, one sight, all components."""
    text = JOB.replace("control: control.csv\ndatum: control\n", "datum: free\n")
    places = tmp_path / "places.csv"
    folder = write_plan_job(tmp_path, job=text, control=None)
    rows = "".join(",".join(line.split(",")[:4]) + "\n" for line in CONTROL.splitlines()[1:])
    places.write_text(places.read_text(encoding="utf-8") + rows, encoding="utf-8")
    job, drawn = draw(load_job(folder, planning=True))
    adjustment = solve_scheme(drawn.scheme)
    assert adjustment.defect == 4
    problem, sights = adjustment.problem, adjustment.problem.network.sights
    found = examine_sights(adjustment, sights, np.full((len(sights), 3), BAARDA))
    sight = next(i for i in range(len(sights)) if np.isfinite(found.moves[i, 0]))
    plan, height = 0.0, 0.0
    for kind in range(3):
        value = sights.value.copy()
        value[sight, kind] += found.bias[sight, kind]
        network = replace(problem.network, sights=replace(sights, value=value))
        moved = adjust(network, job.precision, job.refraction, problem.frame)
        shift = (moved.position - adjustment.position)[sights.point[sight]]
        plan, height = max(plan, np.hypot(*shift[:2])), max(height, abs(shift[2]))
    assert found.moves[sight] == pytest.approx([plan, height], abs=2e-5)  # m


def test_redundancy_of_a_free_station_is_one_less_the_leverage_of_statsmodels(
    tmp_path: Path,
) -> None:
    """A free station on three held marks: hat matrix of statsmodels' least squares, 1e-6.

    The design is made here by differences of the plain formulas of direction, zenith angle and
    distance; mdb is one number times sd / sqrt(r) (Baarda 1968), larger than his 4.13 of one test.
    """
    control = CONTROL.replace("0.001,0.001,0.001", "0,0,0")
    sights = "setup,point,target_height,rounds,faces\n" + "".join(
        f"S1,{name},0,2,2\n" for name in ("CP1", "CP2", "CP4")
    )
    job = (
        JOB.replace("target: 0.8", "target: 1.0") + "atmosphere: {refraction: 1}\n"
    )  # k = 1: no bend in the plain formulas
    folder = write_plan_job(tmp_path, job=job, control=control, sights=sights)
    table = tieup.plan(folder).sights
    marks = np.array([[1000.0, 1000, 10], [1060, 1000, 11], [1000, 1060, 11]])

    def readings(unknown: FloatArray) -> FloatArray:
        d = marks - unknown[:3]
        plan = np.hypot(d[:, 0], d[:, 1])
        angles = [np.arctan2(d[:, 1], d[:, 0]) - unknown[3], np.arctan2(plan, d[:, 2])]
        return np.column_stack([*angles, np.linalg.norm(d, axis=1)]).ravel()

    start, step = np.array([1025.0, 1020, 12, 0]), np.array([1e-3, 1e-3, 1e-3, 1e-6])
    columns = [(readings(start + h) - readings(start - h)) / (2 * h.sum()) for h in np.diag(step)]
    sd = table[[f"sd_{kind}" for kind in KINDS]].to_numpy() * [np.pi / 648e3, np.pi / 648e3, 1e-3]
    scaled = np.column_stack(columns) / sd.ravel()[:, None]
    leverage = api.OLS(np.zeros(9), scaled).fit().get_influence().hat_matrix_diag
    found = table[[f"redundancy_{kind}" for kind in KINDS]].to_numpy().ravel()
    np.testing.assert_allclose(found, 1.0 - leverage, rtol=0, atol=1e-6)
    mdb = table[[f"mdb_{kind}" for kind in KINDS]].to_numpy()
    printed_sd = table[[f"sd_{kind}" for kind in KINDS]].to_numpy()
    margin = mdb / (printed_sd / np.sqrt(found.reshape(3, 3)))
    assert ((margin > 4.5) & (margin < 11.0)).all()  # five checks say little of the scatter


def test_levels_before_the_field_have_the_published_sds(tmp_path: Path) -> None:
    """Krumm, geodetic network adjustment examples 2.1 (L1): 2.30, 2.64, 1.76 mm less its s0.

    The published sds are scaled by s0 = 0.6512; a plan has none.
    """
    (tmp_path / "job.yaml").write_text(
        "units: {angle: dms, length: m}\ncontrol: control.csv\nlevels: levels.csv\n"
    )
    (tmp_path / "control.csv").write_text("point,northing,easting,elevation\nA,,,437.596\n")
    rows = "".join(f"{a},{b},{h},{s}\n" for a, b, h, s in KRUMM)
    (tmp_path / "levels.csv").write_text("from,to,difference,sd\n" + rows)
    plan = tieup.plan(tmp_path)
    sd = plan.points.set_index("point").loc[["B", "C", "D"], "sd_elevation"] * 1e3
    published = np.array([2.30, 2.64, 1.76]) / 0.6512
    np.testing.assert_allclose(sd, published, rtol=0, atol=0.01)  # mm
    assert not [fault for fault in plan.faults if "placed" in fault]
    # The smallest error that is caught in the weakest run of each mark: one number times
    # sd / sqrt(r), with the redundancy numbers of the net (0.1877 for the run D-A).
    redundancy = [0.6549, 0.8862, 0.3294, 0.4326, 0.5092, 0.1877]
    bias = {run[:2]: run[3] / r**0.5 for run, r in zip(KRUMM, redundancy, strict=True)}
    margins = []
    for mark in plan.forecast.answer.marks:
        weakest = max(size for ends, size in bias.items() if mark.point in ends)
        margins.append(mark.caught_height / weakest)
        assert np.isnan(mark.caught_plan)
    np.testing.assert_allclose(margins, margins[0], rtol=5e-3)
    assert 3.5 < margins[0] < 4.5  # six runs make few tests, and their sds are known


def test_the_weakest_sight_of_a_mark_is_the_one_on_the_screen(tmp_path: Path) -> None:
    """caught_plan and caught_height of a mark are the largest of its sights'."""
    plan = tieup.plan(write_plan_job(tmp_path))
    worst = plan.sights.groupby("point")[["caught_plan", "caught_height"]].max()
    for mark in plan.forecast.answer.marks:
        assert [mark.caught_plan, mark.caught_height] == pytest.approx(
            worst.loc[mark.point].tolist(), abs=1e-12
        )
