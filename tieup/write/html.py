"""One self-contained page: it loads nothing, and no script may run but its own."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment


def laid_out(folder: Path, template: str, script: str, **values: Any) -> str:
    """Return a page of a folder of templates with its ``script``, a file there too.

    The template gets ``script`` and ``script_hash``, which names the script in its policy.
    """
    from markupsafe import Markup

    text = (folder / script).read_text(encoding="utf-8")
    return (
        environment(folder)
        .get_template(template)
        .render(
            script=Markup(text),
            script_hash=base64.b64encode(hashlib.sha256(text.encode()).digest()).decode(),
            **values,
        )
    )


@cache
def environment(folder: Path) -> Environment:
    """Return the template engine of a folder; it keeps the compiled templates between pages."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(folder, encoding="utf-8"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
