"""What job.yaml settles: the frame, the confidence, the limits, the precision of the gear."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, only_measured, reconcile
from tieup.model.observations import KINDS

Capture = pytest.CaptureFixture[str]


def with_setting(folder: Path, old: str, new: str, name: str = "fire_station_clean") -> Path:
    """Copy a sample job with one line of job.yaml changed."""
    job = copy_sample(name, folder)
    text = (job / "job.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (job / "job.yaml").write_text(text.replace(old, new), encoding="utf-8")
    return job


def plan_azimuth(run: Output, start: str, end: str) -> float:
    """Return the azimuth (degrees) between two points as written."""
    one, two = run.place(start), run.place(end)
    return math.degrees(math.atan2(two[1] - one[1], two[0] - one[0])) % 360.0


def assert_same_shape(run: Output, other: Output, within: float) -> None:
    """Compare distances from T1 and rises between all points that were measured, in m.

    A derived bearing or a typed elevation goes with the frame, not with the shape.
    """
    one, two = (
        {
            row["point"]: [float(row[name]) for name in ("northing", "easting", "elevation")]
            for row in site.table("coordinates")
            if row["role"] != "derived"
        }
        for site in (run, other)
    )
    assert set(one) == set(two)
    for name in one:
        gaps = [math.dist(places["T1"][:2], places[name][:2]) for places in (one, two)]
        rises = [places[name][2] - places["T1"][2] for places in (one, two)]
        assert gaps[0] == pytest.approx(gaps[1], abs=within)
        assert rises[0] == pytest.approx(rises[1], abs=within)


@pytest.mark.parametrize(("point", "toward"), [("CP1", "CP2"), ("T9", "CP6"), ("S1", "CP3")])
def test_a_local_frame_holds_its_mark_and_its_azimuth(
    tmp_path: Path, capsys: Capture, point: str, toward: str, clean_yard: Output
) -> None:
    """The mark, or a free station's axis, has the coordinates given, without any sd."""
    local = (
        f"datum: local\nlocal: {{point: {point}, northing: 1000, easting: 2000, elevation: 50, "
        f"toward: {toward}, azimuth: 45-30-00}}"
    )
    run = reconcile(capsys, with_setting(tmp_path, "datum: control", local))
    assert run.status == 0, run.text + run.errors
    assert run.place(point) == (1000.0, 2000.0, 50.0)
    assert plan_azimuth(run, point, toward) == pytest.approx(45.5, abs=3e-4)  # 0.1 mm at 20 m
    row = run.by("coordinates", "point")[point]
    sds = [float(row[f"sd_{c}"]) for c in ("northing", "easting", "elevation")]
    assert max(sds) <= 1e-5  # m
    assert run.document("run")["rank_defect"] == 4
    # m: control known to 1 mm bends the site by so little
    assert_same_shape(run, clean_yard, 0.005)


def test_a_free_site_has_its_own_shape(tmp_path: Path, capsys: Capture, clean_yard: Output) -> None:
    """Without control: defect 4, the dof of the observations alone, the same shape."""
    job = with_setting(tmp_path, "control: control.csv\ndatum: control", "datum: free")
    (job / "control.csv").unlink()
    run = reconcile(capsys, job)
    assert run.status == 0
    record = run.document("run")
    assert record["rank_defect"] == 4
    assert record["held_fit"] is None
    assert record["dof"] == clean_yard.document("run")["minimal_fit"]["dof"]
    assert record["sigma0"] == pytest.approx(clean_yard.document("run")["minimal_fit"]["sigma0"])
    assert_same_shape(run, clean_yard, 0.005)
    assert {row["role"] for row in run.table("coordinates")} == {
        "tie",
        "shot",
        "station",
        "derived",
    }


def test_the_minimal_fit_has_the_residuals_of_the_free_site(
    tmp_path: Path, capsys: Capture
) -> None:
    """A minimally constrained fit knows nothing of the control: local and free agree in every w."""
    local = "datum: local\nlocal: {point: CP1, toward: CP2}"
    one = reconcile(capsys, with_setting(tmp_path / "a", "datum: control", local))
    two = reconcile(capsys, with_setting(tmp_path / "b", "datum: control", "datum: free"))
    both = zip(one.table("observations"), two.table("observations"), strict=True)
    for ours, theirs in ((a, b) for a, b in both if a["kind"] in KINDS):  # not by frame N and E
        for column in ("residual", "w", "redundancy"):
            assert (ours[column] == "") is (theirs[column] == "")
            if ours[column]:
                assert float(ours[column]) == pytest.approx(float(theirs[column]), abs=0.0021)


