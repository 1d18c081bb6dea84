"""Parse an XML file into elements that know their line, refusing everything that is not data.

A file from outside may try to expand entities without end or to fetch other files. So a
document type is refused before anything in it is read, no entity is ever expanded but the five
of XML itself, nothing is fetched, and nesting has an end. Names lose their prefix: files of
different versions of one standard differ in nothing else.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from tieup.errors import InputError
from tieup.read.openable import file_content

_DEEPEST = 100  # levels; survey data needs about ten


@dataclass(slots=True)
class Element:
    """One element: local name, attributes, line of its start tag, text, children in order."""

    name: str
    attributes: dict[str, str]
    line: int
    text: str = ""
    children: list[Element] = field(default_factory=list)

    def get(self, attribute: str) -> str:
        """Return an attribute without outer blanks, empty where it is not there."""
        return self.attributes.get(attribute, "").strip()

    def all(self, name: str) -> Iterator[Element]:
        """Yield the children of a name."""
        return (child for child in self.children if child.name == name)

    def first(self, name: str) -> Element | None:
        """Return the first child of a name."""
        return next(self.all(name), None)


@dataclass(frozen=True)
class Document:
    """A parsed file: its root, its name in messages and the SHA-256 of its bytes."""

    name: str
    sha256: str
    root: Element


def read_xml(path: Path, name: str, keep: Collection[str]) -> Document:
    """Parse a file, keeping the root and those of its children that ``keep`` names.

    Raises
    ------
    InputError
        The file cannot be opened, is not well-formed XML, has a document type or entities of
        its own, or is nested deeper than survey data can be.
    """
    content = file_content(path, name)
    builder = _Builder(name, keep)
    try:
        root = builder.build(content)
    except expat.ExpatError as error:
        raise InputError(
            f"{name}:{error.lineno}: is not well-formed XML ({expat.ErrorString(error.code)}). "
            "Export it again, whole"
        ) from error
    except (ValueError, LookupError) as error:  # an encoding that is declared and not known
        raise InputError(f"{name}: its encoding cannot be read ({error}). Save it as UTF-8") from (
            error
        )
    return Document(name, hashlib.sha256(content).hexdigest(), root)


class _Builder:
    """Collect elements while the parser goes through a file once."""

    def __init__(self, name: str, keep: Collection[str]) -> None:
        self.name = name
        self.keep = keep
        self.open: list[Element] = []
        self.texts: list[list[str]] = []  # what was read so far of the text of each open element
        self.skipped = 0  # levels that stand inside an element that is not kept
        self.root: Element | None = None
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = self._refuse
        self.parser.EntityDeclHandler = self._refuse
        self.parser.ExternalEntityRefHandler = self._refuse

    def build(self, content: bytes) -> Element:
        self.parser.Parse(content, True)
        assert self.root is not None  # the parser refuses a file without a root
        return self.root

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self.open) >= _DEEPEST:
            raise InputError(
                f"{self._where()}: is nested {_DEEPEST} levels deep, deeper than survey data can "
                "be. Export the survey alone"
            )
        element = Element(name.rpartition(":")[2], attributes, self.parser.CurrentLineNumber)
        if self.root is None:
            self.root = element
        elif self.skipped or (len(self.open) == 1 and element.name not in self.keep):
            self.skipped += 1
        else:
            self.open[-1].children.append(element)
        self.open.append(element)
        self.texts.append([])

    def _end(self, _name: str) -> None:
        element, texts = self.open.pop(), self.texts.pop()
        element.text = "".join(texts)
        self.skipped -= bool(self.skipped)

    def _text(self, text: str) -> None:
        if not self.skipped and not text.isspace():
            self.texts[-1].append(text)

    def _refuse(self, *_declared: object) -> int:
        raise InputError(
            f"{self._where()}: has a document type or entities of its own, which survey data "
            "never need and an attack does. Remove the DOCTYPE, or export the file again"
        )

    def _where(self) -> str:
        return f"{self.name}:{self.parser.CurrentLineNumber}"
