"""The words of the page: what a verdict is called, how a setup stands, counts and lists.

A verdict always comes as a word with a shape beside it, so that nothing rests on colour.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

MEASURE = re.compile(r"(?<=\d) (mm|m|US ft|ft|%)(?!\w)")

GOOD, BAD, OPEN, WARN = "good", "bad", "open", "warn"


@dataclass(frozen=True)
class Verdict:
    """A verdict in words with the shape drawn beside it: good, bad, open or warn."""

    word: str
    shape: str


VERDICTS = {
    "ties": Verdict("ties", GOOD),
    "ties in plan": Verdict("ties in plan", GOOD),
    "fails": Verdict("does not tie", BAD),
    "untested": Verdict("not proved", OPEN),
    "unproved": Verdict("not proved", OPEN),
    "stop": Verdict("settle before use", BAD),
    "check": Verdict("check", WARN),
    "note": Verdict("note", OPEN),
    "pass": Verdict("pass", GOOD),
    "warn": Verdict("warn", WARN),
    "fail": Verdict("fail", BAD),
    "not checked": Verdict("not checked", OPEN),
    "cannot tell": Verdict("cannot tell", OPEN),
    "agrees": Verdict("agrees", GOOD),
    "differs": Verdict("differs", BAD),
    "same": Verdict("not moved", GOOD),
    "moved": Verdict("moved", BAD),
}


def verdict_of(word: str) -> Verdict:
    """Return the verdict that a table's word stands for; an unknown word speaks for itself."""
    return VERDICTS.get(word) or Verdict(word, OPEN)


def stand_words(station: str) -> str:
    """Say what a setup stands over."""
    return f"over {station}" if station else "free station"


def on_one_line(text: str) -> str:
    """Return a sentence whose numbers stay on one line with their units.

    >>> on_one_line("within 6 mm of 0.010 US ft, 3 marks").count("\\u00a0")
    3
    """
    return MEASURE.sub(lambda found: "\u00a0" + found[1].replace(" ", "\u00a0"), text)