@pytest.mark.parametrize(
    ("confidence", "plan", "height"),
    [("0.90", 2.1460, 1.6449), ("0.95", 2.4477, 1.9600), ("0.99", 3.0349, 2.5758)],
)
def test_confidence_scales_ellipses_and_intervals(
    tmp_path: Path, capsys: Capture, confidence: str, plan: float, height: float
) -> None:
    """Student's and Fisher's factors lie above those of known sds (published_checks section 7).

    By up to a quarter, for how well the scatter of the day is known; the sds stay what they are.
    """
    job = with_setting(tmp_path, "confidence: 0.95", f"confidence: {confidence}", "two_setups")
    for row in reconcile(capsys, job).table("coordinates"):
        north, east, up = (float(row[f"sd_{c}"]) for c in ("northing", "easting", "elevation"))
        axes = math.hypot(float(row["ellipse_major"]), float(row["ellipse_minor"]))
        known = plan * math.hypot(north, east)
        assert known - 4e-5 <= axes <= 1.25 * known + 4e-5
        assert height * up - 2e-5 <= float(row["elevation_interval"]) <= 1.25 * height * up + 2e-5


@pytest.mark.slow
def test_a_site_beyond_its_limits_is_never_said_to_tie(tmp_path: Path, capsys: Capture) -> None:
    """A limit of 1 mm, less than the gear can give: exit 1, no tie ties, no mistake is named.

    A difference of 5 mm that the scatter of the gear may explain is still one of 5 mm.
    """
    own = "tolerances: {horizontal: 0.001, elevation: 0.001}"
    run = reconcile(capsys, with_setting(tmp_path, "tolerances: paving", own))
    rows = run.table("ties")
    assert {row["limit_horizontal"] for row in rows} == {"0.00100"}
    beyond = [r for r in rows if float(r["d_horizontal"]) > 0.001]
    assert len(beyond) > len(rows) // 2
    assert "ties" not in {row["verdict"] for row in beyond}
    assert not [f for f in run.findings if f["severity"] == "stop"]
    assert "THE SITE TIES" not in run.text
    assert run.status == 1


def test_gear_stated_too_good_or_too_bad_is_told(tmp_path: Path, capsys: Capture) -> None:
    """sigma0 goes with the stated sds; a finding says that they do not fit the data."""
    gear = "default: {direction: 2, zenith: 2, distance: [1.5, 2]}"
    for factor in (0.5, 4.0):
        stated = (
            f"default: {{direction: {2 * factor}, zenith: {2 * factor}, "
            f"distance: [{1.5 * factor}, {2 * factor}]}}"
        )
        run = reconcile(capsys, with_setting(tmp_path / str(factor), gear, stated))
        record = run.document("run")
        assert record["global_test"]["passed"] is False
        assert (record["sigma0"] > 1.5) is (factor < 1.0)
        assert "precision" in {f["kind"] for f in run.findings}


def test_control_sd_is_taken_where_a_cell_is_empty(
    tmp_path: Path, capsys: Capture, clean_yard: Output
) -> None:
    """Empty sds take control_sd: 0 holds, 1 mm lets every mark move."""
    job = copy_sample("fire_station_clean", tmp_path)
    path = job / "control.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = [",".join([*line.split(",")[:4], "", "", "", ""]) for line in lines[1:]]
    path.write_text("\n".join([lines[0], *rows]) + "\n", encoding="utf-8")
    held = reconcile(capsys, job, tmp_path / "held")
    proof = {r["point"]: r["proof"] for r in held.table("coordinates") if r["role"] == "control"}
    assert set(proof.values()) == {"held"}
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(f"{text}control_sd: 0.001\n", encoding="utf-8")
    free = reconcile(capsys, job, tmp_path / "free")
    assert free.table("coordinates") == clean_yard.table("coordinates")


def test_raw_patterns_choose_the_files(tmp_path: Path, capsys: Capture) -> None:
    """Only the files that a pattern matches are read, each once."""
    job = with_setting(tmp_path, "raw: [raw/*.csv]", "raw: [raw/s1.csv, raw/s2.csv, raw/s1*]")
    run = reconcile(capsys, only_measured(job))
    assert [row["setup"] for row in run.table("setups")] == ["S1", "S2"]
    counts = run.document("run")["counts"]
    assert counts["repeated"] == 0
