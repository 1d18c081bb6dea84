"""The keys of findings.json and run.json, and what a run may have done about a finding."""

from __future__ import annotations

from collections.abc import Iterator

from tieup.explain.entry import Entry, facts_of, unit_words
from tieup.explain.pages import ACTIONS, FINDING_KEYS, RUN_KEYS, named, rows
from tieup.write.archive_columns import FINDING_COLUMNS, FINDINGS_FILE
from tieup.write.dictionary import meaning, unit_of
from tieup.write.folder import RUN_FILE

FINDINGS_DOCUMENT = "findings.json"
OWN_COLUMNS = ("job",)  # of findings.parquet alone


def document_entries() -> Iterator[Entry]:
    """Yield every key of both documents, those inside of others by their path, and every action."""
    for key in finding_keys():
        unit = unit_of(FINDINGS_FILE, key, FINDING_COLUMNS, "", "")
        says = meaning(FINDINGS_FILE, key)
        yield Entry(key, f"key of {FINDINGS_DOCUMENT}", says, facts_of(unit=unit))
    yield from _keys(FINDING_KEYS, FINDINGS_DOCUMENT)
    yield from _keys(RUN_KEYS, RUN_FILE)
    for cell, says in rows(ACTIONS):
        for word in named(cell):
            yield Entry(word, "action of a finding", says)


def finding_keys() -> tuple[str, ...]:
    """Return the keys of a finding in findings.json."""
    return tuple(key for key in FINDING_COLUMNS if key not in OWN_COLUMNS)


def run_keys() -> tuple[str, ...]:
    """Return the keys of run.json that stand at its left edge."""
    told = (key for cell, *_ in rows(RUN_KEYS) for key in named(cell))
    return tuple(key for key in told if "." not in key)


def _keys(page: str, document: str) -> Iterator[Entry]:
    for cell, unit, says in rows(page):
        for key in named(cell):
            yield Entry(key, f"key of {document}", says, facts_of(unit=unit_words(unit)))
