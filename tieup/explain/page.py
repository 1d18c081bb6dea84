"""All words as one page, with a search that works offline and in any browser."""

from __future__ import annotations

from pathlib import Path

from tieup.explain.entry import Entry
from tieup.explain.prose import pieces
from tieup.explain.screen import merged
from tieup.write.html import laid_out

FOLDER = Path(__file__).parent / "texts"


def explained_page(known: tuple[Entry, ...], version: str) -> str:
    """Return the page: every sense of every word in order of the alphabet, and a search field."""
    senses = sorted(merged(known), key=lambda entry: (entry.word.lower(), entry.sort))
    return laid_out(
        FOLDER, "explained.html", "explained.js", entries=senses, pieces=pieces, version=version
    )
