"""No kill at any change to the disk leaves a mixture; and what counts them notices one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.aimed_kills import COMMANDS, STOPPED, Ended, Range

ROOT = Path(__file__).parents[2]
AUDIT = next(command for command in COMMANDS if command.arguments[0] == "audit")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and fork of POSIX")


@pytest.mark.slow
def test_killed_before_each_change_the_old_set_or_the_new_one_is_there() -> None:
    """Every command that writes, SIGKILL before each of its changes; the next run clears up."""
    command = [sys.executable, "-m", "tests.bench.aimed_kills", "--signals", "SIGKILL"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    *_, last = done.stdout.splitlines()
    ended, _, wrong = last.partition(" ended, ")
    assert int(ended) > 300 and wrong == "0 times something wrong"


def test_what_is_wrong_is_noticed(tmp_path: Path) -> None:
    """A file of the new set among old ones, words that deny what is there, a stage left over."""
    ground = Range(tmp_path)
    case = ground.case(AUDIT)
    whole = ground.end(case)
    assert whole.changes > 10 and whole.status == 0
    assert list(ground.judge(case, whole)) == []
    out = ground.work / AUDIT.out
    (out / "audit.csv").write_text("", encoding="utf-8")
    wrong = list(ground.judge(case, Ended(-9, "", 0, 0.0)))
    assert [text.partition(":")[0] for text in wrong[:1]] == ["neither old nor new"]
    (denied,) = ground.judge(case, Ended(2, STOPPED, 0, 0.0))
    assert denied.startswith("exit status 2")
    (out.parent / ".tieup-x" / "new").mkdir(parents=True)
    (left,) = ground.judge(case, Ended(-9, "", 0, 0.0))
    assert left == "the next run leaves ['.tieup-x']"
