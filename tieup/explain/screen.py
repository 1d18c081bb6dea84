"""The senses of a word on a screen."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from tieup.explain.entry import Entry
from tieup.explain.prose import Piece, pieces
from tieup.write.terminal import WIDTH, folded


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
    lines = folded(f"{entry.word}  ({entry.sort})", width, 2)
    for number, piece in enumerate(pieces(entry.says)):
        lines += [""] if number and piece.kind != "item" else []
        lines += _piece_lines(piece, width)
    for label, text in entry.facts:
        lines += folded(text, width, label=f"  {label}: ")
    return "\n".join(lines)


def _piece_lines(piece: Piece, width: int) -> list[str]:
    """Return the lines of a piece; those of code stay as they are, however wide."""
    if piece.kind == "code":
        return textwrap.indent(piece.text, "    ").splitlines()
    return folded(piece.text, width, label="  - " if piece.kind == "item" else "  ")


def explained_record(found: Sequence[Entry]) -> dict[str, list[dict[str, str]]]:
    """Return the senses as records for --json."""
    return {
        "senses": [
            {"word": entry.word, "sort": entry.sort, "says": entry.says, **dict(entry.facts)}
            for entry in found
        ]
    }
