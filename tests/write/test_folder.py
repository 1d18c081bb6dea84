"""The set of result files: whole or not at all, and never among the inputs or other files."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from tests.write.exchange_site import hostile_site
from tests.write.sample import make_job, make_site
from tieup.errors import OutputError
from tieup.write import staging
from tieup.write.exchange.formats import Exchange
from tieup.write.folder import WRITERS, check_target, timestamp, write_results, write_set

CLOCK = "2024-05-01T10:00:00+00:00"
LATER = "2025-01-01T00:00:00+00:00"


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def test_every_file_of_the_contract_is_written(tmp_path: Path) -> None:
    """The folder is made with its parents and holds the files, and nothing else is left."""
    out = tmp_path / "deep" / "out"
    paths = write_results(make_site(tmp_path), out, written=CLOCK)
    assert {path.name for path in paths} == {*WRITERS, "run.json"} == set(contents(out))
    assert {"coordinates.csv", "observations.csv", "setups.csv", "ties.csv"} < set(WRITERS)
    assert [item.name for item in out.parent.iterdir()] == ["out"]


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    """Two runs differ in the clock of run.json and in nothing else."""
    for name, clock in (("a", CLOCK), ("b", LATER)):
        write_results(make_site(tmp_path), tmp_path / name, written=clock)
    first, second = contents(tmp_path / "a"), contents(tmp_path / "b")
    runs = [json.loads(files.pop("run.json")) for files in (first, second)]
    assert first == second
    assert runs[0].pop("written") != runs[1].pop("written")
    assert runs[0] == runs[1]
    assert all(b"\r" not in data for data in first.values())


@pytest.mark.parametrize("failing", range(1, 18))
def test_a_failure_at_any_move_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    """Whichever rename fails, old files stay as they were and no trace is left.

    A folder with a folder in it is not exchanged as a whole. Eight old files move out and eight
    new ones in: 16 moves; at the 17th, which does not exist, the run succeeds, which shows that
    the count is right.
    """
    out = tmp_path / "out"
    write_results(make_site(tmp_path), out, written=CLOCK)
    (out / "mine").mkdir()
    (out / "mine" / "notes.txt").write_text("mine")
    before = contents(tmp_path)
    real: Callable[[Path, Path], Path] = Path.replace
    calls = iter(range(1, 100))

    def failing_replace(self: Path, target: Path) -> Path:
        if next(calls) == failing:
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing_replace)
    site = make_site(tmp_path, ties=True)
    if failing == 17:
        write_results(site, out, written=CLOCK)
        assert contents(tmp_path) != before
        return
    with pytest.raises(OutputError, match=r"no space left on device.*Nothing was changed"):
        write_results(site, out, written=CLOCK)
    assert contents(tmp_path) == before


def no_exchange(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the system call away that exchanges two folders."""
    monkeypatch.setattr(staging, "_exchanged", lambda one, other: False)


@pytest.mark.parametrize("failing", range(1, 4))
def test_without_the_system_call_two_renames_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    """Old folder aside, new one in; whichever of them fails, the files are moved one by one."""
    no_exchange(monkeypatch)
    out = tmp_path / "out"
    write_results(make_site(tmp_path), out, written=CLOCK)
    (out / "notes.txt").write_text("mine")
    real: Callable[[Path, Path], Path] = Path.rename
    names = []

    def failing_rename(self: Path, target: Path) -> Path:
        if self.name in ("out", "new"):
            names.append(self.name)
            if len(names) == failing:
                raise PermissionError(13, "Permission denied")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", failing_rename)
    write_results(make_site(tmp_path, ties=True), out, written=LATER)
    assert names == [["out"], ["out", "new"], ["out", "new"]][failing - 1]
    assert json.loads((out / "run.json").read_text())["written"] == LATER
    assert (out / "notes.txt").read_text() == "mine"
    assert [item.name for item in tmp_path.iterdir()] == ["out"]


Fail = Callable[[int], None]


def killed_at(number: int) -> Iterator[None]:
    """Return what ends this process, as SIGKILL would, before the n-th step."""
    for step in range(1, 1000):
        if step == number:
            os._exit(9)
        yield


def run_and_kill(number: int, write: Callable[[], object]) -> bool:
    """Write in a child that is killed before its n-th change to a folder; return if it was."""
    child = os.fork()
    if child == 0:
        steps = killed_at(number)
        for owner, name in ((Path, "rename"), (Path, "replace"), (staging, "_exchanged")):
            real = getattr(owner, name)
            setattr(owner, name, lambda *a, real=real: (next(steps), real(*a))[1])
        cleared = staging.shutil.rmtree
        staging.shutil.rmtree = lambda *a, **k: (next(steps), cleared(*a, **k))[1]
        write()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and locks")
