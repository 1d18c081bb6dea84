"""keep and accept, as contract section 6 has them: one meaning each, and the words that say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, decide, only_measured, put, reconcile

Capture = pytest.CaptureFixture[str]


def shots_of(job: Path, file: str, point: str) -> list[int]:
    """Return the rows of a raw file to a point, counted from 1 below the header."""
    lines = (job / file).read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("point")
    return [n for n, line in enumerate(lines) if n and line.split(",")[place] == point]


def with_distance(job: Path, file: str, point: str, more: float) -> Path:
    """Lengthen the distances of a setup to a point by ``more`` m."""
    lines = (job / file).read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("distance")
    for row in shots_of(job, file, point):
        put(job, file, "distance", f"{float(lines[row].split(',')[place]) + more:.4f}", [row])
    return job


def fate(run: Output, finding: dict[str, object]) -> set[str]:
    """Return what became of the components of a finding's rows."""
    rows = run.table("observations")
    return {r["status"] for r in rows if f"{r['file']}:{r['line']}" in finding["lines"]}  # type: ignore[operator]


def keep(job: Path, capsys: Capture, found: dict[str, object]) -> Output:
    return reconcile(capsys, decide(job, f'{{keep: {found["id"]}, by: crew, reason: "seen so"}}'))


@pytest.mark.slow
def test_a_kept_pole_height_is_in_the_solution_and_does_not_tie(
    tmp_path: Path, capsys: Capture
) -> None:
    """0.050 m put back: used as booked, still to settle, and it does not feed the scatter."""
    (tmp_path / "again").mkdir()
    jobs = [copy_sample("fire_station", tmp_path / sub) for sub in (".", "again")]
    for job in jobs:  # 1.700 m is right; half of the 0.100 m is far from what is gross
        put(job, "raw/s3.csv", "target_height", "1.650", shots_of(job, "raw/s3.csv", "CP5"))
    found = reconcile(capsys, jobs[0]).finding("target-height")
    assert abs(found["size"]) == pytest.approx(0.050, abs=0.006)  # m
    run = keep(jobs[1], capsys, found)
    kept = run.finding("target-height")
    assert (kept["id"], kept["severity"], kept["action"]) == (found["id"], "stop", "kept")
    assert "stands in the solution as booked" in kept["says"]
    assert "the site does not tie with it" in kept["says"]
    assert fate(run, found) == {"used"}
    assert run.by("ties", "point", "setup")["CP5", "S3"]["verdict"] == "fails"
    assert run.status == 1
    assert not [f for f in run.findings if f["kind"] == "precision" and f["size"] > 1.0]


