"""Kill every command while it writes: the old set of files or the new one, and nothing left over.

    python -m tests.bench.aimed_kills --kills 1000
    python -m tests.bench.aimed_kills --signals SIGKILL        each change once

from the root of the source tree. Each command is run in a child. Children are ended before the
k-th of their changes to the disk, for every k: a file opened for writing, made, linked, renamed,
taken away or locked, the call that exchanges two folders. What is left of the number is ended at
a random moment of the writing. SIGKILL leaves no code to run; SIGTERM is answered as Ctrl-C is.

After each, the folder holds the files of before or those of the new run, to the byte, and the
last words and the exit status are true. Then the command is run again: the new set, complete as
its record lists it, and no scratch folder. What is wrong is printed with command and moment.

Solutions are found once and remembered, so that only the writing is aimed at. A folder with a
folder in it cannot be exchanged: there SIGKILL may leave a mixture, which is counted, has no record
of a run in it, and is the old set or the new one as soon as the next run clears up.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench.fuzz_jobs import JOBS, SAMPLE, add_setting
from tieup import cli, pipeline, planning
from tieup.cli.common import stop_as_by_hand
from tieup.write import folder, staging

CHANGES = frozenset(
    {"os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.link", "os.symlink", "os.chmod"}
    | {"os.utime", "shutil.rmtree", "tempfile.mkdtemp", "fcntl.flock", "ctypes.dlsym"}
)  # events of the interpreter just before a change, or before the call that makes one
WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT
CLOCK = "2026-01-01T00:00:00+00:00"
MINE = "notes.txt"  # of the person, in the folder that is written
RECORDS = ("run.json", "plan.json", "audit.json")
OLD = """\
derived:
  - {point: Q, from: T1, bearing: 75-30-00, distance: 3.2, grade: 1.5}
