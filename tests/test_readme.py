"""What the README lists is what the code has: keys of job.yaml with their defaults, findings."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tieup.config.kinds import Choice, Count, Flag, Kind, Number, Text
from tieup.config.schema import SCHEMA
from tieup.config.shapes import Either, ListOf, Named, Numbers, Section
from tieup.diagnose.axischecks import KIND as AXIS_KINDS
from tieup.diagnose.whole_words import WHOLE_WORDS
from tieup.diagnose.words import WORDS
from tieup.model.link_kinds import LINK_KINDS
from tieup.read.columns import COLUMNS, CONTROL_NUMBERS

FORMAT_KEYS = ("delimiter", "skip_rows", "decimal", "encoding", "header", "sheet")
ROOT = Path(__file__).parent.parent
KEYS, FINDINGS = "## job.yaml, every key", "## Findings, every kind"
# A default that depends on the job's folder or units is told in words.
TOLD = {"control", "datum", "columns.*.unit", *(f"control.{key}" for key in FORMAT_KEYS)}
ROOMS = ("diagnose", "derive", "results", "ties")


def section(title: str) -> str:
    """Return the text under a heading of the README."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text.count(f"\n{title}\n") == 1
    return text.split(f"\n{title}\n")[1].split("\n## ")[0]


def rows(title: str) -> list[list[str]]:
    """Return the cells of the rows of the table in a section, without its head."""
    lines = [line for line in section(title).splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def named(cell: str) -> list[str]:
    """Return the words of a cell that stand in code quotes."""
    return re.findall(r"`([^`]+)`", cell)


def keys_below(kind: Kind, path: str) -> Iterator[tuple[str, Kind]]:
    """Yield every key below one with its kind; ``*`` for a free name or any raw column."""
    if isinstance(kind, Either):
        yield from keys_below(kind.long, path)
    elif isinstance(kind, ListOf):
        yield from keys_below(kind.kind, path)
    elif isinstance(kind, Named):
        yield from keys_below(kind.section, f"{path}.*")
    elif isinstance(kind, Section) and path.startswith("row_kind.sets"):
        assert set(kind.keys) <= set(COLUMNS)  # in the form of columns, which are listed
    elif isinstance(kind, Section) and path == "control.columns":
        assert set(kind.keys) == {"point", "note", *CONTROL_NUMBERS}  # the same
    elif isinstance(kind, Section) and path == "columns":
        assert set(kind.keys) == set(COLUMNS)
        for column in kind.keys.values():
            yield from keys_below(column, "columns.*")
    elif isinstance(kind, Section):
        for name, child in kind.keys.items():
            place = f"{path}.{name}" if path else name
            yield place, child
            yield from keys_below(child, place)


@cache
def schema() -> dict[str, Kind]:
    """Return every key of job.yaml by its path."""
    return dict(keys_below(SCHEMA, ""))


def default_words(kind: Kind) -> str | None:
    """Return how the README writes a default; None where it is not a single value."""
    if isinstance(kind, Numbers):
        return f"[{', '.join(f'{value:g}' for value in kind.default)}]"
    if isinstance(kind, Either):
        return default_words(kind.short)
    if isinstance(kind, Flag):
        return str(kind.default).lower()
    if isinstance(kind, Number | Count | Text | Choice):
        if kind.default is None:
            return "-"
        return kind.default if isinstance(kind.default, str) else f"{kind.default:g}"
    if isinstance(kind, ListOf):
        return ", ".join(kind.default) or "-"
    return None


def test_every_key_of_the_schema_is_documented_and_no_other() -> None:
    """The table names each key of the schema once, and nothing that the schema has not."""
    told = [key for row in rows(KEYS) for key in named(row[0])]
    assert sorted(told) == sorted(set(told))
    assert set(told) == set(schema())


def test_the_defaults_are_those_of_the_schema() -> None:
    """Column "default" of the table against the schema, for every key with a plain value."""
    checked = 0
    for row in rows(KEYS):
        assert len(row) == 4, row
        for key in named(row[0]):
            expected = default_words(schema()[key])
            if key not in TOLD and expected is not None:
                assert row[2] == expected, key
                checked += 1
    assert checked > 60


def test_every_unit_of_the_schema_is_in_the_table() -> None:
    """A number that the schema gives a unit has one in the table, in the same words or J."""
    words = {"the job's length unit": "J", "degrees C": "°C"}
    for row in rows(KEYS):
        for key in named(row[0]):
            unit = getattr(schema()[key], "unit", "")
            if unit:
                short = next((word for name, word in words.items() if name in unit), unit)
                assert row[1] and row[1].split(",")[0] in short, (key, unit)


def test_every_raw_column_is_listed() -> None:
    """The paragraph below the table names every column of raw tables."""
    paragraph = section(KEYS).split("Columns of raw tables:")[1]
    assert set(COLUMNS) <= set(named(paragraph))


def literal_kinds() -> set[str]:
    """Return the kinds of findings and mistakes that the code spells out."""
    found = set(WORDS) | set(WHOLE_WORDS) | set(AXIS_KINDS)
    for room in ROOMS:
        for path in (ROOT / "tieup" / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and getattr(node.func, "id", "") in (
                    "Finding",
                    "Mistake",
                ):
                    given = [keyword.value for keyword in node.keywords if keyword.arg == "kind"]
                    found |= {
                        str(value.value)
                        for value in (*given, *node.args[:1])
                        if isinstance(value, ast.Constant)
                    }
    return found


def texts_of_the_code() -> set[str]:
    """Return every text constant of the rooms that make findings."""
    return {
        node.value
        for room in ROOMS
        for path in (ROOT / "tieup" / room).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def test_every_kind_of_finding_is_listed_and_no_other() -> None:
    """The table of findings has every kind that the code makes, and none that it has not."""
    told = [kind for row in rows(FINDINGS) for kind in named(row[0])]
    assert sorted(told) == sorted(set(told))
    assert literal_kinds() <= set(told)
    assert set(told) <= texts_of_the_code() | set(AXIS_KINDS) | set(LINK_KINDS)


@pytest.mark.parametrize("title", [KEYS, FINDINGS])
def test_every_row_says_something(title: str) -> None:
    """No row without a meaning."""
    assert all(len(row[-1]) > 3 for row in rows(title))
