"""Which tests run a line: the suite is run once, each line with the tests that passed over it.

Needs pytest-cov. What a fixture ran that several tests share is counted for all tests of the file
whose test asked for it first; what importing runs is counted for every test of the module. A test
that fails already is not asked: it would fail with any change.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from coverage import CoverageData

DATA = ".coverage"
TIMES = "times.xml"
UNKNOWN = 1.0  # s, taken for a test without a time


@dataclass(frozen=True)
class LineTests:
    """Node ids by line of each file, and the seconds of each of them and of each test file.

    ``failing`` are those that fail as it is.
    """

    folder: Path
    data: CoverageData
    seconds: dict[str, float]
    failing: frozenset[str]

    def of(self, file: str, line: int, budget: float) -> list[str]:
        """Return tests that run a line, as many of them as a budget allows.

        ``budget`` is in s, by what each took in the first run. Of every test file the fastest,
        then of every file the next one, and so on; of the line's own room three at a time.
        """
        by_line = self.data.contexts_by_lineno(str((self.folder / file).resolve()))
        found = _nodes(by_line.get(line, [])) - self.failing
        if not found:  # a constant of the module: run by importing it
            found = _nodes([context for contexts in by_line.values() for context in contexts])
            found -= self.failing
        room = f"tests/{Path(file).parts[1]}/"
        chosen, spent, before = [], 0.0, Counter[str]()
        turn: dict[str, int] = {}
        for node in sorted(found, key=self._time):
            test_file = node.partition("::")[0]
            turn[node] = before[test_file] // (3 if node.startswith(room) else 1)
            before[test_file] += 1
        for node in sorted(found, key=lambda node: (turn[node], self._time(node))):
            spent += self._time(node)
            if spent > budget and chosen:
                break
            chosen.append(node)
        return chosen

    def _time(self, node: str) -> float:
        return self.seconds.get(node, UNKNOWN)


def _nodes(contexts: list[str]) -> set[str]:
    """Return what is to be asked: tests, and whole files where a fixture ran the line."""
    found = set()
    for context in filter(None, contexts):
        node, _, phase = context.rpartition("|")
        found.add(node if phase == "run" else node.partition("::")[0])
    return {node for node in found if node.partition("::")[0] not in found or "::" not in node}


def run_once(folder: Path) -> LineTests:
    """Run the suite in a tree and note which test runs which line."""
    command = ["-m", "pytest", "--cov=tieup", "--cov-context=test", "--cov-report="]
    plain = ["-q", "-p", "no:cacheprovider", f"--junitxml={TIMES}", "--ignore=tieup"]
    done = subprocess.run(
        [sys.executable, *command, *plain, "tests"],
        cwd=folder,
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "COVERAGE_FILE": str(folder / DATA)},
    )
    if done.returncode not in (0, 1):  # 1: what holds a ratio of times, which tracing spoils
        raise RuntimeError(done.stdout + done.stderr)
    return load(folder)


def load(folder: Path) -> LineTests:
    """Return what an earlier run noted."""
    data = CoverageData(str(folder / DATA))
    data.read()
    if len(data.measured_contexts()) < 2:
        raise RuntimeError(f"{folder / DATA}: no line has its tests; run with pytest-cov anew")
    seconds: dict[str, float] = {}
    failing = set()
    for case in ElementTree.parse(folder / TIMES).iter("testcase"):
        file, _, inner = _file_of(case.get("classname", ""), folder)
        taken = float(case.get("time", UNKNOWN))
        node = f"{file}::{inner}{case.get('name')}"
        seconds[node] = taken
        seconds[file] = seconds.get(file, 0.0) + taken
        if case.find("failure") is not None or case.find("error") is not None:
            failing.add(node)
    return LineTests(folder, data, seconds, frozenset(failing))


def _file_of(dotted: str, folder: Path) -> tuple[str, str, str]:
    """Split the name of a class or module of tests into its file and what is inside it."""
    parts = dotted.split(".")
    for end in range(len(parts), 0, -1):
        file = "/".join(parts[:end]) + ".py"
        if (folder / file).exists():
            return file, "", "".join(f"{part}::" for part in parts[end:])
    return dotted, "", ""