"""  # a table that the new run does not write
BEGUN, MADE = b"begun", b"changes "
STOPPED = "No results were written."
SIGNALS = (signal.SIGKILL, signal.SIGTERM)

Files = dict[str, str]


@dataclass(frozen=True)
class Command:
    """A command that writes into ``out``, and what lies there before.

    ``kept``: "file" is the old set with a file of the person, "folder" has a folder as well, so
    that files are moved one by one, "" is no folder yet.
    """

    arguments: tuple[str, ...]
    out: str
    kept: str = "file"

    def __str__(self) -> str:
        return f"{self.arguments[0]}, {self.kept or 'nothing'} before"


COMMANDS = (
    Command(("reconcile", "job", "--also", "pnezd", "--also", "landxml", "--draft"), "job/out"),
    Command(("reconcile", "job"), "job/out", "folder"),
    Command(("reconcile", "job"), "job/out", ""),
    Command(("ties", "job", "--out", "bay"), "bay"),
    Command(("surface", "job", "--out", "ground"), "ground"),
    Command(("surface", "job", "--out", "ground"), "ground", "folder"),
    Command(("plan", "job", "--out", "plan"), "plan"),
    Command(("audit", "job", "--out", "audit"), "audit"),
    Command(("explain", "--page", "--out", "page"), "page"),
    Command(("new", "fresh"), "fresh", ""),
    Command(("demo", "yard", "--out", "found"), "yard", ""),
)


@dataclass(frozen=True)
class Aim:
    """When a child is ended: before its k-th change, or ``wait`` s after its first one."""

    number: signal.Signals
    change: int = 0
    wait: float = 0.0

    def __str__(self) -> str:
        moment = f"before change {self.change}" if self.change else f"{self.wait:.4f} s on"
        return f"{self.number.name} {moment}"


@dataclass(frozen=True)
class Ended:
    """How a child ended: exit status or minus its signal, last words, changes, s of writing."""

    status: int
    words: str
    changes: int
    seconds: float


@dataclass(frozen=True)
class Case:
    """A command with the place it starts from, and the files of its folder before and after."""

    command: Command
    start: Path
    old: Files
    new: Files


class Range:
    """Where children are ended: a working place that is laid out anew for each."""

    def __init__(self, place: Path) -> None:
        self.work, self.jobs, self.place = place / "work", place / "jobs", place
        for name in ("old", "new"):
            job = self.jobs / name
            shutil.copytree(SAMPLE / "two_setups", job, ignore=shutil.ignore_patterns("out"))
            JOBS["short"](job)
            add_setting(job, f"title: The {name} one\n", "title: Loading dock, two setups\n")
        add_setting(self.jobs / "old", OLD)

    def case(self, command: Command) -> Case:
        """Make the place that a command starts from, and run it as it is meant to end."""
        shutil.rmtree(self.work, ignore_errors=True)
        self.work.mkdir()
        shutil.copytree(self.jobs / "old", self.work / "job")
        out = self.work / command.out
        if command.arguments[0] == "explain":
            out.mkdir()
            page = f"<!-- older -->{cli.explain_command.GENERATOR}"
            (out / cli.explain_command.PAGE).write_text(page, encoding="utf-8")
        elif command.kept:
            self.again(command)
        if command.kept:
            (out / MINE).write_text("mine", encoding="utf-8")
        if command.kept == "folder":
            (out / "photos").mkdir()
            (out / "photos" / MINE).write_text("mine", encoding="utf-8")
        shutil.copytree(self.jobs / "new", self.work / "job", dirs_exist_ok=True)
        start = Path(tempfile.mkdtemp(dir=self.place)) / "start"
        shutil.copytree(self.work, start)
        old = files_of(out)
        self.again(command)
        new = files_of(out)
        assert old != new
        return Case(command, start, old, new)

    def again(self, command: Command) -> None:
        """Run a command here, undisturbed."""
        errors = io.StringIO()
        with chdir(self.work), redirect_stdout(io.StringIO()), redirect_stderr(errors):
            status = cli.outcome([*command.arguments, "--quiet"])
        assert status in (0, 1), errors.getvalue()

    def end(self, case: Case, aim: Aim | None = None) -> Ended:
        """Run a command in a child that is ended as aimed."""
        shutil.rmtree(self.work)
        shutil.copytree(case.start, self.work)
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            live(case.command, aim, writing, self.work)
        os.close(writing)
        began, lines = time.monotonic(), []
        with os.fdopen(reading, "rb") as stream:
            for line in stream:
                if line.strip() == BEGUN:
                    began = time.monotonic()
                    if aim is not None and aim.wait:
                        time.sleep(aim.wait)
                        os.kill(child, aim.number)  # not waited for yet: still the child's own
                else:
                    lines.append(line)
        seconds = time.monotonic() - began
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        made = [int(line.removeprefix(MADE)) for line in lines if line.startswith(MADE)]
        words = b"".join(line for line in lines if not line.startswith(MADE))
        return Ended(status, words.decode(errors="replace").strip(), sum(made), seconds)

    def judge(self, case: Case, ended: Ended) -> Iterator[str]:
        """Yield what is wrong with what was left, and with what the next run makes of it."""
        command, out = case.command, self.work / case.command.out
        found = files_of(out)
        mixed = found not in (case.old, case.new)
        if mixed and not (command.kept == "folder" and ended.status == -signal.SIGKILL):
            yield f"neither old nor new: {differing(found, case)}"
        if ended.status >= 0 and command.arguments[0] != "demo":  # which writes twice
            yield from untrue(ended, found == case.new)
        if mixed:
            if lie := incomplete(out):
                yield f"a record in a mixture: {lie}"
            staging.clear_leftovers(out)
            if files_of(out) not in (case.old, case.new):
                yield f"neither old nor new when cleared: {differing(files_of(out), case)}"
        try:
            self.again(command)
        except AssertionError as error:
            if command.arguments[0] != "new" or found != case.new:  # which it refuses
                yield f"the next run ends with {error}"
        if files_of(out) != case.new or incomplete(out):
            yield f"the next run leaves {differing(files_of(out), case)} {incomplete(out)}"
        if left := [path.name for path in self.work.rglob(f"{staging.PREFIX}*")]:
            yield f"the next run leaves {left}"


def solve_once() -> None:
    """Let this process and its children work a solution out once, and stop the clock of records."""
    for room, name in ((pipeline, "run"), (planning, "forecast")):
        setattr(room, name, remembered(getattr(room, name)))
    folder.timestamp = lambda: CLOCK


def remembered(made: Callable[..., Any]) -> Callable[..., Any]:
    """Return what gives the same job the same answer without working it out again."""
    known: dict[tuple[Path, str, str], Any] = {}

    def give(job: Any, progress: Callable[[str], None] | None = None) -> Any:
        key = (job.folder, job.title, str(job.surfaces))
        if key not in known:
            known[key] = made(job, progress)
        return known[key]

    return give


def live(command: Command, aim: Aim | None, pipe: int, work: Path) -> None:
    """Run a command as the whole life of a child, which tells ``pipe`` when it begins to write."""
    count, running = 0, True

    def hear(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal count
        opened = event == "open" and not isinstance(arguments[0], int) and arguments[2] & WRITING
        if not running or not (event in CHANGES or (opened and arguments[0] != os.devnull)):
            return
        count += 1
        if count == 1:
            os.write(pipe, BEGUN + b"\n")
        if aim is not None and aim.change == count:
            os.kill(os.getpid(), aim.number)

    stop_as_by_hand()
    os.chdir(work)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    os.dup2(pipe, 2)
    sys.stdout, sys.stderr = (open(n, "w", encoding="utf-8", closefd=False) for n in (1, 2))  # noqa: SIM115
    sys.addaudithook(hear)
    status = cli.outcome([*command.arguments, "--quiet"])
    running = False
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    sys.stderr.flush()
    os.write(pipe, b"\n%b%d\n" % (MADE, count))
    os._exit(status)


def untrue(ended: Ended, written: bool) -> Iterator[str]:
    """Yield words and an exit status that are not what is there."""
    denied = STOPPED in ended.words
    if denied == written or (ended.status == 2) != denied:
        state = "the new set" if written else "the old set"
        yield f"exit status {ended.status} and {ended.words!r} with {state} there"


def files_of(out: Path) -> Files:
    """Return the sha256 of every file below a folder by its name, hidden ones too."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.relative_to(out).parts[0].startswith(staging.PREFIX)
    }