@pytest.mark.parametrize("way", ["one rename", "two renames", "file by file"])
def test_a_killed_run_leaves_old_or_new_and_the_next_one_clears_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """Killed before each step in turn: with one rename the folder is old or new, never mixed.

    However it was left, the next run finds the user's file and every file of its own, takes the
    old strings away and leaves nothing beside the folder or hidden in it.
    """
    if way == "two renames":
        no_exchange(monkeypatch)
    job = tmp_path / "job"
    job.mkdir()
    full = hostile_site(job)
    out = job / "out"
    killed = 0
    for number in range(1, 80):
        write_results(full, out, written=CLOCK, also=Exchange(("pnezd",)))
        (out / "notes.txt").write_text("mine")
        if way == "file by file":
            (out / "mine").mkdir(exist_ok=True)
        was = contents(out)
        if not run_and_kill(number, lambda: write_results(make_site(job), out, written=LATER)):
            break
        killed += 1
        names = {path.name for path in out.iterdir() if path.is_file()} if out.exists() else set()
        old, new = set(was), {*WRITERS, "run.json", "notes.txt"}
        if way == "one rename":
            assert names in (old, new)
        staging.clear_leftovers(out)
        assert {path.name for path in out.iterdir() if path.is_file()} in (old, new)
        clock = json.loads((out / "run.json").read_text())["written"]
        assert clock == (CLOCK if (out / "strings.csv").exists() else LATER)
        write_results(make_site(job), out, written=LATER)
        assert set(contents(out)) == new
        assert [item.name for item in job.iterdir()] == ["out"]
        assert not list(out.glob(".*"))
    assert killed >= {"one rename": 2, "two renames": 3, "file by file": 18}[way]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and locks")
@pytest.mark.parametrize("way", ["one rename", "file by file"])
def test_runs_at_the_same_time_do_not_mix(tmp_path: Path, way: str) -> None:
    """Three write into one folder again and again: none fails, and one set is there in the end."""
    out = tmp_path / "out"

    def files(number: int) -> list[tuple[str, str]]:
        tables = {f"{name}.csv": f"{number} {name}\n" for name in "abcdef"}
        hashes = {name: sha256(text.encode()).hexdigest() for name, text in tables.items()}
        record = {"files": [*tables, "run.json"], "sha256": hashes}
        return [*tables.items(), ("run.json", json.dumps(record))]

    def child(number: int) -> int:
        own = os.fork()
        if own == 0:
            failed = 1
            try:
                for _ in range(20):
                    write_set(out, files(number))
                failed = 0
            finally:
                os._exit(failed)
        return own

    write_set(out, files(0))
    if way == "file by file":
        (out / "photos").mkdir()
    ends = [os.waitpid(one, 0)[1] for one in [child(number) for number in (1, 2, 3)]]
    assert ends == [0, 0, 0]
    assert len({(out / f"{name}.csv").read_text()[0] for name in "abcdef"}) == 1
    assert not list(tmp_path.rglob(".tieup-*"))


def test_a_run_that_lives_is_not_cleared_away(tmp_path: Path) -> None:
    """The stage of a run that is still writing is locked, and no other run touches it."""
    out = tmp_path / "out"

    def slowly() -> Iterator[tuple[str, str]]:
        yield "a.csv", "a\n"
        record = '{"files": ["b.csv", "run.json"], "sha256": {"b.csv": ""}}'
        write_set(out, [("b.csv", "b\n"), ("run.json", record)])
        yield "b.csv", "later\n"
        yield "run.json", '{"files": ["a.csv", "b.csv", "run.json"]}'

    write_set(out, slowly())
    assert set(contents(tmp_path)) == {"out/a.csv", "out/b.csv", "out/run.json"}
    assert (out / "b.csv").read_text() == "later\n"


def test_the_folder_one_works_in_stays_the_same_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shell whose working folder is out/ would else stand in a folder that is gone."""
    out = tmp_path / "out"
    write_results(make_site(tmp_path), out, written=CLOCK)
    monkeypatch.chdir(out)
    before = out.stat().st_ino
    write_results(make_site(tmp_path), out, written=LATER)
    assert out.stat().st_ino == before
    assert set(contents(tmp_path)) == {f"out/{name}" for name in (*WRITERS, "run.json")}


def test_a_failing_writer_leaves_no_folder(tmp_path: Path) -> None:
    """A table that cannot be written leaves neither files nor an empty folder."""
    site = replace(make_site(tmp_path), ties={"point": ["CP4"]})
    with pytest.raises(ValueError, match="lacks the columns"):
        write_results(site, tmp_path / "new" / "out", written=CLOCK)
    assert list(tmp_path.iterdir()) == []


def test_files_of_an_earlier_run_do_not_linger(tmp_path: Path) -> None:
    """What an earlier run wrote and this one does not is taken away; other files stay."""
    out = tmp_path / "out"
    write_results(hostile_site(tmp_path), out, written=CLOCK, also=Exchange(("pnezd",)))
    assert {"strings.csv", "points.txt"} < set(contents(out))
    (out / "mine.txt").write_text("x")
    (out / "link").symlink_to("mine.txt")
    write_results(make_site(tmp_path), out, written=CLOCK)
    assert set(contents(out)) == {*WRITERS, "run.json", "mine.txt", "link"}
    assert (out / "link").is_symlink()


def test_a_stale_file_that_was_changed_is_not_taken_away(tmp_path: Path) -> None:
    """It holds somebody's work, and must not lie beside new results either: refused, told."""
    out = tmp_path / "out"
    write_results(hostile_site(tmp_path), out, written=CLOCK)
    (out / "strings.csv").write_text("edited")
    before = contents(out)
    with pytest.raises(OutputError, match=r"strings\.csv: is of an earlier run.*Move it away"):
        write_results(make_site(tmp_path), out, written=LATER)
    assert contents(out) == before


