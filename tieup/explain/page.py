"""All words as one page, with a search that works offline and in any browser."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from tieup.explain.entries import Entry
from tieup.explain.screen import merged

FOLDER = Path(__file__).parent / "texts"


def explained_page(known: tuple[Entry, ...], version: str) -> str:
    """Return the page: every sense of every word in order of the alphabet, and a search field.

    It loads nothing from anywhere, and its policy lets no script run but its own.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    script = (FOLDER / "explained.js").read_text(encoding="utf-8")
    environment = Environment(
        loader=FileSystemLoader(FOLDER, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("explained.html").render(
        entries=sorted(merged(known), key=lambda entry: (entry.word.lower(), entry.sort)),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        version=version,
    )
