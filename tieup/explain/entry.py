"""One sense of a word, and the facts that stand below it."""

from __future__ import annotations

from dataclasses import dataclass

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


def facts_of(**facts: str) -> tuple[tuple[str, str], ...]:
    """Return the facts that have a text, a blank for each underscore of their labels."""
    return tuple((label.replace("_", " "), text) for label, text in facts.items() if text)


def unit_words(text: str) -> str:
    """Return a unit as it stands on a page in full.

    >>> unit_words("square J")
    "square of the job's length unit"
    """
    if text.startswith("square "):
        return f"square of {unit_words(text.removeprefix('square '))}"
    return JOB_UNITS.get(text, text)
