"""Decisions of a person, section 6 of the contract: each verb does what it says, or exit 2."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from tests.endtoend.jobs import (
    Output,
    copy_sample,
    decide,
    files_below,
    put,
    raw_cells,
    reconcile,
    reconciled,
)

Capture = pytest.CaptureFixture[str]
KINDS = ("target-height", "swapped-names", "mark-moved")


def run_with(tmp_path: Path, capsys: Capture, *entries: str) -> Output:
    """Reconcile a copy of the job with mistakes, with decisions."""
    return reconcile(capsys, decide(copy_sample("fire_station", tmp_path), *entries))


@pytest.fixture(scope="module")
def accepted(
    undecided: Output, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Output]:
    """Return a call that gives the job with the finding of one kind accepted; nobody changes it."""

    @cache
    def one(kind: str) -> Output:
        job = copy_sample("fire_station", tmp_path_factory.mktemp("accepted"))
        reason = "book says 1.700" if kind == "target-height" else "seen"
        entry = f'{{accept: {undecided.finding(kind)["id"]}, reason: "{reason}"}}'
        return reconciled(decide(job, entry))

    return one


@pytest.mark.slow
def test_accepting_everything_makes_the_site_tie(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """All three cures accepted: exit 0, every raw row but the copy and the torn one is used."""
    ids = {kind: undecided.finding(kind)["id"] for kind in KINDS}
    entries = [f'{{accept: {i}, by: office, reason: "seen"}}' for i in ids.values()]
    run = run_with(tmp_path, capsys, *entries)
    assert run.status == 0, run.text
    counts = run.document("run")["counts"]
    assert (counts["excluded"], counts["repeated"], counts["invalid"]) == (0, 1, 1)
    assert {
        run.finding(kind)["id"]: run.finding(kind)["severity"] for kind in KINDS
    } == dict.fromkeys(ids.values(), "note")
    for row in run.table("ties"):
        sizes = [(abs(float(row[f"d_{way}"])), float(row[f"sd_{way}"]), float(row[f"limit_{way}"]))
                 for way in ("horizontal", "elevation")]  # fmt: skip
        beyond = any(size > limit for size, _, limit in sizes)
        assert row["verdict"] == ("untested" if beyond else "ties"), row
        assert all(size < 4.0 * sd for size, sd, _ in sizes), row  # chance, not a mistake
    assert {row["verdict"] for row in run.table("setups")} == {"ties"}
    record = run.document("run")
    assert record["global_test"]["passed"] is True
    assert len(record["settings"]["decisions"]) == 3


def test_accepting_a_target_height_puts_the_height_right(
    accepted: Callable[[str], Output], undecided: Output
) -> None:
    """The zenith angles come back in, and the mark is where it was."""
    found = undecided.finding("target-height")
    run = accepted("target-height")
    rows = [r for r in run.table("observations") if f"{r['file']}:{r['line']}" in found["lines"]]
    assert {r["status"] for r in rows} == {"used"}
    assert math.dist(run.place("CP5"), undecided.place("CP5")) < 0.001  # m
    assert run.by("ties", "point", "setup")["CP5", "S3"]["verdict"] == "ties"
    settled = run.finding("target-height")
    assert settled["id"] == found["id"]
    assert settled["action"] == "accepted"
    assert "book says 1.700" in settled["says"]
    assert run.status == 1  # the two others are still open


def test_accepting_swapped_names_swaps_them(
    accepted: Callable[[str], Output], undecided: Output
) -> None:
    """Both sights are used again, each for the other mark, and tie."""
    found = undecided.finding("swapped-names")
    run = accepted("swapped-names")
    ties = run.by("ties", "point", "setup")
    assert ties["T5", "S2"]["verdict"] == ties["T6", "S2"]["verdict"] == "ties"
    rows = [r for r in run.table("observations") if f"{r['file']}:{r['line']}" in found["lines"]]
    assert {r["status"] for r in rows} == {"used"}
    assert {r["point"] for r in rows} == {"T5", "T6"}  # as the raw file names them
    right = {"T5": (2042.0, 5112.0, 112.3944), "T6": (2075.5, 5117.5, 112.3328)}  # sample_truth
    for name, place in right.items():
        assert math.dist(run.place(name), place) < 0.006  # m


def test_accepting_a_moved_mark_keeps_both_places(
    accepted: Callable[[str], Output], undecided: Output
) -> None:
    """The split stays and nothing has to be decided about it any more."""
    run = accepted("mark-moved")
    assert run.finding("mark-moved")["severity"] == "note"
    both = [r["point"] for r in run.table("coordinates") if r["point"].startswith("CP8")]
    assert len(both) == 2
    for name in both:
        assert math.dist(run.place(name), undecided.place(name)) < 0.0005  # m


@pytest.mark.parametrize("kind", KINDS)
def test_ids_survive_decisions_about_others(
    accepted: Callable[[str], Output], undecided: Output, kind: str
) -> None:
    """Each open finding has the id that it had before one of them was accepted."""
    before = {k: undecided.finding(k)["id"] for k in KINDS}
    run = accepted(kind)
    assert {k: run.finding(k)["id"] for k in KINDS} == before


def test_ids_survive_a_new_order_of_the_rows(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """A comment above the header and another order of the marks change lines, not ids."""
    job = copy_sample("fire_station", tmp_path)
    for path in (job / "raw").glob("*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        half = len(lines) // 2
        path.write_text("# kept\n" + "".join([lines[0], *lines[half:], *lines[1:half]]))
    run = reconcile(capsys, job)
    assert {k: run.finding(k)["id"] for k in KINDS} == {
        k: undecided.finding(k)["id"] for k in KINDS
    }


@pytest.mark.slow
def test_keep_leaves_the_data_as_it_is(tmp_path: Path, capsys: Capture) -> None:
    """The rows take part again, and the finding gives the reason: 50 mm, far from a gross fault."""
    (tmp_path / "a").mkdir()
    found = reconcile(capsys, pole_booked(tmp_path / "a", "1.650")).finding("target-height")
    entry = f'{{keep: {found["id"]}, by: crew, reason: "pole was level"}}'
    run = reconcile(capsys, decide(pole_booked(tmp_path, "1.650"), entry))
    kept = run.finding("target-height")
    assert (kept["id"], kept["action"]) == (found["id"], "kept")
    assert "pole was level" in kept["says"]
    rows = [r for r in run.table("observations") if f"{r['file']}:{r['line']}" in found["lines"]]
    assert {r["status"] for r in rows} == {"used"}


def test_exclude_takes_out_one_component_or_all(tmp_path: Path, capsys: Capture) -> None:
    """By setup and point, by line, by kind: exactly those rows, with the reason."""
    run = run_with(
        tmp_path,
        capsys,
        '{exclude: {setup: S1, point: CP1}, reason: "leaves in the way"}',
        "{exclude: {line: 'raw/s5.csv:4'}, reason: seen}",
        "{exclude: {setup: S4, point: CP6, kind: distance}, reason: seen}",
    )
    out = {
        (r["file"], r["line"], r["kind"])
        for r in run.table("observations")
        if r["status"] == "excluded" and "decision" in r["reason"]
    }
    wanted = set()
    for at, cells in raw_cells(tmp_path / "fire_station"):
        file, line = at.rsplit(":", 1)
        all_three = (cells["setup"], cells["point"]) == ("S1", "CP1") or at == "raw/s5.csv:4"
        if all_three:
            wanted |= {(file, line, kind) for kind in ("direction", "zenith", "distance")}
        if (cells["setup"], cells["point"]) == ("S4", "CP6"):
            wanted.add((file, line, "distance"))
    assert out == wanted


def test_set_target_height_cures_the_finding(tmp_path: Path, capsys: Capture) -> None:
    """The right pole height leaves nothing to find."""
    run = run_with(
        tmp_path, capsys, "{set: {setup: S3, point: CP5, target_height: 1.700}, reason: seen}"
    )
    assert "target-height" not in {f["kind"] for f in run.findings}
    assert run.by("ties", "point", "setup")["CP5", "S3"]["verdict"] == "ties"


def test_set_instrument_height_moves_the_heights_of_the_setup(
    tmp_path: Path, capsys: Capture
) -> None:
    """A wrong one is found, with its size."""
    (tmp_path / "a").mkdir()
    job = decide(copy_sample("fire_station_clean", tmp_path / "a"),
                 "{set: {setup: S2, instrument_height: 1.704}, reason: seen}")  # fmt: skip
    wrong = reconcile(capsys, job)
    found = wrong.finding("instrument-height")
    assert found["setup"] == "S2"
    assert found["size"] == pytest.approx(0.100, abs=0.006)  # m, raw minus right


def test_set_prism_constant_changes_the_distances(tmp_path: Path, capsys: Capture) -> None:
    """A constant of 30 mm at a mark does what distances booked 30 mm longer do, in feet too."""
    for sub in "plain", "booked":
        (tmp_path / sub).mkdir()
    job = copy_sample("two_setups", tmp_path / "booked")
    for at, cells in list(raw_cells(job)):
        if (cells["setup"], cells["point"]) == ("S1", "CP1"):
            file, line = at.rsplit(":", 1)
            longer = float(cells["distance"]) + 0.030 / 0.3048  # ft
            put(job, file, "distance", f"{longer:.5f}", [int(line) - 1])
    booked = reconcile(capsys, job).by("ties", "point", "setup")
    plain = reconcile(capsys, copy_sample("two_setups", tmp_path / "plain"))
    run = reconcile(capsys, decide(
        copy_sample("two_setups", tmp_path),
        "{set: {setup: S1, point: CP1, prism_constant: 30}, reason: seen}",
    ))  # fmt: skip
    ties = run.by("ties", "point", "setup")
    assert ties.keys() == booked.keys()
    for at, row in ties.items():
        assert row["verdict"] == booked[at]["verdict"]
        for column in ("d_horizontal", "d_elevation"):
            if row[column] or booked[at][column]:
                assert float(row[column]) == pytest.approx(float(booked[at][column]), abs=1e-4), at
    assert ties != plain.by("ties", "point", "setup")


def test_a_wrong_prism_constant_shows_at_the_mark(tmp_path: Path, capsys: Capture) -> None:
    """Set 30 mm wrong at a mark that two other setups know: it is 30 mm off, and only there."""
    job = copy_sample("fire_station_clean", tmp_path)
    run = reconcile(
        capsys, decide(job, "{set: {setup: S1, point: CP1, prism_constant: 30}, reason: seen}")
    )
    ties = run.by("ties", "point", "setup")
    assert float(ties["CP1", "S1"]["d_horizontal"]) == pytest.approx(0.030, abs=0.006)  # m
    assert [at for at, row in ties.items() if row["verdict"] == "fails"] == [("CP1", "S1")]


def test_set_face_reads_the_row_in_the_other_face(tmp_path: Path, capsys: Capture) -> None:
    """A direction without zenith angle, booked in face 1 and read in face 2."""
    job = copy_sample("fire_station_clean", tmp_path)
    path = job / "raw" / "s1.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    header = lines[0].rstrip("\n").split(",")
    cells = lines[2].rstrip("\n").split(",")
    assert (cells[header.index("point")], cells[header.index("face")]) == ("CP1", "2")
    cells[header.index("zenith")] = cells[header.index("distance")] = ""
    cells[header.index("face")] = "1"
    lines[2] = ",".join(cells) + "\n"
    path.write_text("".join(lines), encoding="utf-8")
    run = reconcile(capsys, decide(job, "{set: {line: 'raw/s1.csv:3', face: 2}, reason: seen}"))
    assert run.status == 0
    row = run.by("observations", "file", "line", "kind", "component")[
        "raw/s1.csv", "3", "direction", ""
    ]
    assert row["status"] == "used"
    assert abs(float(row["w"])) < 4.0


def test_set_station_says_over_what_the_setup_stood(tmp_path: Path, capsys: Capture) -> None:
    """A setup booked over the wrong mark stands over the right one."""
    job = copy_sample("fire_station_clean", tmp_path)
    path = job / "raw" / "s2.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("S2,CP3,", "S2,CP7,"))
    run = reconcile(capsys, decide(job, "{set: {setup: S2, station: CP3}, reason: seen}"))
    assert run.status == 0
    assert run.by("setups", "setup")["S2"]["station"] == "CP3"


def test_rename_swaps_two_names_by_their_raw_names(tmp_path: Path, capsys: Capture) -> None:
    """Both renames refer to the names as they stand in the raw data."""
    run = run_with(
        tmp_path,
        capsys,
        "{rename: {setup: S2, point: T5}, to: T6, reason: seen}",
        "{rename: {setup: S2, point: T6}, to: T5, reason: seen}",
    )
    assert "swapped-names" not in {f["kind"] for f in run.findings}
    ties = run.by("ties", "point", "setup")
    assert ties["T5", "S2"]["verdict"] == ties["T6", "S2"]["verdict"] == "ties"


def test_rename_to_a_new_name_makes_a_new_point(tmp_path: Path, capsys: Capture) -> None:
    """The renamed sight is a point of its own."""
    job = copy_sample("two_setups", tmp_path)
    run = reconcile(capsys, decide(job, "{rename: {setup: S1, point: T1}, to: T9, reason: seen}"))
    assert math.dist(run.place("T9"), run.place("T1")) < 0.05  # ft
    assert run.by("coordinates", "point")["T9"]["setups"] == "S1"


def test_every_decision_is_listed_with_its_effect(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """Page and run.json name each decision and its reason."""
    found = undecided.finding("swapped-names")
    run = run_with(
        tmp_path,
        capsys,
        f'{{accept: {found["id"]}, by: office, reason: "sketch of page 12"}}',
        '{exclude: {setup: S1, point: CP1}, reason: "leaves in the way"}',
    )
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "sketch of page 12" in page
    assert "leaves in the way" in page
    assert len(run.document("run")["decisions"]) == 2


@pytest.mark.parametrize(
    ("entry", "names"),
    [
        ("{accept: F-000000, reason: seen}", "F-000000"),
        ("{keep: F-123456, reason: seen}", "F-123456"),
        ("{exclude: {setup: S9, point: CP4}, reason: seen}", "S9"),
        ("{exclude: {setup: S2, point: CP99}, reason: seen}", "CP99"),
        ("{exclude: {line: 'raw/s2.csv:9999'}, reason: seen}", "9999"),
        ("{set: {setup: S9, instrument_height: 1.5}, reason: seen}", "S9"),
        ("{set: {setup: S2, point: CP99, target_height: 1.4}, reason: seen}", "CP99"),
        ("{rename: {setup: S2, point: Q1}, to: CP1, reason: seen}", "Q1"),
    ],
)
def test_a_decision_that_matches_nothing_is_an_error(
    tmp_path: Path, capsys: Capture, entry: str, names: str
) -> None:
    """Exit 2, the message names job.yaml, its line and what was not found; nothing written."""
    job = decide(copy_sample("fire_station_clean", tmp_path), entry)
    before = files_below(job)
    run = reconcile(capsys, job)
    assert run.status == 2
    line = 1 + (job / "job.yaml").read_text(encoding="utf-8").splitlines().index(f"  - {entry}")
    assert f"job.yaml:{line}" in run.errors
    assert names in run.errors
    assert "Traceback" not in run.errors
    assert run.text == ""
    assert files_below(job) == before


def test_a_stale_decision_is_an_error_and_leaves_the_old_results(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """The raw file was put right since: the decision has lost its finding."""
    found = undecided.finding("target-height")
    job = copy_sample("fire_station", tmp_path)
    assert reconcile(capsys, job).status == 1
    before = files_below(job / "out")
    path = job / "raw" / "s3.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    for at in found["lines"]:
        number = int(at.rsplit(":", 1)[1]) - 1
        assert ",1.600," in lines[number]
        lines[number] = lines[number].replace(",1.600,", ",1.700,")
    path.write_text("".join(lines), encoding="utf-8")
    run = reconcile(capsys, decide(job, f"{{accept: {found['id']}, reason: seen}}"))
    assert run.status == 2
    assert found["id"] in run.errors
    assert files_below(job / "out") == before


EXCLUDE = "{exclude: {setup: S1, point: T5}, reason: slipped}"


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        (["{set: {setup: S1, instrument_height: 1.5}, reason: book}"],
         "setup S1 is a free station, and an instrument height means nothing there"),
        ([EXCLUDE, "{set: {setup: S1, point: T5, target_height: 1.4}, reason: book}"],
         "takes the same rows out"),
        (["{set: {setup: S1, point: T5, target_height: 1.4}, reason: book}", EXCLUDE],
         "takes the same rows out"),
        ([EXCLUDE, "{exclude: {setup: S1, point: T5, kind: zenith}, reason: again}"],
         "takes the same rows out"),
        (["{rename: {setup: S1, point: T5}, to: T5, reason: book}"], "are called T5 already"),
        (["{set: {setup: S2, instrument_height: 1.604}, reason: book}"],
         "instrument_height is booked so already"),
        (["{set: {line: 'raw/s1.csv:2', target_height: 1.5}, reason: book}",
          "{set: {setup: S1, target_height: 1.4}, reason: book}"],
         "set on line 15 says otherwise of the same rows"),
        (["{rename: {line: 'raw/s1.csv:2'}, to: T90, reason: book}",
          "{rename: {setup: S1, point: CP1}, to: T91, reason: book}"],
         "rename on line 15 says otherwise of the same rows"),
    ],
)  # fmt: skip
def test_a_decision_that_changes_nothing_is_an_error(
    tmp_path: Path, capsys: Capture, entries: list[str], why: str
) -> None:
    """It was meant for something else: exit 2, with the line and why."""
    run = reconcile(capsys, decide(copy_sample("fire_station_clean", tmp_path), *entries))
    assert run.status == 2
    assert "changes nothing: " in run.errors and why in run.errors
    assert run.errors.startswith("job.yaml:") and len(run.errors.splitlines()) == 1


def test_decisions_about_some_of_the_same_rows_are_carried_out(
    tmp_path: Path, capsys: Capture
) -> None:
    """One component left out, a value set for all: both change something."""
    run = reconcile(capsys, decide(
        copy_sample("fire_station_clean", tmp_path),
        "{exclude: {setup: S1, point: T5, kind: direction}, reason: leaves}",
        "{set: {setup: S1, point: T5, target_height: 1.5}, reason: book}",
        "{exclude: {setup: S1, kind: distance}, reason: rain}",
    ))  # fmt: skip
    assert run.status != 2, run.errors


def pole_booked(folder: Path, wrong: str) -> Path:
    """Return the clean yard with the pole of S3 at CP5, 1.600 m, booked otherwise."""
    job = copy_sample("fire_station_clean", folder)
    path = job / "raw" / "s3.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    lines = [x.replace(",1.600,", f",{wrong},") if ",CP5," in x else x for x in lines]
    path.write_text("".join(lines), encoding="utf-8")
    return job


@pytest.mark.slow
def test_a_pole_height_accepted_is_the_one_booked_elsewhere(
    tmp_path: Path, capsys: Capture
) -> None:
    """The readings fit 1.600, which S3 booked for its other marks: it is taken, and said."""
    (tmp_path / "a").mkdir()
    found = reconcile(capsys, pole_booked(tmp_path / "a", "1.350")).finding("target-height")
    assert found["size"] != pytest.approx(-0.250, abs=5e-5)  # as fitted
    assert "Set the pole height to 1.600 m, as booked elsewhere in S3" in found["cure"]
    job = decide(pole_booked(tmp_path, "1.350"), f"{{accept: {found['id']}, reason: book}}")
    run = reconcile(capsys, job)
    assert run.status == 0, run.text
    assert "the pole height is taken as 1.600 m" in run.finding("target-height")["says"]
    (tmp_path / "b").mkdir()
    clean = reconcile(capsys, copy_sample("fire_station_clean", tmp_path / "b"))
    assert run.place("CP5") == clean.place("CP5")


def test_a_pole_height_accepted_is_a_round_one_where_none_is_booked(
    undecided: Output,
) -> None:
    """Booked 1.600, right 1.700, fitted 1.699: no other shot has 1.700, but it is round."""
    found = undecided.finding("target-height")
    assert "Set the pole height to 1.700 m, a round length, which the readings fit" in found["cure"]
