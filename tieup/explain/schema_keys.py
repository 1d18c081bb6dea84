"""Every key of job.yaml by its path, with its default in words, as the schema has them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache

from tieup.config.schema import SCHEMA
from tieup.config.value_kinds import Choice, Count, Flag, Number, TextValue, ValueKind
from tieup.config.value_shapes import Either, ListOf, Named, NumberList, Section

# Sections whose keys are raw columns, which have a page of their own: by a star, or not at all.
BY_COLUMN = {"columns": True, "control.columns": False, "row_kind.sets.*": False}


@cache
def schema_keys() -> Mapping[str, ValueKind]:
    """Return every key by its path, ``*`` for a name of the job's own or a raw column."""
    return dict(_below(SCHEMA, ""))


def _below(kind: ValueKind, path: str) -> Iterator[tuple[str, ValueKind]]:
    if isinstance(kind, Either):
        yield from _below(kind.long, path)
    elif isinstance(kind, ListOf):
        yield from _below(kind.kind, path)
    elif isinstance(kind, Named):
        yield from _below(kind.section, f"{path}.*")
    elif isinstance(kind, Section) and path in BY_COLUMN:
        for column in kind.keys.values() if BY_COLUMN[path] else ():
            yield from _below(column, f"{path}.*")
    elif isinstance(kind, Section):
        for name, child in kind.keys.items():
            place = f"{path}.{name}" if path else name
            yield place, child
            yield from _below(child, place)


def default_words(kind: ValueKind) -> str | None:
    """Return a default as a page writes it, a dash for none; None where it is no single value."""
    if isinstance(kind, NumberList):
        return f"[{', '.join(f'{value:g}' for value in kind.default)}]"
    if isinstance(kind, Either):
        return default_words(kind.short)
    if isinstance(kind, Flag):
        return str(kind.default).lower()
    if isinstance(kind, Number | Count | TextValue | Choice):
        if kind.default is None:
            return "-"
        return kind.default if isinstance(kind.default, str) else f"{kind.default:g}"
    if isinstance(kind, ListOf):
        return ", ".join(kind.default) or "-"
    return None
