"""The command line: exit status, what is printed where, and that no traceback shows."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from tests.write.sample import make_job, make_site
from tieup import __version__, cli
from tieup.errors import InputError, TieupError
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation

ROOT = Path(__file__).parent.parent
TIEUP = [sys.executable, "-c", "from tieup.cli import main; main()"]
Run = Callable[..., Reconciliation]
Install = Callable[[Run], None]


@pytest.fixture
def with_run(monkeypatch: pytest.MonkeyPatch) -> Install:
    """Return what puts a solver of the test's own in the place of the real one."""

    def install(run: Run) -> None:
        config, pipeline = ModuleType("tieup.config"), ModuleType("tieup.pipeline")
        config.load_job = lambda folder: make_job(folder)  # type: ignore[attr-defined]
        pipeline.run = run  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "tieup.config", config)
        monkeypatch.setitem(sys.modules, "tieup.pipeline", pipeline)

    return install


def solved(*, ties: bool) -> Run:
    """Return a solver that always gives the invented site."""

    def run(job: Job, progress: Callable[[str], None] | None = None) -> Reconciliation:
        if progress:
            progress("adjusting")
        return make_site(job.folder, ties=ties)

    return run


def failing(error: BaseException) -> Run:
    """Return a solver that fails."""

    def run(job: Job, progress: Callable[[str], None] | None = None) -> Reconciliation:
        raise error

    return run


@pytest.mark.parametrize("name", sorted(cli.commands.commands))
@pytest.mark.parametrize("flag", ["-h", "--help"])
def test_every_command_has_help_and_the_common_options(
    name: str, flag: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Help exits 0 and names --out, --quiet and --json (contract 8)."""
    assert cli.outcome([name, flag]) == 0
    text = capsys.readouterr().out
    for option in ("--out", "--quiet", "--json"):
        assert option in text


@pytest.mark.parametrize("name", sorted(cli.commands.commands))
def test_every_command_stands_in_the_readme(name: str) -> None:
    """What the tool can do is documented."""
    assert f"tieup {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    """--version prints one line."""
    assert cli.outcome(["--version"]) == 0
    assert capsys.readouterr().out == f"tieup, version {__version__}\n"


def test_help_loads_none_of_the_library() -> None:
    """Help must not wait for numpy, pandas, scipy, yaml or networkx."""
    code = (
        "import sys; from tieup.cli import outcome; outcome(['-h']);"
        "print(sorted({'numpy', 'pandas', 'scipy', 'yaml', 'networkx'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.splitlines()[-1] == "[]"


def test_help_comes_about_as_fast_as_numpy_loads() -> None:
    """`tieup -h` takes at most 1.5 times as long as loading numpy, best of five each."""

    def best(command: list[str]) -> float:
        times = []
        for _ in range(5):
            began = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True, cwd=ROOT)
            times.append(time.perf_counter() - began)
        return min(times)

    assert best([*TIEUP, "-h"]) <= 1.5 * best([sys.executable, "-c", "import numpy"])


@pytest.mark.parametrize(
    "arguments",
    [[], ["reconcile"], ["recncile", "x"], ["reconcile", "x", "--nonsense"], ["new"]],
)
def test_a_wrong_call_exits_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong call is told on standard error, with nothing on standard output."""
    assert cli.outcome(arguments) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert output.err


@pytest.mark.parametrize(("ties", "status"), [(True, 0), (False, 1)])
def test_the_exit_status_tells_whether_the_site_ties(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str], ties: bool, status: int
) -> None:
    """0 ties, 1 does not; either way the files are written and the screen shows (contract 5)."""
    with_run(solved(ties=ties))
    assert cli.outcome(["reconcile", str(tmp_path)]) == status
    output = capsys.readouterr()
    assert ("THE SITE TIES" in output.out) == ties
    assert output.err == ""
    assert (tmp_path / "out" / "coordinates.csv").exists()


