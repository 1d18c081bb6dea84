"""What the strings of a site are called: one name for tables, joints, plan, to-do and page.

A string that is a bare number counts the lines of its code (1 of the curbs, 1 of the walls;
common practice, no source), so there the code is part of the name.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import TextArray
from tieup.model.fieldbook import Shots


def string_name(string: str, code: str) -> str:
    """Return the name of the string a shot belongs to, empty for none.

    >>> string_name("CURB-S", "curb"), string_name("1", "curb"), string_name("1", "")
    ('CURB-S', 'curb 1', '1')
    """
    return f"{code} {string}" if code and string.isdigit() else string


def string_names(shots: Shots) -> TextArray:
    """Return the name (m,) of the string of each raw row, empty for none."""
    names, codes = shots.string.astype(object), shots.code
    for row, string in enumerate(names.tolist()):
        if string:  # most rows of a large job have none
            names[row] = string_name(string, codes[row])
    return np.asarray(names)


@dataclass(frozen=True)
class StringStep:
    """What a string says of the height (m) where it passes from one setup to another.

    ``setups`` are their numbers and ``ends`` the last point of the one and the first of the
    other. ``step`` is second minus first with its ``sd``; it may be ``unsure`` by the line's own
    shape. ``clear``: the sds by which it is beyond that, NaN where nothing is known.
    ``stands``: it is more than shape and chance explain.
    """

    string: str
    setups: tuple[int, int]
    ends: tuple[int, int]
    step: float
    sd: float
    unsure: float
    clear: float
    stands: bool
