"""Everything that can be explained, out of what the code itself says: one entry for each sense."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from tieup.config.files import rule_sets
from tieup.config.rule_sets import raw_data_rules, read_rules
from tieup.explain.pages import COLUMNS, FINDINGS, KEYS, TERMS, named, rows, topics
from tieup.explain.schema_keys import default_words, schema_keys
from tieup.model.rules import Limit, Rule
from tieup.write.dictionary import meaning, unit_of
from tieup.write.meanings import MEANINGS
from tieup.write.reference import tables

JOB_UNITS = {"J": "the job's length unit", "A": "the job's angle unit"}


@dataclass(frozen=True)
class Entry:
    """One sense of a word: what it is (``sort``), what it means, and what else is to be said.

    What it means may be several paragraphs (`tieup.explain.prose`).
    ``facts`` are further lines by label: unit, default, limits, source.
    """

    word: str
    sort: str
    says: str
    facts: tuple[tuple[str, str], ...] = ()


@cache
def entries() -> tuple[Entry, ...]:
    """Return every sense of every word but the commands, in the order in which a page has them."""
    return (*_keys(), *_raw_columns(), *_columns(), *_findings(), *_rules(), *_terms(), *_topics())


def _topics() -> Iterator[Entry]:
    yield from (Entry(word, "topic", says) for word, says in topics().items())


def _facts(**facts: str) -> tuple[tuple[str, str], ...]:
    return tuple((label, text) for label, text in facts.items() if text)


def _unit(text: str) -> str:
    return JOB_UNITS.get(text, text)


def _keys() -> Iterator[Entry]:
    schema = schema_keys()
    for cell, unit, default, says in rows(KEYS):
        for key in named(cell):
            own = default_words(schema[key]) if key in schema else None
            shown = default or own or ""
            facts = _facts(unit=_unit(unit), default="" if shown == "-" else shown)
            yield Entry(key, "key of job.yaml", says, facts)


def _raw_columns() -> Iterator[Entry]:
    for cell, unit, says in rows(COLUMNS):
        for column in named(cell):
            yield Entry(column, "column of raw tables", says, _facts(unit=_unit(unit)))


def _columns() -> Iterator[Entry]:
    for file, kinds in tables().items():
        for column in dict.fromkeys((*kinds, *MEANINGS.get(file, {}))):
            unit = unit_of(file, column, kinds, JOB_UNITS["A"], JOB_UNITS["J"])
            yield Entry(column, f"column of {file}", meaning(file, column), _facts(unit=unit))


def _findings() -> Iterator[Entry]:
    for cell, says in rows(FINDINGS):
        for kind in named(cell):
            yield Entry(kind, "finding", says)


def _rules() -> Iterator[Entry]:
    for path in rule_sets("rules").values():
        found = read_rules(path)
        yield Entry(found.name, "rule set", found.use)
        yield from (_rule(rule, f"rule of {found.name}") for rule in found.rules)
    yield from (_rule(rule, "rule of raw rows") for rule in raw_data_rules().rules)


def _rule(rule: Rule, sort: str) -> Entry:
    held = "at least" if rule.at_least else "at most"
    facts = _facts(
        warn=_limit(rule, rule.warn), fail=_limit(rule, rule.fail), held=held, source=rule.source
    )
    return Entry(rule.id, sort, rule.says, facts)


def _limit(rule: Rule, limit: Limit | None) -> str:
    if limit is None:
        return ""
    parts = [f"{limit.value / rule.factor:g} {rule.unit}"]
    if limit.per_distance:
        parts.append(f"plus {limit.per_distance * 1e6:g} ppm of the distance")
    if limit.over_distance:
        parts.append(f"never finer than {limit.over_distance * 1e3:g} mm at the target")
    if limit.per_root:
        parts.append("times the root of the number of stations")
    return ", ".join(parts)


def _terms() -> Iterator[Entry]:
    for cell, says, source in rows(TERMS):
        for term in named(cell):
            yield Entry(term, "term", says, _facts(source=source))
