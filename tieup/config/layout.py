"""Check what job.yaml says of how its raw tables are written."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from typing import Any

from tieup.config.nodes import Reading
from tieup.read.columns import OBSERVED, REQUIRED

KEYS = ("columns", "delimiter", "skip_rows", "decimal", "encoding", "header")
_WORDS = {"\t": "tab", " ": "whitespace"}


def read_layout(values: dict[str, Any], reading: Reading) -> dict[str, Any]:
    """Return the table settings of a job for `Job.table`; note what does not fit together."""
    table = {key: values[key] for key in KEYS}
    table["delimiter"] = _WORDS.get(table["delimiter"], table["delimiter"])
    table["columns"] = {
        name: source if isinstance(source, dict) else {"column": source}
        for name, source in table["columns"].items()
        if source is not None
    }
    if not _is_delimiter(table["delimiter"]):
        found = f'is "{table["delimiter"]}"'
        reading.note_key("delimiter", f"{found}. Expected one character, tab or whitespace")
    if table["delimiter"] == table["decimal"]:
        reading.note_key("decimal", "is the delimiter as well. State another delimiter")
    if not _is_text_encoding(table["encoding"]):
        found = f'is "{table["encoding"]}", which is not known'
        reading.note_key("encoding", f"{found}. Expected utf-8, utf-16, cp1252 or the like")
    if reading.sound("columns"):
        for key, problem in _column_problems(table):
            reading.note_key(key, problem)
    return table


def _is_delimiter(text: str) -> bool:
    return text in ("tab", "whitespace") or (
        len(text) == 1 and not text.isalnum() and text not in "\"'#.+-"
    )


def _is_text_encoding(name: str) -> bool:
    try:
        "".encode(name)  # refuses codecs that turn bytes into bytes
        codecs.lookup(name)
    except LookupError:
        return False
    return True


def _column_problems(table: dict[str, Any]) -> Iterator[tuple[str, str]]:
    columns = table["columns"]
    for name, source in columns.items():
        if ("column" in source) == ("value" in source):
            yield f"columns.{name}", "needs either column or value"
        elif not table["header"] and isinstance(source.get("column"), str):
            yield f"columns.{name}", "names a column, and header is false. State its position"
    if not columns:
        if not table["header"]:
            yield "header", "is false. Expected columns: with the position of each"
        return
    for name in REQUIRED:
        if name not in columns:
            yield "columns", f"has no {name}"
    if not any(name in columns for name in OBSERVED):
        yield "columns", f"has no observation. Expected one or more of {', '.join(OBSERVED)}"
