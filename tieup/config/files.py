"""Find the files a job names; all of them stand inside the job folder."""

from __future__ import annotations

import os
from pathlib import Path, PurePosixPath

from tieup.config.yaml_nodes import YamlReading
from tieup.data import data_path
from tieup.errors import did_you_mean
from tieup.read.openable import unreadable_as

LONGEST_NAME = 255  # bytes, of most file systems
DEEPEST = 50  # folders in each other
TABLES = (".csv", ".xlsx", ".xml")  # what raw files end with


def find_raw(
    folder: Path,
    patterns: list[str | None],
    reading: YamlReading,
    *,
    needed: bool = True,
    awaited: bool = False,
) -> tuple[Path, ...]:
    """Return the raw files, each once, sorted by their path inside the folder.

    Not ``needed``, as beside level runs: there may be none where none is named. ``awaited``, as
    before the field: there may be none at all.
    """
    found: set[Path] = set()
    if not patterns and needed:
        reading.note_key("raw", "names no file. Expected patterns such as raw/*.csv")
    for number, pattern in enumerate(patterns, 1):
        if pattern is None:  # no text: refused already
            continue
        key = f"raw {number}" if f"raw {number}" in reading.lines else "raw"
        if wrong := _no_name(pattern):
            reading.note_key(key, f'is "{pattern}", {wrong}')
            continue
        try:
            met = sorted(folder.glob(pattern))
        except ValueError as error:
            reading.note_key(key, f'is "{pattern}", which is no pattern ({error})')
            continue
        matches = [path for path in met if not unreadable_as(path)]
        passed = [path for path in met if path.is_dir() and path.suffix.lower() not in TABLES]
        for path in (path for path in met if path not in matches and path not in passed):
            _note_no_file(path, folder, key, reading)
        if met == passed and not awaited and (needed or "raw" in reading.lines):
            cure = ", only a folder. Name the files in it, as in raw/*.csv" if passed else ""
            if shut := _shut(folder, pattern):
                cure = f". {shut} cannot be looked into. Change its rights"
            reading.note_key(key, f'is "{pattern}", and no file matches it{cure}')
        found.update(path for path in matches if _inside(path, folder, key, reading))
    return tuple(sorted(found, key=lambda path: path.relative_to(folder).as_posix()))


def _shut(folder: Path, pattern: str) -> str:
    """Return the folder on the way of a pattern that may not be read; empty for none."""
    parts = PurePosixPath(pattern).parts
    for count in range(1, len(parts)):
        below = folder.joinpath(*parts[:count])
        if below.is_dir() and not os.access(below, os.R_OK | os.X_OK):
            return "/".join(parts[:count])
    return ""


def _note_no_file(path: Path, folder: Path, key: str, reading: YamlReading) -> None:
    """Note what is called like a raw file and cannot be read as one."""
    name = path.relative_to(folder).as_posix()
    told = f"finds {name}, which is {unreadable_as(path)}. Put the file there, or take it away"
    reading.note_key(key, told)


def find_file(folder: Path, name: str | None, key: str, reading: YamlReading) -> Path | None:
    """Return the path of one named file, None where none is named."""
    if not name:
        return None
    if wrong := _no_name(name):
        reading.note_key(key, f'is "{name}", {wrong}')
        return None
    path = folder / name
    if what := unreadable_as(path):
        reading.note_key(key, f'is "{name}", which is {what}. Put the file there')
    elif not path.is_file():
        reading.note_key(key, f'is "{name}", and there is no such file')
    elif _inside(path, folder, key, reading):
        return path
    return None


def rule_sets(kind: str) -> dict[str, Path]:
    """Return the rule sets that ship with the package, by name: of ``rules`` or of ``audit``."""
    return {path.stem: path for path in sorted((data_path("configs") / kind).glob("*.yaml"))}


def find_audit_rules(folder: Path, name: str, reading: YamlReading) -> Path | None:
    """Return the rules for raw rows: a set that ships, or a file of the job's own."""
    return _find_rules(folder, name, "audit", rule_sets("audit"), reading)


def find_rules(
    folder: Path, tolerances: str, names: list[str | None], reading: YamlReading
) -> tuple[Path, ...]:
    """Return the rule sets that a job is held to, each once.

    First the one that ships under the name of its tolerances, then those that it names.
    """
    sets = rule_sets("rules")
    found = [sets[tolerances]] if tolerances in sets else []
    for number, name in enumerate(names, 1):
        if name is None:  # no text: refused already
            continue
        key = f"rules {number}" if f"rules {number}" in reading.lines else "rules"
        path = _find_rules(folder, name, key, sets, reading)
        found += [path] if path and path not in found else []
    return tuple(found)


def _find_rules(
    folder: Path, name: str, key: str, sets: dict[str, Path], reading: YamlReading
) -> Path | None:
    if name in sets:
        return sets[name]
    if name.endswith(".yaml"):
        return find_file(folder, name, key, reading)
    known = f"Expected {', '.join(sets)}, or a file of rules in the job folder (.yaml)"
    hint = did_you_mean(name, sets.keys())
    reading.note_key(key, f'is "{name}". {known}. {hint}'.rstrip(". "))
    return None


def _no_name(name: str) -> str:
    """Say why a text can be no name of a file inside the job folder; empty where it can."""
    path = PurePosixPath(name)
    if not path.parts:
        return "which is no name of a file. Name one inside the job folder, as in raw/s1.csv"
    if path.is_absolute() or ".." in path.parts:
        return "outside the job folder. Copy what it names into it"
    longest = max(len(part.encode("utf-8", "replace")) for part in path.parts)
    if longest > LONGEST_NAME or len(path.parts) > DEEPEST:
        return "longer than a name of a file can be"
    return ""


def _inside(path: Path, folder: Path, key: str, reading: YamlReading) -> bool:
    """Refuse a link that leads out of the folder."""
    if path.resolve().is_relative_to(folder):
        return True
    name = path.relative_to(folder).as_posix()
    reading.note_key(key, f"finds {name}, a link out of the job folder. Copy the file into it")
    return False
