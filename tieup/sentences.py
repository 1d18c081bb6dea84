"""Counts and lists as people write them: 1 tie, 2,000 ties; A, B and C; A, B and 7 more."""

from __future__ import annotations

from collections.abc import Sequence


def counted(number: int, noun: str, nouns: str = "") -> str:
    """Return a number with its noun; ``nouns`` where an s does not make many of it.

    >>> counted(1, "tie"), counted(2000, "tie"), counted(2, "tape of", "tapes of")
    ('1 tie', '2,000 ties', '2 tapes of')
    """
    return f"{number:,} {noun if number == 1 else nouns or noun + 's'}"


def listed(words: Sequence[str], most: int, last: str = "") -> str:
    """Return words in a row, the first ``most`` of many; ``last`` joins the last one.

    >>> listed(["S1", "S2"], 4), listed(["S1", "S2", "S3"], 4, "or"), listed(["S1"] * 6, 2)
    ('S1, S2', 'S1, S2 or S3', 'S1, S1 and 4 more')
    """
    rest = len(words) - most
    parts = [*words[:most], f"{rest:,} more"] if rest > 0 else list(words)
    join = last or "and" * (rest > 0)
    if not join or len(parts) < 2:
        return ", ".join(parts)
    return f"{', '.join(parts[:-1])} {join} {parts[-1]}"


def clauses(texts: Sequence[str], most: int, where: str = "") -> str:
    """Return texts that are half a sentence each; ``where`` the others of many stand.

    >>> clauses(["no tie", "no height", "no name"], 2, " in the report")
    'no tie; no height; and 1 more in the report'
    """
    rest = len(texts) - most
    return "; ".join([*texts[:most], *([f"and {rest:,} more{where}"] if rest > 0 else [])])
