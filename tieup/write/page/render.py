"""Lay the page out: templates, style and script from ``templates/``, in one text."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.view import page_of
from tieup.write.page.wording import on_one_line, verdict_of

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"


def page_text(site: Reconciliation) -> str:
    """Return report.html of a reconciled site: one self-contained page.

    The page loads nothing from anywhere: a policy in its head forbids it, and lets no
    script run but its own, named there by its hash.
    """
    from markupsafe import Markup

    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    return (
        _environment()
        .get_template("page.html")
        .render(
            page=page_of(site),
            style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),
            script=Markup(script),
            script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        )
    )


@cache
def _environment() -> Environment:
    """Return the template engine; it keeps the compiled templates between pages."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["verdict_of"] = verdict_of
    environment.filters["on_one_line"] = on_one_line
    return environment
