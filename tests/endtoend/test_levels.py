"""Level nets of the textbooks through files; the nets are those of `tests.published.level_nets`."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from tests.endtoend.jobs import Output, copy_sample, reconcile
from tests.published.level_nets import GHILANI, KRUMM

FOOT, MILE = 0.3048, 1609.344  # m


def level_job(folder: Path, unit: str, control: str, levels: str, more: str = "") -> Path:
    """Write a job of levels alone."""
    folder.mkdir()
    (folder / "job.yaml").write_text(
        f"units: {{angle: dms, length: {unit}}}\nraw: []\ncontrol: control.csv\n"
        f"levels: levels.csv\n{more}",
        encoding="utf-8",
    )
    (folder / "control.csv").write_text(f"point,northing,easting,elevation\n{control}")
    (folder / "levels.csv").write_text(levels, encoding="utf-8")
    return folder


def elevations(run: Output) -> dict[str, str]:
    """Return the printed elevation of every mark."""
    return {row["point"]: row["elevation"] for row in run.table("coordinates")}


def test_a_job_of_levels_alone_gives_the_published_heights(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """L1 through files: heights to the four decimals written, dof, sigma0, exit 0."""
    lines = "from,to,difference,sd\n" + "".join(f"{a},{b},{h},{s}\n" for a, b, h, s in KRUMM)
    run = reconcile(capsys, level_job(tmp_path / "krumm", "m", "A,,,437.596\n", lines))
    assert run.status == 0, run.errors
    assert elevations(run) == {
        "A": "437.5960", "B": "448.1087", "C": "453.4685", "D": "444.9436"
    }  # fmt: skip
    record = run.document("run")
    assert record["dof"] == 3
    assert record["sigma0"] == pytest.approx(0.6512, abs=5.1e-5)
    assert record["redundancy"]["levels and tapes"] == pytest.approx(3.0, abs=1e-9)
    assert {"levels.csv", "control.csv", "job.yaml"} <= set(record["inputs"])
    rows = run.by("coordinates", "point")
    sd = [float(rows[name]["sd_elevation"]) for name in ("B", "C", "D")]
    a_priori = [2.295 / 0.6512, 2.636 / 0.6512, 1.761 / 0.6512]  # mm; published, less s0
    np.testing.assert_allclose(np.array(sd) * 1e3, a_priori, rtol=0, atol=0.011)
    assert all(row["northing"] == row["ellipse_major"] == "" for row in rows.values())


def test_every_level_run_has_its_line_and_statistics(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """L1 in observations.csv: residual in mm as published, redundancy, w; mdb of D-A.

    The published mdb of 28.6 mm is that of alpha 0.001 and 80 %, 4.132 sds. The job's own level is
    0.01 over its 7 hypotheses, and 0.70 sds above it are noticed 8 times in 10.
    """
    lines = "from,to,difference,sd\n" + "".join(f"{a},{b},{h},{s}\n" for a, b, h, s in KRUMM)
    run = reconcile(capsys, level_job(tmp_path / "krumm", "m", "A,,,437.596\n", lines))
    rows = run.table("observations")
    assert [(row["file"], row["line"]) for row in rows] == [
        ("levels.csv", str(i)) for i in range(2, 8)
    ]
    expected = {
        "residual": ([3.71, -8.53, -0.24, 1.89, -1.86, 0.39], 0.0055),  # mm
        "redundancy": ([0.6549, 0.8862, 0.3294, 0.4326, 0.5092, 0.1877], 1.01e-4),
        "w": ([0.764, -0.755, -0.106, 0.720, -0.522, 0.304], 6e-4),
    }
    for column, (values, within) in expected.items():
        found = [float(row[column]) for row in rows]
        np.testing.assert_allclose(found, values, rtol=0, atol=within)
    noticed = stats.norm.isf(0.005 / 7) + 0.70
    assert float(rows[5]["mdb"]) == pytest.approx(28.6 * noticed / 4.132, abs=0.051)  # mm
    assert {row["status"] for row in rows} == {"used"}


def test_levelled_marks_say_how_they_are_proved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bench mark is held; marks of closed loops are checked; a spur is not."""
    lines = "from,to,difference,sd\n" + "".join(f"{a},{b},{h},{s}\n" for a, b, h, s in KRUMM)
    job = level_job(tmp_path / "krumm", "m", "A,,,437.596\n", f"{lines}D,E,1.5,0.003\n")
    with (job / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("tolerances: {horizontal: 0.1, elevation: 0.1}\n")
    rows = reconcile(capsys, job).by("coordinates", "point")
    assert {name: row["proof"] for name, row in rows.items()} == {
        "A": "held", "B": "checked", "C": "checked", "D": "checked", "E": "unchecked"
    }  # fmt: skip
    assert rows["A"]["role"] == "control"


def test_run_lengths_weigh_as_miles_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """L3 in feet with lengths and levels_sd: the heights of weights 12 per mile, S0 0.107.

    Variance mile / 12 ft^2 is an sd of sqrt(1 / 12 / 1.609344) ft for the root of a km.
    """
    per_km = math.sqrt(1000.0 / MILE / 12.0) * FOOT * 1000.0
    lines = "from,to,difference,length\n" + "".join(
        f"{a},{b},{h},{miles * MILE / FOOT}\n" for a, b, h, miles in GHILANI
    )
    job = level_job(
        tmp_path / "net", "ft", "X,,,100.00\nY,,,107.50\n", lines, f"levels_sd: {per_km}\n"
    )
    run = reconcile(capsys, job)
    found = {name: float(text) for name, text in elevations(run).items()}
    for name, height in {"A": 105.150, "B": 104.489, "C": 106.197}.items():
        assert found[name] == pytest.approx(height, abs=5.1e-4)  # ft
    assert run.document("run")["sigma0"] == pytest.approx(0.107, abs=5.1e-4)


def test_levels_carry_the_height_to_a_site_that_has_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], plain_dock: Output
) -> None:
    """Marks with plan coordinates only take their elevation from a bench mark nobody sighted.

    The bench mark has an elevation and nothing else, one turning point no coordinates at all.
    """
    job = copy_sample("two_setups", tmp_path)
    control = (job / "control.csv").read_text(encoding="utf-8").splitlines()
    names = [line.split(",") for line in control[1:]]
    known = {cells[0]: float(cells[3]) for cells in names}
    flat = [",".join([*cells[:3], "", *cells[4:]]) for cells in names]
    (job / "control.csv").write_text("\n".join([control[0], *flat, "BM,,,351.0,,,0,"]) + "\n")
    (job / "levels.csv").write_text(
        "from,to,difference,sd\n"
        f"BM,CP1,{known['CP1'] - 351.0:.4f},0.002\n"
        f"BM,TP,1.2345,0.002\nTP,CP3,{known['CP3'] - 351.0 - 1.2345:.4f},0.002\n"
    )
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(f"levels: levels.csv\n{text}", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == 0, run.text
    for name, height in known.items():
        assert float(run.by("coordinates", "point")[name]["elevation"]) == pytest.approx(
            height, abs=0.01
        )  # ft, levels of 0.002 ft
    for row in plain_dock.table("coordinates"):
        place = run.by("coordinates", "point")[row["point"]]
        assert float(place["elevation"]) == pytest.approx(float(row["elevation"]), abs=0.02)  # ft
    turning = float(run.by("coordinates", "point")["TP"]["elevation"])
    assert turning == pytest.approx(352.2345, abs=0.006)  # ft, three sds of its run


def test_a_wrong_level_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A decimetre in one run of L1 is found, sized and left out; the heights stay right."""
    wrong = [(a, b, h + (0.1 if (a, b) == ("B", "D") else 0.0), s) for a, b, h, s in KRUMM]
    lines = "from,to,difference,sd\n" + "".join(f"{a},{b},{h:.3f},{s}\n" for a, b, h, s in wrong)
    run = reconcile(capsys, level_job(tmp_path / "net", "m", "A,,,437.596\n", lines))
    assert run.status == 1
    (found,) = [f for f in run.findings if f["severity"] == "stop"]
    assert found["lines"] == ["levels.csv:5"]
    assert found["size"] == pytest.approx(0.1, abs=0.02)  # m, raw minus right
    heights = {name: float(text) for name, text in elevations(run).items()}
    for name, height in {"B": 448.10871, "C": 453.46847, "D": 444.94361}.items():
        assert heights[name] == pytest.approx(height, abs=0.006)  # m, without one of six runs


def test_levels_without_any_bench_mark(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No elevation anywhere: an error that says so, or heights of their own; never a traceback."""
    lines = "from,to,difference,sd\nA,B,1.0,0.003\nB,C,1.0,0.003\nC,A,-2.001,0.003\n"
    run = reconcile(capsys, level_job(tmp_path / "net", "m", "A,5000,1000,\n", lines))
    assert run.status == 2
    assert "fault of the tool" not in run.errors
    assert "elevation" in run.errors


def test_a_loop_in_a_local_frame_hangs_on_its_mark(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three equal runs with a closure of -0.6 mm: a third of it to each; sds of two thirds."""
    (tmp_path / "job.yaml").write_text(
        "units: {angle: deg, length: m}\nlevels: levels.csv\ndatum: local\n"
        "local: {point: A, elevation: 50, toward: B}\n",
        encoding="utf-8",
    )
    runs = "A,B,1.0002,0.001\nB,C,2.0001,0.001\nC,A,-3.0009,0.001\n"
    (tmp_path / "levels.csv").write_text(f"from,to,difference,sd\n{runs}", encoding="utf-8")
    points = reconcile(capsys, tmp_path).by("coordinates", "point")
    assert [points[p]["elevation"] for p in "ABC"] == ["50.0000", "51.0004", "53.0007"]
    assert [points[p]["sd_elevation"] for p in "ABC"] == ["0.00000", "0.00082", "0.00082"]
    assert {points[p]["northing"] for p in "ABC"} == {""}
