"""The senses of a word on a screen."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from tieup.explain.entries import Entry
from tieup.explain.prose import Piece, pieces

WIDTH = 80


def explained_text(found: Sequence[Entry], width: int = WIDTH) -> str:
    """Return each sense: the word and its sort, then what it means and its facts."""
    return "\n\n".join(_sense(entry, width) for entry in merged(found))


def merged(found: Sequence[Entry]) -> list[Entry]:
    """Return the senses with those of one text made one: a column of several tables."""
    sorts: dict[Entry, list[str]] = {}
    for entry in found:
        sorts.setdefault(replace(entry, sort=""), []).append(entry.sort)
    return [replace(entry, sort=", ".join(every)) for entry, every in sorts.items()]


def _sense(entry: Entry, width: int) -> str:
    lines = textwrap.wrap(f"{entry.word}  ({entry.sort})", width, subsequent_indent="  ")
    for number, piece in enumerate(pieces(entry.says)):
        lines += [""] if number and piece.kind != "item" else []
        lines += _folded(piece, width)
    for label, text in entry.facts:
        lines += textwrap.wrap(
            text, width, initial_indent=f"  {label}: ", subsequent_indent=" " * (len(label) + 4)
        )
    return "\n".join(lines)


def _folded(piece: Piece, width: int) -> list[str]:
    """Return the lines of a piece; those of code stay as they are, however wide."""
    if piece.kind == "code":
        return textwrap.indent(piece.text, "    ").splitlines()
    first = "  - " if piece.kind == "item" else "  "
    later = " " * len(first)
    return textwrap.wrap(piece.text, width, initial_indent=first, subsequent_indent=later)


def explained_record(found: Sequence[Entry]) -> dict[str, list[dict[str, str]]]:
    """Return the senses as records for --json."""
    return {
        "senses": [
            {"word": entry.word, "sort": entry.sort, "says": entry.says, **dict(entry.facts)}
            for entry in found
        ]
    }
