"""What the pages list is what the code has: keys with defaults and units, columns, findings."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tieup.config.value_kinds import Number
from tieup.config.value_shapes import Section
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.explain.pages import (
    ACTIONS,
    COLUMNS,
    FILES,
    FINDING_KEYS,
    FINDINGS,
    KEYS,
    LIST_COLUMNS,
    RUN_KEYS,
    TERMS,
    named,
    rows,
)
from tieup.explain.schema_keys import default_words, schema_keys
from tieup.model.finding_kinds import FINDING_KINDS
from tieup.read.raw_columns import COLUMNS as RAW_COLUMNS

FORMAT_KEYS = ("delimiter", "skip_rows", "decimal", "encoding", "header", "sheet")
ROOT = Path(__file__).parents[2]
# A default that depends on the job's folder or units is told in words.
TOLD = {"control", "datum", "columns.*.unit", *(f"control.{key}" for key in FORMAT_KEYS)}


def test_every_key_of_the_schema_is_documented_and_no_other() -> None:
    """The page names each key of the schema once, and nothing that the schema has not."""
    told = [key for row in rows(KEYS) for key in named(row[0])]
    assert sorted(told) == sorted(set(told))
    assert set(told) == set(schema_keys())


def test_the_defaults_are_those_of_the_schema() -> None:
    """Column "default" of the page against the schema, for every key with a plain value."""
    checked = 0
    for row in rows(KEYS):
        assert len(row) == 4, row
        for key in named(row[0]):
            expected = default_words(schema_keys()[key])
            if key not in TOLD and expected is not None:
                assert row[2] == expected, key
                checked += 1
    assert checked > 60


def test_every_unit_of_the_schema_is_in_the_page() -> None:
    """A number that the schema gives a unit has one on the page, in the same words or J."""
    words = {"the job's length unit": "J", "degrees C": "°C"}
    for row in rows(KEYS):
        for key in named(row[0]):
            unit = getattr(schema_keys()[key], "unit", "")
            if unit:
                short = next((word for name, word in words.items() if name in unit), unit)
                assert row[1] and row[1].split(",")[0] in short, (key, unit)


def test_every_raw_column_is_listed() -> None:
    """The page of raw columns has what the reader knows, and nothing else."""
    assert {column for row in rows(COLUMNS) for column in named(row[0])} == set(RAW_COLUMNS)


def test_every_kind_of_finding_is_listed_and_no_other() -> None:
    """The table of findings has every kind that the code makes, and none that it has not."""
    told = [kind for row in rows(FINDINGS) for kind in named(row[0])]
    assert sorted(told) == sorted(set(told))
    assert set(told) == set(KINDS) | {kind.name for kind in FINDING_KINDS}


@pytest.mark.parametrize("path", sorted((ROOT / "tieup").rglob("*.py")), ids=lambda path: path.name)
def test_findings_and_mistakes_are_made_in_one_place(path: Path) -> None:
    """No module but these calls the classes: elsewhere a kind makes them."""
    maker = {"Finding": "finding_kinds.py", "Mistake": "kind.py"}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and (name := getattr(node.func, "id", "")) in maker:
            assert path.name == maker[name] or "write" in path.parts, f"{path}:{node.lineno}"


@pytest.mark.parametrize(
    "page", [KEYS, FINDINGS, COLUMNS, RUN_KEYS, FINDING_KEYS, ACTIONS, FILES, LIST_COLUMNS]
)
def test_every_row_says_something(page: str) -> None:
    """No row without a meaning, and none that leads on to a row below it."""
    assert all(len(row[-1]) > 3 for row in rows(page))
    assert not [row for row in rows(page) if row[-1].endswith((":", ";", " or", " and"))]


def test_a_section_of_one_unit_tells_it() -> None:
    """`heights` is in mm as what stands in it is; so is any section of one unit alone."""
    checked = 0
    for row in rows(KEYS):
        for key in named(row[0]):
            kind = schema_keys()[key]
            if isinstance(kind, Section) and all(isinstance(k, Number) for k in kind.keys.values()):
                units = {getattr(child, "unit", "").split(",")[0] for child in kind.keys.values()}
                assert len(units) > 1 or {row[1]} == units, key
                checked += len(units) == 1
    assert checked > 1


def test_every_term_says_something_and_stands_once() -> None:
    """No term twice, none without a meaning."""
    told = [term for row in rows(TERMS) for term in named(row[0])]
    assert sorted(told) == sorted(set(told)) and len(told) > 40
    assert all(len(row) == 3 and len(row[1]) > 10 for row in rows(TERMS))
