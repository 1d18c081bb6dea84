"""Lay the page out: templates, style and script from ``templates/``, in one text."""

from __future__ import annotations

from pathlib import Path

from tieup.model.reconciliation import Reconciliation
from tieup.write.html import environment, laid_out
from tieup.write.page.view import page_of
from tieup.write.page.wording import on_one_line, verdict_of

TEMPLATES = Path(__file__).parent / "templates"


def page_text(site: Reconciliation) -> str:
    """Return report.html of a reconciled site: one self-contained page."""
    from markupsafe import Markup

    engine = environment(TEMPLATES)
    engine.globals["verdict_of"] = verdict_of
    engine.filters["on_one_line"] = on_one_line
    style = Markup((TEMPLATES / "page.css").read_text(encoding="utf-8"))
    return laid_out(TEMPLATES, "page.html", "page.js", page=page_of(site), style=style)
