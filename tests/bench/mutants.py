"""Do the tests notice a wrong program? Small changes of the source, one at a time, are tried.

    python -m tests.bench.mutants adjust reduce ties diagnose/search --count 200
    python -m tests.bench.mutants adjust --count 50 --seed 2 --log killed.jsonl --tree folder

from the root of the source tree, which is copied first. A change is a comparison turned or moved
by one, an operator, a number, an `and` for an `or`, a sign or a `not` left out, None returned. A
mutant is killed where a test fails, crashes or does not come to an end. Tests that pass over it are
asked (`tests.bench.line_tests`), some of every test file, up to BUDGET seconds, and the samples;
so what is counted as killed is so, and more may be. What survives is
printed with its place: a change that these tests do not see, or one that nobody can see.

References: DeMillo, Lipton and Sayward (1978), mutation testing.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.line_tests import LineTests, load, run_once

ROOT = Path(__file__).parent.parent.parent
BUDGET = 60.0  # s of tests that one mutant is given, by what they took unchanged
LIMIT = 300  # s until they have not come to an end
ALWAYS = "tests/endtoend/test_samples.py"
COMPARED = {
    ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="), ast.NotEq: ("!=", "=="), ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"), ast.In: ("in", "not in"), ast.NotIn: ("not in", "in"),
}  # fmt: skip
COMPUTED = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"),
    ast.Pow: ("**", "*"), ast.BitAnd: ("&", "|"), ast.BitOr: ("|", "&"),
}  # fmt: skip
PYTEST = ["-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--hypothesis-seed=1"]


@dataclass(frozen=True)
class Mutant:
    """A change of ``file``: the bytes from ``start`` to ``end`` become ``text``."""

    file: str
    line: int
    start: int
    end: int
    was: str
    text: str


def mutants_of(path: Path) -> list[Mutant]:
    """Return every change of a module; annotations and texts stay as they are."""
    raw = path.read_bytes()
    name = str(path.relative_to(ROOT))
    return [
        Mutant(name, raw.count(b"\n", 0, start) + 1, start, end, raw[start:end].decode(), text)
        for start, end, text in _changes(ast.parse(raw), raw)
        if _is_change(raw, start, end, text)
    ]


def _is_change(raw: bytes, start: int, end: int, text: str) -> bool:
    """Say whether the text is Python still, and another one."""
    if raw[start:end].decode() == text:
        return False
    try:
        ast.parse(raw[:start] + text.encode() + raw[end:])
    except SyntaxError:  # an operator inside a comment, as a rule
        return False
    return True


def _changes(tree: ast.Module, raw: bytes) -> Iterator[tuple[int, int, str]]:
    """Give the span and the new text of every change."""
    starts = [0, *(k + 1 for k, byte in enumerate(raw) if byte == 10)]

    def span(node: ast.expr) -> tuple[int, int]:
        first = starts[node.lineno - 1] + node.col_offset
        return first, starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)

    def swapped(left: ast.expr, right: ast.expr, way: tuple[str, str]) -> tuple[int, int, str]:
        start, end = span(left)[1], span(right)[0]
        between = raw[start:end].decode()
        return start, end, between.replace(*way, 1)

    for node in _computing(tree):
        match node:
            case ast.Compare(left, [op], [right]):
                yield swapped(left, right, COMPARED[type(op)])
            case ast.BinOp(left, op, right) if type(op) in COMPUTED:
                yield swapped(left, right, COMPUTED[type(op)])
            case ast.BoolOp(op, [left, right, *_]):
                way = ("and", "or") if isinstance(op, ast.And) else ("or", "and")
                yield swapped(left, right, way)
            case ast.UnaryOp(ast.USub() | ast.Not() | ast.Invert(), operand):
                start, end = span(operand)
                yield *span(node), f"({raw[start:end].decode()})"
            case ast.Constant(int() | float() as value) if not isinstance(value, bool):
                yield *span(node), repr(value + 1)
            case ast.Return(ast.expr() as value):
                yield *span(value), "None"


def _computing(tree: ast.AST) -> Iterator[ast.AST]:
    """Give all nodes but those of annotations."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns"):
            continue
        for node in value if isinstance(value, list) else [value]:
            if isinstance(node, ast.AST):
                yield node
                yield from _computing(node)


def killed_by(mutant: Mutant, tests: LineTests) -> str:
    """Return what kills a mutant in a copy of the tree: a test, "time", "crash", "" for none."""
    path = tests.folder / mutant.file
    whole = path.read_bytes()
    asked = tests.of(mutant.file, mutant.line, BUDGET)
    path.write_bytes(whole[: mutant.start] + mutant.text.encode() + whole[mutant.end :])
    try:
        return _first_to_fail(tests, asked)
    except subprocess.TimeoutExpired:
        return "time"
    finally:
        path.write_bytes(whole)


def _first_to_fail(tests: LineTests, nodes: list[str]) -> str:
    folder, asked = tests.folder, tests.folder / "asked.txt"
    left_out = [f"--deselect={node}" for node in sorted(tests.failing)]  # of files asked whole
    asked.write_text("\n".join([*left_out, *nodes, ALWAYS]) + "\n", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, *PYTEST, f"@{asked}"],
        cwd=folder,
        capture_output=True,
        timeout=LIMIT,
        check=False,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1"},
    )
    if done.returncode < 0:
        return "crash"  # of what is compiled, as by indices beyond an array
    if done.returncode not in (0, 1, 2, 3):  # 2 and 3: it cannot even be imported
        raise RuntimeError(done.stdout.decode() + done.stderr.decode())
    if done.returncode == 0:
        return ""
    said = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", done.stdout.decode(), re.MULTILINE)
    return said[1] if said else "import"


def main() -> None:
    """Draw mutants and say what kills each."""
    options = _options()
    modules = [
        path for room in options.rooms for path in sorted((ROOT / "tieup" / room).rglob("*.py"))
    ]
    every = [mutant for path in modules for mutant in mutants_of(path)]
    drawn = random.Random(options.seed).sample(every, min(options.count, len(every)))
    killed = 0
    with TemporaryDirectory() as folder:
        tests = tests_in(options.tree or Path(folder) / "tree")
        for number, mutant in enumerate(drawn, start=1):
            by = killed_by(mutant, tests)
            killed += bool(by)
            line = json.dumps({**asdict(mutant), "killed": by})
            if options.log:
                with options.log.open("a", encoding="utf-8") as log:
                    log.write(line + "\n")
            if not by:
                print("survived", line)
            print(
                f"{number} of {len(drawn)}, killed {100 * killed / number:.1f} %", file=sys.stderr
            )
    print(f"{killed} of {len(drawn)} killed, drawn from {len(every)}")


def tests_in(copy: Path) -> LineTests:
    """Return which test runs which line in a copy of the tree, made and run if it is not there."""
    if copy.exists():
        return load(copy)
    shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", "out", ".venv"))
    return run_once(copy)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Do the tests notice a wrong program?")
    parser.add_argument("rooms", nargs="+", help="rooms of tieup, such as adjust")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path)
    parser.add_argument("--tree", type=Path, help="a copy that stays, for a later run")
    return parser.parse_args()


if __name__ == "__main__":
    main()