def test_a_kept_moved_mark_is_one_mark_again(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """17 mm of movement put back: one CP8, and its ties fail."""
    run = keep(copy_sample("fire_station", tmp_path), capsys, undecided.finding("mark-moved"))
    assert [p for p in run.by("coordinates", "point") if p.startswith("CP8")] == ["CP8"]
    assert run.finding("mark-moved")["severity"] == "stop"
    assert "fails" in {r["verdict"] for r in run.table("ties") if r["point"] == "CP8"}


def test_what_is_kept_within_the_limits_asks_for_nothing(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """The same 17 mm where ties may differ by 0.1 m: seen, in the solution, a note."""
    job = copy_sample("fire_station", tmp_path)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    limits = "tolerances: {horizontal: 0.1, elevation: 0.1}"
    path.write_text(text.replace("tolerances: paving", limits), encoding="utf-8")
    run = keep(job, capsys, undecided.finding("mark-moved"))
    kept = run.finding("mark-moved")
    assert (kept["severity"], kept["action"], kept["confirm"]) == ("note", "kept", "")
    assert "within the limits" in kept["says"]
    assert {r["verdict"] for r in run.table("ties") if r["point"] == "CP8"} == {"ties"}


@pytest.mark.parametrize("more", [0.15, 1.0, 10.0])
def test_a_gross_fault_that_is_kept_cannot_be_put_back(
    tmp_path: Path, capsys: Capture, more: float
) -> None:
    """The site is solved without it as before, and the finding stays a stop that says so."""
    (tmp_path / "again").mkdir()
    job = with_distance(copy_sample("fire_station_clean", tmp_path), "raw/s3.csv", "CP4", more)
    plain = reconcile(capsys, job)
    found = plain.finding("distance")
    again = with_distance(
        copy_sample("fire_station_clean", tmp_path / "again"), "raw/s3.csv", "CP4", more
    )
    run = keep(again, capsys, found)
    kept = run.finding("distance")
    assert (kept["id"], kept["severity"]) == (found["id"], "stop")
    assert "still left out" in kept["says"]
    assert "does not tie with it" in kept["says"]
    assert run.status == 1
    assert run.table("coordinates") == plain.table("coordinates")


def test_a_kept_swap_of_names_stays_a_stop(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """Two marks 34 m apart under each other's name cannot be put back."""
    run = keep(copy_sample("fire_station", tmp_path), capsys, undecided.finding("swapped-names"))
    kept = run.finding("swapped-names")
    assert (kept["severity"], run.status) == ("stop", 1)
    assert fate(run, kept) == {"excluded"}


@pytest.mark.slow
@pytest.mark.parametrize("wrong", ["1.634", "1.904"])
def test_a_kept_instrument_height_never_makes_the_site_tie(
    tmp_path: Path, capsys: Capture, wrong: str
) -> None:
    """30 mm go back in and show; 300 mm cannot. Neither is silent about it."""
    (tmp_path / "again").mkdir()
    jobs = [copy_sample("fire_station_clean", tmp_path / sub) for sub in (".", "again")]
    for job in jobs:
        path = job / "raw" / "s2.csv"
        path.write_text(path.read_text(encoding="utf-8").replace(",1.604,", f",{wrong},"))
    found = reconcile(capsys, jobs[0]).finding("instrument-height")
    run = keep(jobs[1], capsys, found)
    kept = run.finding("instrument-height")
    assert (kept["id"], kept["severity"], run.status) == (found["id"], "stop", 1)


def test_what_is_accepted_says_what_was_done_and_asks_for_nothing(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """No word of being left out, no shot to confirm, no cure to accept; what it did is said."""
    entries = [
        f'{{accept: {undecided.finding(kind)["id"]}, by: office, reason: "book"}}'
        for kind in ("target-height", "swapped-names", "mark-moved")
    ]
    run = reconcile(capsys, decide(copy_sample("fire_station", tmp_path), *entries))
    for kind, words in {
        "target-height": "the pole height is taken as 1.700 m, a round length, which the readings "
        "fit, and the shots are used",
        "swapped-names": "the two names are exchanged and both shots are used",
        "mark-moved": "CP8 and CP8@S4 stay two marks",
    }.items():
        found = run.finding(kind)
        assert f"Accepted by office (book): {words}." in found["says"]
        assert "left out" not in found["says"]
        assert "times the stated" in found["says"]
        assert (found["confirm"], found["decidable"]) == ("", False)
        assert "(accept)" not in found["cure"]


def test_a_setup_excluded_as_a_whole_is_no_stop(tmp_path: Path, capsys: Capture) -> None:
    """Nobody is asked to tie what a person took out; the rest ties."""
    job = only_measured(copy_sample("fire_station_clean", tmp_path))
    decide(job, "{exclude: {setup: S2}, reason: tripod kicked}")
    run = reconcile(capsys, job)
    assert (run.status, [f["kind"] for f in run.findings]) == (0, ["disconnected"])
    (found,) = run.findings
    assert (found["setup"], found["severity"]) == ("S2", "note")
    assert "excluded by decision" in found["says"]


def test_a_setup_that_is_half_excluded_is_still_asked_for(tmp_path: Path, capsys: Capture) -> None:
    """All but one mark excluded: the setup takes part and is not tied."""
    job = copy_sample("two_setups", tmp_path)
    marks = ["CP1", "CP2", "CP3", "CP4", "T1", "T2"]
    entries = [f"{{exclude: {{setup: S2, point: {m}}}, reason: seen}}" for m in marks[1:]]
    run = reconcile(capsys, decide(job, *entries))
    assert "stop" in {f["severity"] for f in run.findings if f["setup"] == "S2"}
    assert run.status == 1


def test_a_stale_decision_lists_what_there_is(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """The message names what the id was about, the findings of the day, and the likely cause."""
    found = undecided.finding("target-height")
    job = decide(
        copy_sample("fire_station", tmp_path),
        "{set: {setup: S3, point: CP5, target_height: 1.700}, reason: book}",
        f"{{accept: {found['id']}, reason: book}}",
    )
    errors = reconcile(capsys, job).errors
    assert f"{found['id']} (target-height S3 CP5), which this job does not have" in errors
    swap, moved = undecided.finding("swapped-names"), undecided.finding("mark-moved")
    assert f"{swap['id']} swapped-names S2 T5 T6" in errors
    assert f"{moved['id']} mark-moved CP8" in errors
    assert "set on line 14" in errors


def test_a_mistyped_id_is_answered_with_the_one_meant(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """One letter wrong: the nearest id is offered."""
    name = undecided.finding("mark-moved")["id"]
    wrong = name[:-1] + ("0" if name[-1] != "0" else "1")
    job = decide(copy_sample("fire_station", tmp_path), f"{{keep: {wrong}, reason: seen}}")
    assert f"Did you mean {name}?" in reconcile(capsys, job).errors


def test_a_finding_that_no_decision_settles_says_so(
    tmp_path: Path, capsys: Capture, undecided: Output
) -> None:
    """A repeated row has nothing to accept: exit 2, and what to do instead."""
    found = undecided.finding("repeated-row")
    assert not found["decidable"]
    assert all(f["decidable"] for f in undecided.findings if f["severity"] == "stop")
    for verb in ("accept", "keep"):
        (tmp_path / verb).mkdir()
        job = decide(copy_sample("fire_station", tmp_path / verb),
                     f"{{{verb}: {found['id']}, reason: seen}}")  # fmt: skip
        run = reconcile(capsys, job)
        assert run.status == 2
        assert f"{found['id']} (repeated-row S1 110), which no decision can settle" in run.errors
