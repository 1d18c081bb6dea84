"""Every file that is read or written, its columns, and the columns of lists, against the code."""

from __future__ import annotations

import re

from tests.endtoend.jobs import ROOT
from tieup.config.grade_sets import grade_sets, read_grade_set
from tieup.config.tolerances_section import read_class, tolerance_classes
from tieup.explain.entries import entries
from tieup.explain.file_entries import RAW_TABLES, list_file, written_columns
from tieup.explain.pages import FILES, LIST_COLUMNS, named, rows
from tieup.explain.search import senses
from tieup.model.fieldbook import ROLES
from tieup.model.finding import SEVERITIES
from tieup.model.geometry_words import GEOMETRY_WORDS
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.point_words import CHECKED, DISPUTED, HELD, UNCHECKED
from tieup.model.reconciliation import FATES
from tieup.model.rules import STATES
from tieup.read.list_columns import LISTS
from tieup.write.audit_files import RECORD as AUDIT_RECORD
from tieup.write.exchange.formats import FORMATS
from tieup.write.folder import RUN_FILE, WRITERS
from tieup.write.plan_files import RECORD as PLAN_RECORD
from tieup.write.reference import tables

WRITTEN_NOTHING_ELSE = {"job.yaml", RAW_TABLES, "raw table", "explained.html"}
HEADING = re.compile(r'"([A-Z]{2,}(?: [A-Z]{2,})?)(?:, [^"]*)?"')


def test_every_file_is_told_and_no_other() -> None:
    """Inputs and outputs; each with what it is, who writes it and who reads it."""
    told = [name for row in rows(FILES) for name in named(row[0])]
    assert len(told) == len(set(told))
    written = {*WRITERS, *tables(), *written_columns(), RUN_FILE, PLAN_RECORD, AUDIT_RECORD}
    written |= {name for name, _ in FORMATS.values()} | {list_file(key) for key in LISTS}
    assert set(told) == written | WRITTEN_NOTHING_ELSE
    for entry in entries():
        if entry.sort == "file":
            facts = dict(entry.facts)
            assert entry.says and facts["written by"] and facts["read by"], entry.word


def test_a_table_says_its_columns_as_the_code_has_them() -> None:
    """In its entry, whatever the texts say; a list says too what it may have."""
    facts = {entry.word: dict(entry.facts) for entry in entries() if entry.sort == "file"}
    for file, columns in written_columns().items():
        if file not in map(list_file, LISTS):
            assert facts[file]["columns"].split(", ") == list(columns), file
    for key, head in LISTS.items():
        assert facts[list_file(key)]["columns"].split(", ") == list(head.needed)
        assert facts[list_file(key)]["it may have"].split(", ") == list(head.possible)


def test_every_column_of_a_list_is_told_and_no_other() -> None:
    """The page of lists against what the readers take."""
    told = [(key, column) for key, cell, *_ in rows(LIST_COLUMNS) for column in named(cell)]
    assert len(told) == len(set(told))
    known = {(key, name) for key, own in LISTS.items() for name in (*own.needed, *own.possible)}
    assert set(told) == known


def test_the_words_of_the_model_have_a_sense() -> None:
    """Roles, proofs, geometries, severities, fates, states of rules, kinds of links."""
    words = {*ROLES, *SEVERITIES, *GEOMETRY_WORDS, *FATES, *STATES}
    words |= {HELD, CHECKED, UNCHECKED, DISPUTED, "pole height", "resection"}
    words |= {kind.noun for kind in LINK_KINDS.values()}
    for word in words:
        assert all(entry.says for entry in senses(word, entries())), word


def test_the_headings_of_the_screens_have_a_sense() -> None:
    """What stands in capitals above a table: TO DO, MARKS and the like."""
    screens = ("ties_screen.py", "plan_screen.py")
    texts = [(ROOT / "tieup" / "write" / name).read_text(encoding="utf-8") for name in screens]
    found = {word for text in texts for word in HEADING.findall(text)}
    assert {"TO DO", "NEXT SHOT", "MARKS"} <= found
    for word in found:
        assert all(entry.says for entry in senses(word, entries())), word


def test_what_ships_has_a_sense_with_its_numbers_and_sources() -> None:
    """Sets of limits of grades and classes of tolerances."""
    grades = [read_grade_set(path) for path in grade_sets().values()]
    classes = [read_class(path) for path in tolerance_classes().values()]
    assert len(grades) > 3 and len(classes) > 3
    for word, sort, sources in (
        *((s.name, "set of limits of grades", [x.source for x in s.limits]) for s in grades),
        *((own.name, "class of tolerances", [own.source]) for own in classes),
    ):
        entry = next(entry for entry in senses(word, entries()) if entry.sort == sort)
        said = " ".join(f"{label} {text}" for label, text in entry.facts)
        assert entry.says and all(source in said for source in sources), word
        assert re.search("[0-9]+(.[0-9]+)? (%|mm)", said), word
