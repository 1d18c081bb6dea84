"""One noun one meaning: names stand once, and the glossary of DEVELOPERS.md says what they mean."""

from __future__ import annotations

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "tieup"
MODULES = [path for path in sorted(PACKAGE.rglob("*.py")) if path.name != "__init__.py"]
ROW = re.compile(r"^\| ([a-z -]+) \| (.+) \| `([\w/]+\.py)` `(\w+)` \|(.*)\|$", re.MULTILINE)
GLOSSARY = [
    (noun, module, name, re.findall(r"`(\w+)`", rooms))
    for noun, _, module, name, rooms in ROW.findall(
        (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    )
]


def classes(path: Path) -> set[str]:
    """Return the public classes that a module defines."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {node.name for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}
    return {name for name in names if not name.startswith("_")}


def parts(path: Path) -> str:
    """Return a module's name as words of one number, a blank round each: " string step "."""
    singular = path.stem.replace("hypotheses", "hypothesis")
    words = [word[:-1] if word in PLURALS else word for word in singular.split("_")]
    return f" {' '.join(words)} "


PLURALS = {f"{word}s" for noun, *_ in GLOSSARY for word in noun.split("-")}


def test_no_file_name_stands_in_two_rooms() -> None:
    """A module is found by its name alone."""
    assert not [name for name, n in Counter(path.stem for path in MODULES).items() if n > 1]


def test_no_public_class_is_called_like_another() -> None:
    """A class is found by its name alone."""
    counts = Counter(name for path in MODULES for name in classes(path))
    assert not [name for name, n in counts.items() if n > 1]


def test_every_noun_of_the_glossary_stands_once() -> None:
    """One noun one meaning, and one meaning one noun."""
    assert len(GLOSSARY) > 25
    for column in (0, 2):
        counts = Counter(row[column] for row in GLOSSARY)
        assert not [name for name, n in counts.items() if n > 1]


@pytest.mark.parametrize(
    ("noun", "module", "name", "rooms"), GLOSSARY, ids=lambda value: str(value)
)
def test_a_noun_is_made_where_the_glossary_says(
    noun: str, module: str, name: str, rooms: list[str]
) -> None:
    """Its class is there, and only the rooms that are listed have a module named so."""
    assert name in classes(PACKAGE / module)
    named = {
        path.relative_to(PACKAGE).parts[0]
        for path in MODULES
        if f" {noun.replace('-', ' ')} " in parts(path)
    }
    assert not rooms or named == set(rooms)
