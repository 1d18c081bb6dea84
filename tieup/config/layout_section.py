"""Check what job.yaml says of how its raw tables are written."""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Mapping
from typing import Any

from tieup.config.yaml_nodes import YamlReading
from tieup.read.form import KEYS as FORM_KEYS
from tieup.read.raw_columns import OBSERVED, REQUIRED

KEYS = ("columns", "words", *FORM_KEYS)
_NO_TEXTS = ("idna", "punycode", "undefined", "unicode-escape", "raw-unicode-escape", "utf-7")
_WORDS = {"\t": "tab", " ": "whitespace"}


def read_layout(values: dict[str, Any], reading: YamlReading) -> dict[str, Any]:
    """Return the table settings of a job for `Job.table`; note what does not fit together."""
    table = {key: values[key] for key in KEYS}
    table |= check_form(table, reading)
    table["columns"] = _sources(table["columns"])
    table["row_kind"] = _row_kind(values["row_kind"])
    for section, problems in (("columns", _column_problems), ("row_kind", _kind_problems)):
        if reading.sound(section):
            for key, problem in problems(table):
                reading.note_key(key, problem)
    return table


def check_form(table: Mapping[str, Any], reading: YamlReading, above: str = "") -> dict[str, Any]:
    """Return the delimiter as the readers take it; note what does not fit together.

    ``above`` is what stands before a key in messages, as in ``control.``.
    """
    delimiter = table.get("delimiter", ",")
    delimiter = _WORDS.get(delimiter, delimiter)
    if not _is_delimiter(delimiter):
        told = f'is "{delimiter}". Expected one character, tab or whitespace'
        reading.note_key(f"{above}delimiter", told)
    if delimiter == table.get("decimal", "."):
        told = "is the delimiter as well. State another delimiter"
        reading.note_key(f"{above}decimal", told)
    encoding = table.get("encoding", "utf-8")
    if not _is_text_encoding(encoding):
        told = f'is "{encoding}", which is not known. Expected utf-8, utf-16, cp1252 or the like'
        reading.note_key(f"{above}encoding", told)
    return {"delimiter": delimiter}


def _sources(columns: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {
        name: source if isinstance(source, dict) else {"column": source}
        for name, source in columns.items()
        if source is not None
    }


def _row_kind(stated: dict[str, Any]) -> dict[str, Any]:
    if not stated:
        return {}
    sets = {kind: _sources(columns) for kind, columns in stated.get("sets", {}).items()}
    return {**stated, "sets": sets}


def _is_delimiter(text: str) -> bool:
    return text in ("tab", "whitespace") or (
        len(text) == 1 and not text.isalnum() and text not in "\"'#.+-"
    )


def _is_text_encoding(name: str) -> bool:
    """Say whether text can be in an encoding: not in one of names, escapes or bytes."""
    try:
        "".encode(name)  # refuses codecs that turn bytes into bytes
        known = codecs.lookup(name).name
    except (LookupError, ValueError, UnicodeError):
        return False
    return known not in _NO_TEXTS


def _column_problems(table: dict[str, Any]) -> Iterator[tuple[str, str]]:
    columns = table["columns"]
    yield from check_columns("columns", columns, table["header"])
    if not columns:
        if not table["header"]:
            yield "header", "is false. Expected columns: with the position of each"
        return
    carried = {name for taken in table["row_kind"].get("sets", {}).values() for name in taken}
    for name in REQUIRED:
        if name not in columns and name not in carried:
            yield "columns", f"has no {name}"
    if not any(name in columns for name in OBSERVED):
        yield "columns", f"has no observation. Expected one or more of {', '.join(OBSERVED)}"


def check_columns(
    section: str, columns: dict[str, dict[str, Any]], header: bool
) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with a mapping of columns: the key, and the problem in words."""
    for name, source in columns.items():
        given = ["column" in source, "value" in source, bool(source.get("file_name"))]
        if sum(given) != 1:
            yield f"{section}.{name}", "needs either column or value"
        elif not header and isinstance(source.get("column"), str):
            yield f"{section}.{name}", "names a column, and header is false. State its position"


def _kind_problems(table: dict[str, Any]) -> Iterator[tuple[str, str]]:
    stated = table["row_kind"]
    if not stated:
        return
    if not table["header"] and isinstance(stated["column"], str):
        yield "row_kind.column", "names a column, and header is false. State its position"
    if not stated["shots"]:
        yield "row_kind.shots", "names no kind of row. Expected one or more, as in [SHOT]"
    units: dict[str, str] = {}
    for name, source in table["columns"].items():
        units[name] = source.get("unit", "")
    for kind, columns in stated["sets"].items():
        section = f"row_kind.sets.{kind}"
        yield from check_columns(section, columns, table["header"])
        if kind in stated["shots"]:
            yield section, "is among the shots as well"
        for name, source in columns.items():
            if units.setdefault(name, source.get("unit", "")) != source.get("unit", ""):
                yield f"{section}.{name}", "is in another unit than elsewhere. State it alike"