def test_quiet_prints_nothing(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """--quiet leaves the exit status and the files."""
    with_run(solved(ties=False))
    assert cli.outcome(["reconcile", str(tmp_path), "--quiet"]) == 1
    assert capsys.readouterr() == ("", "")


def test_json_prints_one_document(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """--json and --out: standard output is JSON and nothing else."""
    with_run(solved(ties=False))
    out = tmp_path / "elsewhere"
    assert cli.outcome(["reconcile", str(tmp_path), "--json", "--out", str(out)]) == 1
    record = json.loads(capsys.readouterr().out)
    assert (record["ties"], record["out"]) == (False, str(out))
    assert all((out / name).is_file() for name in record["files"])


def test_an_error_of_the_family_is_text_and_2(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every problem of the file is shown on its own line, on standard error; nothing is written."""
    with_run(failing(InputError("raw/a.csv:3: first", "raw/a.csv:9: second")))
    assert cli.outcome(["reconcile", str(tmp_path)]) == 2
    assert capsys.readouterr() == ("", "raw/a.csv:3: first\nraw/a.csv:9: second\n")
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_the_tool_is_words_too(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unforeseen error names the place in the tool, tells what to do, shows no traceback."""
    with_run(failing(ZeroDivisionError("float division\nby zero")))
    assert cli.outcome(["reconcile", str(tmp_path)]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert "Traceback" not in output.err
    assert re.search(
        r"failed at reconciled_job\.py:\d+ reconciled_job: ZeroDivisionError float", output.err
    )
    assert "fault of the tool, not of your data. No results were written." in output.err


def test_stopping_by_hand_writes_nothing(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C leaves one line and no files."""
    with_run(failing(KeyboardInterrupt()))
    assert cli.outcome(["reconcile", str(tmp_path)]) == 2
    assert capsys.readouterr().err.strip() == "Stopped. No results were written."
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_folder_is_refused_before_the_work(tmp_path: Path, with_run: Install) -> None:
    """--out on the raw folder is an error at once, not after minutes of solving."""
    (tmp_path / "raw").mkdir()
    with_run(failing(AssertionError("must not be reached")))
    assert cli.outcome(["reconcile", str(tmp_path), "--out", str(tmp_path / "raw")]) == 2


@pytest.mark.parametrize("watched", [True, False])
def test_progress_shows_only_on_a_terminal(
    tmp_path: Path,
    with_run: Install,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    watched: bool,
) -> None:
    """The stage of a long run goes to standard error, and only where somebody watches."""
    with_run(solved(ties=True))
    monkeypatch.setattr(sys.stderr, "isatty", lambda: watched)
    assert cli.outcome(["reconcile", str(tmp_path)]) == 0
    assert ("adjusting" in capsys.readouterr().err) == watched


def test_a_reader_that_goes_away_is_no_error(tmp_path: Path) -> None:
    """`tieup new DIR | head -0` ends without complaint."""
    command = [*TIEUP, "new", str(tmp_path / "yard")]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 0


def test_a_name_the_terminal_cannot_show_is_spelled_out(tmp_path: Path) -> None:
    """A terminal of few letters is no reason to fail."""
    command = [*TIEUP, "new", str(tmp_path / "yard ł")]
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment)
    assert (done.returncode, done.stderr) == (0, "")
    assert "yard \\u0142" in done.stdout


def test_new_writes_a_starter_and_says_what_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`tieup new` names its files and the next command; a second time it refuses."""
    folder = tmp_path / "yard"
    assert cli.outcome(["new", str(folder)]) == 0
    assert f"tieup reconcile {folder}" in capsys.readouterr().out
    assert cli.outcome(["new", str(folder)]) == 2
    assert "is there already" in capsys.readouterr().err


def test_new_takes_its_folder_from_out_as_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every command takes --out and --json; naming two folders is a wrong call."""
    assert cli.outcome(["new", "--out", str(tmp_path / "a"), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert all(Path(file).is_file() for file in record["files"])
    assert cli.outcome(["new", str(tmp_path / "b"), "--out", str(tmp_path / "c")]) == 2
    assert not (tmp_path / "b").exists()


def test_demo_keeps_what_is_in_the_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that is not a job is never written into."""
    (tmp_path / "mine.txt").write_text("x")
    assert cli.outcome(["demo", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]


def test_demo_uses_a_sample_job_that_is_there(
    tmp_path: Path, with_run: Install, capsys: pytest.CaptureFixture[str]
) -> None:
    """A decision added to the sample job survives the next demo, which exits 0 all the same."""
    (tmp_path / "job.yaml").write_text("mine")
    with_run(solved(ties=False))
    assert cli.outcome(["demo", str(tmp_path)]) == 0
    assert "was there already" in capsys.readouterr().out
    assert (tmp_path / "job.yaml").read_text() == "mine"


def test_demo_copies_the_sample_and_reconciles_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`tieup demo DIR` exits 0 whatever it found, and leaves the whole set of files."""
    folder = tmp_path / "yard"
    assert cli.outcome(["demo", str(folder)]) == 0, capsys.readouterr().err
    assert (folder / "job.yaml").is_file()
    assert json.loads((folder / "out" / "run.json").read_text())["status"] in (0, 1)
    assert str(folder / "job.yaml") in capsys.readouterr().out


def test_a_job_that_is_not_there_is_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistyped folder is named, and no folder is made."""
    assert cli.outcome(["reconcile", str(tmp_path / "nowhere")]) == 2
    error = capsys.readouterr().err
    assert "nowhere" in error
    assert "fault of the tool" not in error
    assert list(tmp_path.iterdir()) == []


def test_a_starter_without_shots_is_an_error_with_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The files of `tieup new` are read; only their shots are missing, and that is said."""
    cli.outcome(["new", str(tmp_path / "yard"), "--quiet"])
    assert cli.outcome(["reconcile", str(tmp_path / "yard")]) == 2
    error = capsys.readouterr().err
    assert "raw" in error
    assert "fault of the tool" not in error


def test_every_error_of_the_package_is_of_the_family() -> None:
    """One base class is enough to turn every error into text."""
    from tieup import errors

    own = (kind for kind in vars(errors).values() if isinstance(kind, type))
    kinds = [kind for kind in own if kind.__module__ == errors.__name__]
    assert len(kinds) > 3
    assert all(issubclass(kind, TieupError) for kind in kinds)
