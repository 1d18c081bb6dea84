"""The house keeps its shape: imports run one way, the numerics touch nothing, code stays small."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

PACKAGE = Path(__file__).parent.parent / "tieup"
MODULES = sorted(PACKAGE.rglob("*.py"))
LEVELS = (  # a room imports from the levels above it and from itself
    {"", "errors", "units", "sentences", "data", "threads"},
    {"geometry", "lengths"},
    {"model"},
    {"read", "reduce", "linework", "network", "adjust", "write"},
    {"diagnose", "ties"},
    {"audit", "derive", "preanalysis"},
    {"surface"},
    {"results"},
    {"config"},
    {"judging", "surfacing"},
    {"pipeline"},
    {"planning"},
    {"library", "explain"},
    {"archive"},
    {"cli"},
)
INNER = {  # rooms of a room: each imports from those before it and from itself
    "diagnose": (
        "basis",
        "evidence",
        "kinds",
        "names",
        "first_solution",
        "gross",
        "search",
        "proof",
        "decisions",
        "row_checks",
    ),
}
LEVEL = {room: number for number, rooms in enumerate(LEVELS) for room in rooms}
ALLOWED = {  # outside library -> the rooms that may use it
    "click": {"cli"},
    "pandas": {"read", "write", "pipeline", "library"},
    "networkx": {"network"},
    "yaml": {"config"},
    "distributed": {"archive"},
    "pyarrow": {"archive"},
}
NUMERIC = {
    "geometry",
    "model",
    "lengths",
    "reduce",
    "linework",
    "network",
    "adjust",
    "diagnose",
    "ties",
    "derive",
    "preanalysis",
    "surface",
    "results",
}
MODULE, FUNCTION, MOST = 400, 60, 32  # lines
PLACES = (PACKAGE, PACKAGE.parent, PACKAGE / "diagnose")
TOUCHING = {"open", "print", "input", "os", "sys", "time", "datetime", "subprocess", "environ"}


def room_of(path: Path) -> str:
    """Return the first part of a module's name below the package, empty for the package."""
    name = path.relative_to(PACKAGE).with_suffix("").parts[0]
    return "" if name == "__init__" else name


@cache
def tree_of(path: Path) -> ast.Module:
    """Return the syntax tree of a module."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(tree: ast.AST) -> list[tuple[str, ast.stmt]]:
    """Return every imported module, "tieup.room.module" or an outside one, with its node."""
    found: list[tuple[str, ast.stmt]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, node) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            names = [f"tieup.{alias.name}" for alias in node.names]
            found += [
                (name, node) for name in (names if node.module == "tieup" else [str(node.module)])
            ]
    return found


def functions(path: Path) -> dict[str, int]:
    """Return the code lines of every function: no docstring, blank line or comment."""
    lines, sizes = path.read_text(encoding="utf-8").splitlines(), {}
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            documented = ast.get_docstring(node) is not None and len(node.body) > 1
            source = lines[node.body[documented].lineno - 1 : node.end_lineno]
            code = [line for line in map(str.strip, source) if line and not line.startswith("#")]
            sizes[f"{node.name}:{node.lineno}"] = len(code)
    return sizes


each_module = pytest.mark.parametrize(
    "path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix()
)


@each_module
def test_imports_run_downwards_and_rooms_of_one_level_stay_apart(path: Path) -> None:
    """A module imports from its own room and from lower levels; the package face is lazy."""
    room = room_of(path)
    for name, _ in imports(tree_of(path)):
        if name.split(".")[0] == "tieup" and room:
            other = [*name.split("."), ""][1].replace("__version__", "")
            assert other == room or LEVEL[other] < LEVEL[room], f"{room} imports {name}"


@each_module
def test_the_rooms_of_a_room_stand_in_order(path: Path) -> None:
    """Inside diagnose a module imports from its own inner room and from those before it."""
    room, *inner = path.relative_to(PACKAGE).with_suffix("").parts
    if room not in INNER or inner == ["__init__"]:
        return
    order = INNER[room]
    assert len(inner) == 2, "it stands in an inner room"
    for name, _ in imports(tree_of(path)):
        parts = [*name.split("."), "", ""]
        if parts[:2] == ["tieup", room]:
            assert order.index(parts[2]) <= order.index(inner[0]), f"{inner[0]} imports {name}"


@each_module
def test_outside_libraries_stay_in_their_rooms(path: Path) -> None:
    """click, pandas, networkx and yaml each have their place; scipy.stats has none."""
    for name, node in imports(tree_of(path)):
        outside = name.split(".")[0]
        assert room_of(path) in ALLOWED.get(outside, {room_of(path)}), f"{path} imports {name}"
        names = [f"{name}.{alias.name}" for alias in getattr(node, "names", [])]
        assert not any(full.startswith("scipy.stats") for full in [name, *names])
        assert outside != "pandas" or node not in tree_of(path).body, "pandas loads slowly: lazily"


@each_module
def test_the_numerics_touch_neither_files_nor_clock_nor_state(path: Path) -> None:
    """Arrays in, arrays out: no open, print, clock, environment, global."""
    if room_of(path) not in NUMERIC:
        return
    tree = tree_of(path)
    for statement in tree.body:
        for target in getattr(statement, "targets", []):
            name = getattr(target, "id", "")
            assert name.startswith("__") or not name.islower(), "a variable of a module is state"
    for node in ast.walk(tree):
        assert not isinstance(node, ast.Global)
        called = node.func if isinstance(node, ast.Call) else None
        assert getattr(called, "id", "") not in TOUCHING
        assert getattr(called, "attr", "") not in {"read_text", "write_text", "open"}
    assert not TOUCHING & {name.split(".")[0] for name, _ in imports(tree)}


@each_module
def test_modules_and_functions_keep_their_budgets(path: Path) -> None:
    """A module has at most so many lines, a function so many lines of code."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MODULE
    assert not {name: size for name, size in functions(path).items() if size > FUNCTION}


def test_nine_functions_in_ten_are_short() -> None:
    """Most functions are far below the limit."""
    sizes = [size for path in MODULES for size in functions(path).values()]
    assert np.percentile(sizes, 90) <= MOST


def test_what_developers_are_told_is_what_is_held() -> None:
    """The budgets in DEVELOPERS.md are these, and every module that it names is there."""
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = f"(module {MODULE} lines, function {FUNCTION} lines of code, nine in ten within {MOST})"
    assert told in " ".join(text.split())
    named = re.findall(r"`((?:[a-z_]+/)+[a-z_]+\.(?:py|md|html))`", text)
    assert len(named) > 60
    gone = [name for name in named if not any((r / name).exists() for r in PLACES)]
    assert not gone


def test_every_room_has_a_level() -> None:
    """A new room must say where it stands."""
    assert {room_of(path) for path in MODULES} <= set(LEVEL)
