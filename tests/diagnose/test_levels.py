"""Mistakes in level runs and tapes: found, named by their size, and what cannot be told."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.endtoend.jobs import stops
from tieup.data import data_path

HEIGHTS = {"A": 100.0, "B": 101.234, "C": 99.5, "D": 103.321, "E": 98.25, "F": 100.7}
RUNS = [
    ("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"), ("A", "C"), ("B", "D"),
    ("D", "E"), ("E", "F"), ("F", "A"), ("E", "A"), ("F", "D"), ("C", "F"),
]  # fmt: skip
SD = 0.001  # m


def rises(seed: int = 3) -> list[float]:
    """Return the differences of all runs with random errors of their sd."""
    noise = np.random.default_rng(seed).normal(0.0, 0.5 * SD, len(RUNS))
    return [HEIGHTS[b] - HEIGHTS[a] + e for (a, b), e in zip(RUNS, noise, strict=True)]


def level_job(
    folder: Path,
    values: list[float],
    runs: list[tuple[str, str]] = RUNS,
    *,
    known: str = "A,,,100.0\n",
    more: str = "",
    unit: str = "m",
    sd: float = SD,
) -> tieup.library.Result:
    """Write a job of level runs alone and reconcile it."""
    folder.mkdir(exist_ok=True)
    rows = "".join(f"{a},{b},{v:.5f},{sd}\n" for (a, b), v in zip(runs, values, strict=True))
    (folder / "levels.csv").write_text(f"from,to,difference,sd\n{rows}", encoding="utf-8")
    (folder / "control.csv").write_text(f"point,northing,easting,elevation\n{known}")
    text = f"units: {{angle: deg, length: {unit}}}\nlevels: levels.csv\n{more}"
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    return tieup.reconcile(folder)


@pytest.mark.slow
def test_clean_runs_raise_nothing(tmp_path: Path) -> None:
    """50 clean nets: no stop in any of them (the promise is one job in 100)."""
    for seed in range(50):
        result = level_job(tmp_path, rises(seed))
        assert not stops(result), seed


@pytest.mark.parametrize("run", range(len(RUNS)))
@pytest.mark.parametrize(
    ("kind", "size"),
    [("level", 0.015), ("level-metre", 1.0), ("level-metre", -2.0), ("level-sign", None)],
)
def test_a_wrong_run_is_named_by_its_size(
    tmp_path: Path, run: int, kind: str, size: float | None
) -> None:
    """A rod reading, whole metres, a sign: the run, the kind and the size to three sds."""
    values = rises()
    off = -2.0 * values[run] if size is None else size
    values[run] += off
    (found,) = stops(level_job(tmp_path, values))
    assert (found["kind"], found["points"]) == (kind, list(RUNS[run]))
    assert found["lines"] == [f"levels.csv:{run + 2}"]
    assert found["size"] == pytest.approx(off, abs=3.3 * found["sd"] + 1e-9)
    assert found["action"] == "excluded"


def test_two_mistakes_are_told_apart(tmp_path: Path) -> None:
    """A metre in one run and a sign in another."""
    values = rises()
    values[3] += 1.0
    values[7] *= -1.0
    found = {(f["kind"], tuple(f["points"])) for f in stops(level_job(tmp_path, values))}
    assert found == {("level-metre", ("D", "A")), ("level-sign", ("E", "F"))}


def test_in_a_single_loop_nothing_tells_which_run_is_wrong(tmp_path: Path) -> None:
    """Three runs, 20 mm closure: all of them fit as well, and the finding says so."""
    runs = [*RUNS[:2], ("C", "A")]
    values = [1.234, -1.734, 0.52]
    (found,) = stops(level_job(tmp_path, values, runs))
    rivals = {tuple(r["points"]): r["separable"] for r in found["rivals"]}
    assert {tuple(found["points"]), *rivals} == set(runs)
    assert not any(rivals.values())


def test_a_wrong_bench_mark_is_not_blamed_on_a_run(tmp_path: Path) -> None:
    """Three bench marks, one 30 mm high: control-coordinate of that mark."""
    known = "A,,,100.0\nE,,,98.25\nC,,,99.53\n"
    (found,) = stops(level_job(tmp_path, rises(), known=known))
    assert (found["kind"], found["points"]) == ("control-coordinate", ["C"])
    assert found["size"] == pytest.approx(0.030, abs=0.002)  # m


@pytest.mark.parametrize("half", [0.5, -0.5])
def test_a_sign_that_is_also_a_metre_names_both(tmp_path: Path, half: float) -> None:
    """A run of half a metre with its sign turned is off by a whole metre: the size cannot tell."""
    heights = {**HEIGHTS, "B": HEIGHTS["A"] + half}
    values = [heights[b] - heights[a] for a, b in RUNS]
    values[0] *= -1.0
    (found,) = stops(level_job(tmp_path, values))
    both = {found["kind"]: None, **{r["kind"]: r["separable"] for r in found["rivals"]}}
    assert {"level-sign", "level-metre"} <= set(both)
    assert False in both.values()


def test_rods_in_feet_are_off_by_whole_feet(tmp_path: Path) -> None:
    """A job in feet: 1 ft is a whole unit there."""
    values = [v / 0.3048 for v in rises()]
    values[5] += 1.0
    result = level_job(
        tmp_path, values, known=f"A,,,{100.0 / 0.3048:.6f}\n", unit="ft", sd=SD / 0.3048
    )
    (found,) = stops(result)
    assert (found["kind"], found["unit"]) == ("level-metre", "ft")
    assert found["size"] == pytest.approx(1.0, abs=0.02)  # ft


@pytest.mark.parametrize("how", ["accept", "exclude"])
def test_a_person_decides_about_a_run(tmp_path: Path, how: str) -> None:
    """Accepting a sign turns the run round and uses it; excluding leaves it out; both tie."""
    values = rises()
    values[3] *= -1.0
    (found,) = stops(level_job(tmp_path, values))
    body = found["id"] if how == "accept" else '{line: "levels.csv:5"}'
    more = f"decisions: [{{{how}: {body}, reason: book says so}}]\n"
    result = level_job(tmp_path, values, more=more)
    assert not stops(result)
    row = result.observations.iloc[3]
    if how == "accept":
        assert (row.status, result.reconciliation.run["dof"]) == ("used", 7)
        assert row.observed == pytest.approx(values[3], abs=1e-5)  # m, as booked
        assert row.adjusted == pytest.approx(-values[3], abs=0.003)  # m
    else:
        assert (row.status, row.reason) == ("excluded", "excluded by decision")


def test_a_spur_is_not_claimed_to_be_checked(tmp_path: Path) -> None:
    """A run to a mark that nothing else reaches: unchecked, w undefined, redundancy 0."""
    runs = [*RUNS, ("F", "SPUR")]
    result = level_job(tmp_path, [*rises(), 0.7], runs)
    proof = result.coordinates.set_index("point").proof
    assert proof["SPUR"] == "unchecked"
    assert proof["F"] == "checked"
    last = result.observations.iloc[-1]
    assert np.isnan(last.w) and last.redundancy == pytest.approx(0.0, abs=1e-9)


def test_marks_that_hang_on_nothing_are_named(tmp_path: Path) -> None:
    """A second group of runs without a bench mark has no heights, and that is said."""
    runs = [*RUNS, ("X", "Y"), ("Y", "Z"), ("Z", "X")]
    result = level_job(tmp_path, [*rises(), 1.0, 1.0, -2.0], runs)
    (found,) = [f for f in result.findings if f["kind"] == "disconnected"]
    assert sorted(found["points"]) == ["X", "Y", "Z"]
    status = result.observations.set_index("point").status
    assert status["X"] == status["Z"] == "unused"


SHOTS = ("direction", "zenith", "distance")


def with_lists(tmp_path: Path, off: dict[str, float]) -> tieup.library.Result:
    """Return the clean sample joined by runs over a bench mark and a hub, and by one tape."""
    job = tmp_path / "job"
    shutil.copytree(data_path("sample_raw") / "fire_station_clean", job)
    plain = tieup.reconcile(job).coordinates.set_index("point")
    heights = {**plain.elevation, "BM": 101.0, "HUB": 100.2}
    runs = [("CP1", "CP2"), ("CP2", "HUB"), ("HUB", "BM"), ("CP3", "BM"), ("CP8", "HUB"),
            ("CP1", "CP8"), ("CP3", "HUB")]  # fmt: skip
    noise = np.random.default_rng(5).normal(0.0, 0.0004, len(runs))
    rows = [
        f"{a},{b},{heights[b] - heights[a] + e + off.get(f'{a}-{b}', 0.0):.5f},0.0007\n"
        for (a, b), e in zip(runs, noise, strict=True)
    ]
    (job / "levels.csv").write_text("from,to,difference,sd\n" + "".join(rows))
    gap = plain.loc["CP1", ["northing", "easting"]] - plain.loc["CP2", ["northing", "easting"]]
    taped = float(np.hypot(*gap.to_numpy(dtype=float))) + off.get("tape", 0.0)
    (job / "tapes.csv").write_text(f"from,to,distance,sd\nCP1,CP2,{taped:.4f},0.002\n")
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(f"{text}levels: levels.csv\ntapes: tapes.csv\n")
    return tieup.reconcile(job)


def test_runs_and_tapes_join_the_shots(tmp_path: Path) -> None:
    """All redundancy numbers together are the dof; a hub without plan has a checked height."""
    result = with_lists(tmp_path, {})
    run = result.reconciliation.run
    assert not stops(result)
    assert sum(run["redundancy"].values()) == pytest.approx(run["dof"], abs=1e-6)
    assert run["lists"] == {
        "levels": {"used": 7, "unused": 0, "excluded": 0},
        "tapes": {"used": 1, "unused": 0, "excluded": 0},
    }
    hub = result.coordinates.set_index("point").loc["HUB"]
    assert np.isnan([hub.northing, hub.sd_northing, hub.ellipse_major]).all()
    assert hub.elevation == pytest.approx(100.2, abs=0.002)  # m
    assert hub.proof == "checked"
    rows = result.observations[result.observations.kind.isin(["level", "tape"])]
    assert (rows.setup == "").all()
    assert rows.file.tolist() == ["levels.csv"] * 7 + ["tapes.csv"]
    known = rows[rows.redundancy > 1e-6]
    # Baarda's form, delta0 sd / root of r, with the delta0 of the job: one for all, and larger than
    # that of alpha 0.001, for 0.01 is shared by all that is tested on a site of this size.
    delta0 = known.mdb * np.sqrt(known.redundancy) / known.sd
    np.testing.assert_allclose(delta0, delta0.mean(), rtol=0.005)
    assert 4.6 < delta0.mean() < 5.6


@pytest.mark.slow
@pytest.mark.parametrize(
    ("where", "size", "kind"),
    [
        ("CP1-CP8", 1.0, "level-metre"),
        ("CP1-CP8", 0.015, "level"),
        ("CP1-CP2", -0.020, "level"),
        ("CP1-CP8", 0.35, "level"),
        ("tape", 0.05, "tape"),
        ("tape", -0.4, "tape"),
    ],
)
def test_a_wrong_run_among_shots_is_named(
    tmp_path: Path, where: str, size: float, kind: str
) -> None:
    """Small or gross, the run or the tape is named and no shot is blamed for it."""
    (found,) = stops(with_lists(tmp_path, {where: size}))
    points = ["CP1", "CP2"] if where == "tape" else where.split("-")
    assert (found["kind"], found["points"]) == (kind, points)
    assert found["size"] == pytest.approx(size, abs=0.006)  # m
