"""The kinds of single value a settings file can hold, and what all kinds have in common.

A kind knows its default, reads a node, and says what it expects.

Reading never stops at a problem: it notes it and goes on with the default, so that one
run shows every problem of the file.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Protocol

from tieup.config.yaml_nodes import Items, Node, Scalar, YamlReading
from tieup.errors import did_you_mean

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
FLAGS = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}


class ValueKind(Protocol):
    """What a key may hold: its default, and how it is read."""

    @property
    def default(self) -> Any:
        """The value where the key is not written."""

    @property
    def expected(self) -> str:
        """What a message says is expected."""

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the value of a node; note what is wrong and return the default instead."""


def written(node: Node) -> str:
    """Describe what a node holds, for messages."""
    if isinstance(node, Scalar):
        plain = not node.quoted and _NUMBER.fullmatch(node.text)
        return node.text if plain else f'"{node.text}"'
    return "a list" if isinstance(node, Items) else "a mapping"


def refuse(kind: ValueKind, node: Node, path: str, reading: YamlReading, hint: str = "") -> Any:
    """Note that a node is not what its kind expects; return the default."""
    reading.note_key(path, f"is {written(node)}. Expected {kind.expected}{hint}")
    return kind.default


@dataclass(frozen=True)
class TextValue:
    """One word or sentence as written (a point 0101 stays 0101), without outer blanks."""

    default: str | None = None
    trim: bool = True

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the text of a scalar."""
        if isinstance(node, Scalar):
            return node.text.strip() if self.trim else node.text
        return refuse(self, node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return "a text"


@dataclass(frozen=True)
class Choice:
    """One of a few words."""

    options: tuple[str, ...]
    default: str | None = None

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the word, if it is one of the options."""
        if isinstance(node, Scalar) and node.text in self.options:
            return node.text
        hint = ""
        if isinstance(node, Scalar):
            hint = did_you_mean(node.text, self.options)
        return refuse(self, node, path, reading, f". {hint}" if hint else "")

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"one of {', '.join(self.options)}"


@dataclass(frozen=True)
class Number:
    """A finite number in ``unit``, from ``low`` to ``high``; an open end is excluded."""

    default: float | None = None
    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    open_high: bool = False
    unit: str = ""

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the number, if it is one and inside the range."""
        if isinstance(node, Scalar) and not node.quoted and _NUMBER.fullmatch(node.text):
            value = float(node.text)
            if math.isfinite(value) and self._inside(value):
                return value
        return refuse(self, node, path, reading)

    def _inside(self, value: float) -> bool:
        above = value > self.low if self.open_low else value >= self.low
        below = value < self.high if self.open_high else value <= self.high
        return above and below

    @property
    def expected(self) -> str:
        """Say which numbers are possible."""
        low = f"{'above' if self.open_low else 'from'} {self.low:g}"
        high = f"{'below' if self.open_high else 'up to'} {self.high:g}"
        ends = [low] * math.isfinite(self.low) + [high] * math.isfinite(self.high)
        span = "".join(f" {text}" for text in [" and ".join(ends)] if text)
        return f"a number{span}{f' ({self.unit})' if self.unit else ''}"


@dataclass(frozen=True)
class Count:
    """A whole number from ``low`` to ``high``."""

    default: int | None = None
    low: int = 0
    high: int = 1_000_000_000

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the whole number."""
        if isinstance(node, Scalar) and not node.quoted and re.fullmatch("[0-9]+", node.text):
            value = float(node.text)
            if self.low <= value <= self.high:
                return int(value)
        return refuse(self, node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"a whole number from {self.low}"


@dataclass(frozen=True)
class Flag:
    """True or false."""

    default: bool

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the truth value."""
        if isinstance(node, Scalar) and not node.quoted and node.text.lower() in FLAGS:
            return FLAGS[node.text.lower()]
        return refuse(self, node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return "true or false"


@dataclass(frozen=True)
class ColumnPlace:
    """A column by its header name or, as a bare number, by its position from 1."""

    default: None = None

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the name as text or the position as a number."""
        if isinstance(node, Scalar) and not node.quoted and _NUMBER.fullmatch(node.text):
            return Count(low=1).read(node, path, reading)
        if isinstance(node, Scalar) and node.text.strip():
            return node.text.strip()
        refuse(self, node, path, reading)
        return None

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return "the name of a column, or its position from 1"
