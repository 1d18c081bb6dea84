"""Find what a word means, whatever its capitals, its spelling of blanks, or its section."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from tieup.errors import ConfigError
from tieup.explain.entries import Entry

NEAR, LIKE = 5, 0.6


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
    words = {_plain(entry.word): entry.word for entry in known}
    words |= {_plain(entry.word.rpartition(".")[2]): entry.word for entry in known}
    near = dict.fromkeys(words[name] for name in get_close_matches(asked, words, NEAR, LIKE))
    hint = f"Did you mean {', '.join(near)}?" if near else "tieup explain --page writes all words."
    raise ConfigError(f'"{word}" is no word of tieup. {hint}')


def _plain(word: str) -> str:
    return word.strip().lower().replace("_", "-").replace(" ", "-")