def state_of(found: Files, case: Case) -> str:
    """Return which set the files of a folder are."""
    if found in (case.old, case.new):
        return "old" if found == case.old else "new"
    return "neither"


def incomplete(out: Path) -> str:
    """Return which file is not as the record of its run lists it; empty for none."""
    found = files_of(out)
    for name in found.keys() & set(RECORDS):
        record = json.loads((out / name).read_text(encoding="utf-8"))
        for other in set(record["files"]) - {name}:
            if found.get(other) != record["sha256"][other]:
                return f"{other} is not as {name} has it"
    return ""


def differing(found: Files, case: Case) -> str:
    """Say which files are those of the old set, of the new one, and of neither."""
    same = {"old": case.old, "new": case.new}
    told = {name: [n for n in found if found[n] == files.get(n)] for name, files in same.items()}
    return f"{len(found)} files, {told}"


def aims(
    whole: Ended, signals: Sequence[signal.Signals], kills: int, rng: random.Random
) -> list[Aim]:
    """Return every change once for each signal, and random moments for what is left."""
    found = [Aim(number, change + 1) for number in signals for change in range(whole.changes)]
    moments = [rng.uniform(1e-6, 1.1 * whole.seconds) for _ in range(kills - len(found))]
    return [*found, *(Aim(rng.choice(signals), wait=moment) for moment in moments)]


def main(arguments: Sequence[str] | None = None) -> int:
    """End children until their number is up; return how many times something was wrong."""
    parser = argparse.ArgumentParser(prog="tests.bench.aimed_kills")
    parser.add_argument("--kills", type=int, default=0, help="how many at least")
    parser.add_argument("--signals", nargs="+", choices=[s.name for s in SIGNALS], help="which")
    parser.add_argument("--seed", type=int, default=0, help="of the random moments")
    given = parser.parse_args(arguments)
    signals = [s for s in SIGNALS if s.name in (given.signals or s.name)]
    solve_once()
    rng, ends, wrong = random.Random(given.seed), Counter[str](), 0
    with tempfile.TemporaryDirectory() as name:
        ground = Range(Path(name).resolve())
        for done, command in enumerate(COMMANDS):
            case = ground.case(command)
            whole = ground.end(case)
            share = (given.kills - sum(ends.values())) // (len(COMMANDS) - done)
            for aim in aims(whole, signals, share, rng):
                ended = ground.end(case, aim)
                state = state_of(files_of(ground.work / command.out), case)
                ends[f"{aim.number.name} {'aimed' if aim.change else 'random'}: {state}"] += 1
                for what in ground.judge(case, ended):
                    wrong += 1
                    print(f"{command}, {aim}: {what}", flush=True)
            print(f"{command}: {whole.changes} changes in {whole.seconds:.3f} s", flush=True)
    for text, count in sorted(ends.items()):
        print(f"{count:6} {text}")
    print(f"{sum(ends.values())} ended, {wrong} times something wrong")
    return wrong


if __name__ == "__main__":
    sys.exit(main() > 0)
