"""Read a YAML file into nodes that know their line: the only place that knows YAML.

A node is kept as it was written (``0101`` stays text, ``1e-3`` too): what a value means is
for the schema to say. A key given twice and an alias are problems.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from tieup.errors import ConfigError


@dataclass(frozen=True)
class Scalar:
    """One value as written; ``quoted`` tells ``"5"`` from ``5``, ``line`` counts from 1."""

    text: str
    quoted: bool
    line: int

    @property
    def empty(self) -> bool:
        """Say whether nothing was written (YAML's null)."""
        return not self.quoted and self.text in ("", "~", "null", "Null", "NULL")


@dataclass(frozen=True)
class Items:
    """A list of nodes."""

    nodes: tuple[Node, ...]
    line: int


@dataclass(frozen=True)
class Fields:
    """A mapping of nodes, and the line of each key."""

    nodes: Mapping[str, Node]
    lines: Mapping[str, int]
    line: int


DEEPEST = 20  # lists and mappings in each other; no key of a settings file needs half of it

Node: TypeAlias = "Scalar | Items | Fields"


@dataclass
class YamlReading:
    """What is being read: its name in messages, the problems so far, where each key stands.

    ``lines`` maps a dotted path (``centring.target``, ``decisions 1``) to its line;
    ``broken`` has the paths that were found wrong.
    """

    name: str
    problems: list[str] = field(default_factory=list)
    lines: dict[str, int] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)

    def note(self, line: int, problem: str) -> None:
        """Note a problem on a line."""
        self.problems.append(f"{self.name}:{line}: {problem}")

    def note_key(self, path: str, problem: str) -> None:
        """Note a problem of a key, on the line of the nearest key that was written."""
        self.broken.add(path)
        at = path
        while at and at not in self.lines:
            at = at.rpartition(".")[0]
        self.note(self.lines.get(at, 1), f"{path} {problem}")

    def sound(self, path: str) -> bool:
        """Say whether nothing is wrong with a key or anything below it."""
        return not any(f"{broken}.".startswith(f"{path}.") for broken in self.broken)

    def raise_problems(self) -> None:
        """Raise every problem, in the order of the lines."""
        if self.problems:
            raise ConfigError(*sorted(dict.fromkeys(self.problems), key=_line_of))


def _line_of(problem: str) -> int:
    number = problem.split(":")[1]
    return int(number) if number.isdigit() else 0


def _hint(lines: list[str], line: int) -> str:
    """Say what to do about a line (from 1) that is no YAML."""
    entries = [text for text in lines[:line] if not text.strip().startswith(("#", "-"))]
    above = entries[-1] if entries else ""
    if lines[line - 1 : line] and lines[line - 1].strip().startswith("-") and above.endswith("[]"):
        return f"Entries follow {above.split(':')[0]}: take the [] behind it away"
    return "Check the indents (blanks, no tabs), the brackets and the quotes near this line"


def parse_yaml(text: str, reading: YamlReading) -> Fields:
    """Parse a file that holds one mapping.

    Raises
    ------
    ConfigError
        The text is no YAML, or the whole of it is no mapping.
    """
    import yaml

    class Loader(yaml.SafeLoader):
        """Composes nodes as deep as settings go; more would end in a fault of the parser."""

        depth = 0

        def compose_node(self, parent: Any, index: Any) -> Any:
            if self.depth > DEEPEST:
                parser: Any = self  # it is untyped
                told, mark = "it is nested too deep", parser.peek_event().start_mark
                raise yaml.composer.ComposerError(None, None, told, mark)
            self.depth += 1
            node = super().compose_node(parent, index)
            self.depth -= 1
            return node

    try:
        root = yaml.compose(text, Loader=Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise ConfigError(
            f"{reading.name}:{line}: is not YAML: {error.problem or error.context}. "
            f"{_hint(text.splitlines(), line)}"
        ) from error
    except yaml.YAMLError as error:
        raise ConfigError(f"{reading.name}: is not YAML: {error}") from error
    if root is None:
        return Fields({}, {}, 1)
    node = _node(root, reading, set())
    if not isinstance(node, Fields):
        raise ConfigError(
            f"{reading.name}:{node.line}: expected keys and values, as in title: Yard"
        )
    return node


def _node(source: Any, reading: YamlReading, seen: set[int]) -> Node:
    """Turn a composed YAML node into ours."""
    line = source.start_mark.line + 1
    if id(source) in seen:
        reading.note(line, "an alias (*) is not read here. Write the value out")
        return Scalar("", False, line)
    if source.id == "scalar":
        _refuse_half_characters(source.value, line, reading)
        return Scalar(str(source.value), source.style is not None, line)
    seen.add(id(source))
    if source.id == "sequence":
        return Items(tuple(_node(item, reading, seen) for item in source.value), line)
    return _fields(source, line, reading, seen)


def _refuse_half_characters(text: str, line: int, reading: YamlReading) -> None:
    """Note an escape for half of a character, which no file can be written with."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        half = f"\\u{ord(text[error.start]):04x}"
        reading.note(line, f"{half} is half of a character. Write the character itself")


def _fields(source: Any, line: int, reading: YamlReading, seen: set[int]) -> Fields:
    nodes: dict[str, Node] = {}
    lines: dict[str, int] = {}
    for key, value in source.value:
        place = key.start_mark.line + 1
        if key.id != "scalar":
            reading.note(place, "a key must be a word")
        elif key.value in nodes:
            reading.note(place, f"{key.value} is there twice, first on line {lines[key.value]}")
        else:
            lines[key.value] = place
            nodes[key.value] = _node(value, reading, seen)
    return Fields(nodes, lines, line)
