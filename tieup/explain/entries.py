"""Everything that can be explained, out of what the code itself says: one entry for each sense."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from tieup.explain.document_entries import document_entries
from tieup.explain.entry import JOB_UNITS, Entry, facts_of, unit_words
from tieup.explain.file_entries import file_entries, written_columns
from tieup.explain.pages import COLUMNS, FINDINGS, KEYS, TERMS, named, rows, topics
from tieup.explain.schema_keys import default_words, schema_keys
from tieup.explain.shipped_entries import shipped_entries
from tieup.write.dictionary import meaning, unit_of
from tieup.write.reference import tables


@cache
def entries() -> tuple[Entry, ...]:
    """Return every sense of every word but the commands, in the order in which a page has them."""
    return (
        *_keys(),
        *file_entries(),
        *_raw_columns(),
        *document_entries(),
        *_columns(),
        *_findings(),
        *shipped_entries(),
        *_terms(),
        *_topics(),
    )


def _topics() -> Iterator[Entry]:
    yield from (Entry(word, "topic", says) for word, says in topics().items())


def _keys() -> Iterator[Entry]:
    schema = schema_keys()
    for cell, unit, default, says in rows(KEYS):
        for key in named(cell):
            own = default_words(schema[key]) if key in schema else None
            shown = default or own or ""
            facts = facts_of(unit=unit_words(unit), default="" if shown == "-" else shown)
            yield Entry(key, "key of job.yaml", says, facts)


def _raw_columns() -> Iterator[Entry]:
    for cell, unit, says in rows(COLUMNS):
        for column in named(cell):
            yield Entry(column, "column of raw tables", says, facts_of(unit=unit_words(unit)))


def _columns() -> Iterator[Entry]:
    for file, kinds in tables().items():
        for column in written_columns()[file]:
            unit = unit_of(file, column, kinds, JOB_UNITS["A"], JOB_UNITS["J"])
            yield Entry(column, f"column of {file}", meaning(file, column), facts_of(unit=unit))


def _findings() -> Iterator[Entry]:
    for cell, says in rows(FINDINGS):
        for kind in named(cell):
            yield Entry(kind, "finding", says)


def _terms() -> Iterator[Entry]:
    for cell, says, source in rows(TERMS):
        for term in named(cell):
            yield Entry(term, "term", says, facts_of(source=source))