FOREIGN = (
    '{"files": ["thesis.txt"]}',
    '{"files": ["coordinates.csv", "run.json"]}',
    '{"files": ["thesis.txt", "run.json"]}',
    '{"files": ["../thesis.txt", "run.json"]}',
    '["thesis.txt"]',
    "not json",
    "[" * 100_000,
)


@pytest.mark.parametrize("text", FOREIGN)
def test_a_foreign_record_takes_nothing_away(tmp_path: Path, text: str) -> None:
    """A run.json that tieup did not write is no leave to delete what it lists, or itself."""
    out = tmp_path / "out"
    out.mkdir()
    for path in (out / "thesis.txt", out / "coordinates.csv", tmp_path / "thesis.txt"):
        path.write_text("three years")
    (out / "run.json").write_text(text)
    before = contents(tmp_path)
    with pytest.raises(OutputError, match="Nothing was changed"):
        write_results(make_site(tmp_path), out, written=CLOCK)
    assert contents(tmp_path) == before


@pytest.mark.parametrize("name", ["report.html", "coordinates.csv", "run.json"])
def test_a_file_of_somebody_else_is_not_replaced(tmp_path: Path, name: str) -> None:
    """A report.html that no record lists may be anybody's: refused, kept, told."""
    out = tmp_path / "out"
    out.mkdir()
    (out / name).write_text("mine")
    with pytest.raises(OutputError, match="was not written by tieup"):
        write_results(make_site(tmp_path), out, written=CLOCK)
    assert contents(tmp_path) == {f"out/{name}": b"mine"}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
def test_a_pipe_in_the_place_of_the_record_does_not_hang(tmp_path: Path) -> None:
    """run.json that is a pipe is never opened."""
    out = tmp_path / "out"
    out.mkdir()
    os.mkfifo(out / "run.json")
    with pytest.raises(OutputError, match=r"run\.json: was not written by tieup"):
        write_results(make_site(tmp_path), out, written=CLOCK)
    assert [item.name for item in tmp_path.iterdir()] == ["out"]


def test_a_folder_in_the_place_of_a_file_is_not_taken_away(tmp_path: Path) -> None:
    """A folder that bears the name of a result is the user's: refused, kept."""
    kept = tmp_path / "out" / "ties.csv" / "mine.txt"
    kept.parent.mkdir(parents=True)
    kept.write_text("x")
    with pytest.raises(OutputError, match=r"ties\.csv is a folder"):
        write_results(make_site(tmp_path), tmp_path / "out", written=CLOCK)
    assert list(contents(tmp_path)) == ["out/ties.csv/mine.txt"]


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """--out that names a file is an error with what to do."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match=r"cannot be written.*--out DIR"):
        write_set(tmp_path / "out", [("a.csv", "a\n")])
    assert (tmp_path / "out").read_text() == "x"


@pytest.mark.parametrize("place", [".", "raw", "raw/out", "given", "other_job", "raw/../raw"])
def test_results_never_go_among_the_inputs(tmp_path: Path, place: str) -> None:
    """The job folder, the raw folder and what lies in it, another job: all refused."""
    for folder in ("raw", "given", "other_job"):
        (tmp_path / folder).mkdir()
    (tmp_path / "other_job" / "job.yaml").write_text("title: x\n")
    job = make_job(tmp_path, control_file=tmp_path / "given" / "control.csv")
    with pytest.raises(OutputError, match=r"Name another folder|folder of their own"):
        check_target(tmp_path / place, job)


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    """Results that a link leads elsewhere are refused, before the work and at the writing."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").symlink_to("elsewhere")
    with pytest.raises(OutputError, match=r"out: is a link.*--out .*elsewhere"):
        check_target(tmp_path / "out", make_job(tmp_path))
    with pytest.raises(OutputError, match="is a link"):
        write_results(make_site(tmp_path), tmp_path / "out", written=CLOCK)
    assert contents(tmp_path) == {}


@pytest.mark.parametrize("place", ["/", "x" * 300, "a\0b"])
def test_what_is_no_place_for_results_is_refused(tmp_path: Path, place: str) -> None:
    """The top of a disk, and names that no folder can have: an error of the family."""
    with pytest.raises(OutputError, match="--out DIR"):
        check_target(Path(place), make_job(tmp_path))


def test_raw_files_in_the_job_folder_do_not_forbid_its_out(tmp_path: Path) -> None:
    """A job whose raw files lie beside job.yaml can still write into out."""
    check_target(tmp_path / "out", make_job(tmp_path, raw_files=(tmp_path / "s1.csv",)))


def test_the_time_of_writing_is_iso_8601_in_utc() -> None:
    """run.json tells when it was written without a time zone to guess."""
    assert len(timestamp()) == 25
    assert timestamp().endswith("+00:00")
