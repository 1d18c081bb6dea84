"""Read a page back without a browser: its elements, its texts, its tables."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

VOID = frozenset(
    [
        "area",
        "base",
        "br",
        "col",
        "embed",
        "hr",
        "img",
        "input",
        "link",
        "meta",
        "source",
        "track",
        "wbr",
    ]
)
"""Elements without an end tag: HTML Living Standard, section 13.1.2."""


@dataclass
class Element:
    """An element of the page with everything below it."""

    tag: str
    attributes: dict[str, str]
    children: list[Element | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """Return all text in it, titles of drawings left out; a space that holds is a space."""
        parts = [
            child if isinstance(child, str) else "" if child.tag == "title" else child.text
            for child in self.children
        ]
        return "".join(parts).replace("\u00a0", " ")

    def all(self, tag: str = "", **attributes: str) -> list[Element]:
        """Return the elements below it of a tag and with the attributes (look: one class)."""
        found: list[Element] = []
        for child in self.children:
            if isinstance(child, Element):
                if (not tag or child.tag == tag) and child.has(attributes):
                    found.append(child)
                found += child.all(tag, **attributes)
        return found

    def one(self, tag: str = "", **attributes: str) -> Element:
        """Return the only such element."""
        (found,) = self.all(tag, **attributes)
        return found

    def has(self, attributes: dict[str, str]) -> bool:
        """Return whether it has these attributes; ``look`` stands for one class of several."""
        own = {**self.attributes, "look": attributes.get("look", "")}
        classes = [*self.attributes.get("class", "").split(), ""]
        return own["look"] in classes and all(
            own.get(name) == value for name, value in attributes.items()
        )


class _Builder(HTMLParser):
    """Build the tree; complain about whatever is not closed, or closed twice, or repeated."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]
        self.troubles: list[str] = []
        self.declared = ""

    def handle_decl(self, decl: str) -> None:
        self.declared = decl

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._add(tag, attrs)
        if tag not in VOID:
            self.open.append(self.open[-1].children[-1])  # type: ignore[arg-type]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID and not any(parent.tag == "svg" for parent in self.open):
            self.troubles.append(f"<{tag}/> outside a drawing")
        self._add(tag, attrs)

    def _add(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(set(names)) < len(names):
            self.troubles.append(f"{tag} repeats an attribute: {names}")
        self.open[-1].children.append(Element(tag, {n: v or "" for n, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if self.open[-1].tag == tag:
            self.open.pop()
        else:
            self.troubles.append(f"</{tag}> where <{self.open[-1].tag}> is open")

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)

    def handle_comment(self, data: str) -> None:
        self.troubles.append(f"comment {data[:20]}")


def read_page(text: str) -> Element:
    """Return the page as a tree; fail where it is not well formed."""
    builder = _Builder()
    builder.feed(text)
    builder.close()
    assert builder.declared.lower() == "doctype html"
    assert not builder.troubles, builder.troubles[:5]
    assert builder.open == [builder.root], [element.tag for element in builder.open]
    return builder.root


def table_cells(page: Element, caption_id: str) -> list[dict[str, str]]:
    """Return the rows of a table, cells by the title of their column; of two alike the last."""
    table = next(t for t in page.all("table") if t.attributes["aria-labelledby"] == caption_id)
    titles = [cell.text for cell in table.all("th")]
    rows = [[cell.text.strip() for cell in row.all("td")] for row in table.all("tr")]
    return [dict(zip(titles, row, strict=True)) for row in rows if row]


def plan_data(page: Element) -> dict[str, Any]:
    """Return what the script of the page reads."""
    return dict(json.loads(page.one("script", id="plan-data").text))
