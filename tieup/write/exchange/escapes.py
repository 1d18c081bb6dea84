"""Carry characters that a format cannot hold, so that they can be had back.

Such a character becomes the mark of the format and four hexadecimal digits; a text that holds
the look of such an escape already has its first character escaped, so that reading is one
plain replacement.
"""

from __future__ import annotations

import re

XML_FORBIDDEN = "\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff"  # XML 1.0, 2.2 Characters


def escaped(text: str, forbidden: str, mark: str) -> str:
    r"""Replace ``forbidden`` characters (inside of a regex class) by ``mark`` and their code.

    >>> escaped("a\x07 \\u0041", XML_FORBIDDEN, "\\u")
    'a\\u0007 \\u005Cu0041'
    """
    pattern = f"[{forbidden}]|{re.escape(mark[0])}(?={re.escape(mark[1:])}[0-9A-Fa-f]{{4}})"
    return re.sub(pattern, lambda found: f"{mark}{ord(found[0]):04X}", text)


def restored(text: str, mark: str) -> str:
    r"""Undo `escaped`.

    >>> restored("a\\u0007 \\u005Cu0041", "\\u") == "a\x07 \\u0041"
    True
    """
    pattern = re.escape(mark) + "([0-9A-Fa-f]{4})"
    return re.sub(pattern, lambda found: chr(int(found[1], 16)), text)
