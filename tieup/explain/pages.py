"""Read the pages of text that stand beside the code: tables of words, and topics, in Markdown."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

TEXTS = Path(__file__).parent / "texts"
KEYS, FINDINGS, COLUMNS, TERMS = "keys", "findings", "raw_columns", "terms"
RUN_KEYS, FINDING_KEYS, ACTIONS = "run_keys", "finding_keys", "actions"
FILES, LIST_COLUMNS = "files", "list_columns"


@cache
def rows(page: str) -> tuple[tuple[str, ...], ...]:
    """Return the cells of every table row of a page, heads left out."""
    return tuple(_rows((TEXTS / f"{page}.md").read_text(encoding="utf-8").splitlines()))


def _rows(lines: list[str]) -> Iterator[tuple[str, ...]]:
    for number, line in enumerate(lines):
        if not line.startswith("|") or set(line) <= set("|- "):
            continue
        if number + 1 < len(lines) and set(lines[number + 1]) <= set("|- ") and lines[number + 1]:
            continue  # the head of a table
        yield tuple(cell.strip() for cell in line.strip("|").split("|"))


@cache
def topics() -> dict[str, str]:
    """Return the text of every topic by its word: its title, then what it says."""
    found = sorted((TEXTS / "topics").glob("*.md"))
    return {path.stem: path.read_text(encoding="utf-8").removeprefix("# ") for path in found}


def named(cell: str) -> list[str]:
    """Return the words of a cell that stand in code quotes.

    >>> named("`level`, `tape`")
    ['level', 'tape']
    """
    return re.findall(r"`([^`]+)`", cell)
