"""Find what a word means, whatever its capitals, its spelling of blanks, or its section."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from tieup.errors import ConfigError
from tieup.explain.entry import Entry
from tieup.write.terminal import clipped

NEAR, LIKE = 5, 0.6
LONGEST = 100  # letters of a word that is looked for: no word of tieup is longer


def senses(word: str, known: Sequence[Entry]) -> tuple[Entry, ...]:
    """Return every sense of a word: of the whole word, else of the last part of a key.

    Raises
    ------
    ConfigError
        Nothing is called so; the message names the nearest words.
    """
    asked = _plain(word)
    exact = tuple(entry for entry in known if _plain(entry.word) == asked)
    last = tuple(entry for entry in known if _plain(entry.word.rpartition(".")[2]) == asked)
    if found := tuple(dict.fromkeys((*exact, *last))):
        return found
    near = _nearest(asked, known)
    hint = f"Did you mean {', '.join(near)}?" if near else "tieup explain --page writes all words."
    raise ConfigError(f'"{clipped(word)}" is no word of tieup. {hint}')


def _nearest(asked: str, known: Sequence[Entry]) -> list[str]:
    """Return the nearest words, the nearest first: of equally near ones the shortest."""
    asked = asked[:LONGEST]
    words: dict[str, str] = {}
    for entry in sorted(known, key=lambda entry: len(entry.word)):
        words.setdefault(_plain(entry.word), entry.word)
        words.setdefault(_plain(entry.word.rpartition(".")[2]), entry.word)
    return list(dict.fromkeys(words[name] for name in get_close_matches(asked, words, NEAR, LIKE)))


def _plain(word: str) -> str:
    return word.strip().lower().replace("_", "-").replace(" ", "-")
