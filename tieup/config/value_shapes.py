"""The kinds of value that are made of others: lists and mappings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tieup.config.value_kinds import Number, ValueKind, refuse
from tieup.config.yaml_nodes import Fields, Items, Node, Scalar, YamlReading
from tieup.errors import did_you_mean

EVERY = "all"


@dataclass(frozen=True)
class NumberList:
    """A list of exactly as many numbers as there are ``parts``."""

    parts: tuple[Number, ...]

    @property
    def default(self) -> list[float | None]:
        """The defaults of the parts."""
        return [part.default for part in self.parts]

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the numbers in order."""
        if isinstance(node, Items) and len(node.nodes) == len(self.parts):
            pairs = zip(self.parts, node.nodes, strict=True)
            return [part.read(item, path, reading) for part, item in pairs]
        return refuse(self, node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"a list in brackets: [{', '.join(part.expected for part in self.parts)}]"


@dataclass(frozen=True)
class ListOf:
    """A list of values of one kind."""

    kind: ValueKind
    default: tuple[Any, ...] = ()

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the values in order."""
        if not isinstance(node, Items):
            return list(refuse(self, node, path, reading))
        values = []
        for number, item in enumerate(node.nodes, 1):
            place = f"{path} {number}"
            reading.lines[place] = item.line
            values.append(self.kind.read(item, place, reading))
        return values

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return "a list: [...]"


@dataclass(frozen=True)
class AllOr:
    """The word ``all``, or a list of values."""

    some: ListOf
    default: None = None

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the word, or the values in order."""
        if isinstance(node, Items):
            return self.some.read(node, path, reading)
        if isinstance(node, Scalar) and node.text == EVERY:
            return EVERY
        return refuse(self, node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"{EVERY}, or {self.some.expected}"


@dataclass(frozen=True)
class Section:
    """A mapping with known keys. ``sparse`` leaves out keys that are not written.

    ``some_of`` are groups of keys of which one or more must be written; whoever reads the section
    says so, and what each is for.
    """

    keys: Mapping[str, ValueKind]
    required: tuple[str, ...] = ()
    sparse: bool = False
    some_of: tuple[tuple[str, ...], ...] = ()

    @property
    def default(self) -> dict[str, Any]:
        """The defaults of all keys."""
        return {} if self.sparse else {key: kind.default for key, kind in self.keys.items()}

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return the values of all keys, defaults for those that are not written."""
        if not isinstance(node, Fields):
            return dict(refuse(self, node, path, reading))
        values = self.default
        for key, child in node.nodes.items():
            place = f"{path}.{key}" if path else key
            reading.lines[place] = node.lines[key]
            if key not in self.keys:
                hint = did_you_mean(key, self._known()) or f"Known are {', '.join(self.keys)}"
                reading.note(node.lines[key], f"{key} is not a key here. {hint}")
                reading.broken.add(place)
            elif not _empty(child):
                values[key] = self.keys[key].read(child, place, reading)
        for key in self.required:
            if _empty(node.nodes.get(key)):
                place = f"{path}.{key}" if path else key
                reading.note_key(place, f"is missing. Expected {self.keys[key].expected}")
        return values

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"keys and values: {', '.join(self.keys)}"

    def _known(self) -> dict[str, str]:
        """Map every key, those one level below included, to how it is written."""
        below = {
            child: f"{key}: {{{child}: ...}}"
            for key, kind in self.keys.items()
            if isinstance(kind, Section)
            for child in kind.keys
        }
        return {**below, **{key: key for key in self.keys}}


def _empty(node: Node | None) -> bool:
    return node is None or (isinstance(node, Scalar) and node.empty)


@dataclass(frozen=True)
class Named:
    """A mapping from free names to values of one kind; ``always`` names are added."""

    section: ValueKind
    always: tuple[str, ...] = ()

    @property
    def default(self) -> dict[str, Any]:
        """The names that are always there, with their defaults."""
        return dict.fromkeys(self.always, self.section.default)

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Return a value under each name."""
        if not isinstance(node, Fields):
            return dict(refuse(self, node, path, reading))
        values = self.default
        for name, child in node.nodes.items():
            place = f"{path}.{name}"
            reading.lines[place] = node.lines[name]
            values[name] = self.section.read(child, place, reading)
        return values

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return "names and their values"


@dataclass(frozen=True)
class Either:
    """A short form, one value, or the long form as a mapping."""

    short: ValueKind
    long: ValueKind

    @property
    def default(self) -> Any:
        """The default of the short form."""
        return self.short.default

    def read(self, node: Node, path: str, reading: YamlReading) -> Any:
        """Read a mapping as the long form, anything else as the short one."""
        kind = self.long if isinstance(node, Fields) else self.short
        return kind.read(node, path, reading)

    @property
    def expected(self) -> str:
        """Say what is expected."""
        return f"{self.short.expected}, or {self.long.expected}"
