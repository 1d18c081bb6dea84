"""A text of several paragraphs in its pieces, for a screen and for a page."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Kind = Literal["text", "item", "code"]
BULLET = "- "
INDENT = "    "


@dataclass(frozen=True)
class Piece:
    """A paragraph, an item of a list (without its dash), or lines that stay as they stand."""

    kind: Kind
    text: str


def pieces(text: str) -> tuple[Piece, ...]:
    """Return the pieces of a text in Markdown that has paragraphs, lists and indented lines.

    >>> [(piece.kind, piece.text) for piece in pieces("One\\nand **more**:\\n\\n- a\\n  b\\n- c")]
    [('text', 'One and more:'), ('item', 'a b'), ('item', 'c')]
    """
    return tuple(_pieces(text.split("\n\n")))


def _pieces(paragraphs: list[str]) -> Iterator[Piece]:
    code: list[str] = []
    for paragraph in paragraphs:
        if paragraph.startswith(INDENT):
            code.append(textwrap.dedent(paragraph))
            continue
        if code:
            yield Piece("code", "\n\n".join(code))
            code = []
        yield from _prose(paragraph)
    if code:
        yield Piece("code", "\n\n".join(code))


def _prose(paragraph: str) -> Iterator[Piece]:
    head, *items = f"\n{paragraph}".split(f"\n{BULLET}")
    if plain := _plain(head):
        yield Piece("text", plain)
    yield from (Piece("item", _plain(item)) for item in items)


def _plain(text: str) -> str:
    return " ".join(text.replace("**", "").split())
