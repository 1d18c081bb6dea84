"""How a table is written, and where in job.yaml that can be said: messages name the place."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_BARE = re.compile(r"(?!null$)[A-Za-z][\w./-]*", re.IGNORECASE)  # a word to YAML, and no number
KEYS = ("delimiter", "skip_rows", "decimal", "encoding", "header", "sheet")


@dataclass(frozen=True)
class TableFormat:
    """How a table is written: one character, ``tab`` or ``whitespace`` between the cells.

    ``skip_rows`` physical lines stand above the header, or above the data where ``header``
    is False. ``sheet`` names the sheet of a workbook, empty where it has one. Where the table
    is ``ragged`` rows have as many cells as they have, else a row that differs is misshapen.
    ``around`` is what job.yaml writes before and after a key of this table; None: it cannot.
    """

    delimiter: str = ","
    skip_rows: int = 0
    decimal: str = "."
    encoding: str = "utf-8"
    header: bool = True
    sheet: str = ""
    ragged: bool = False
    around: tuple[str, str] | None = ("", "")

    def entry(self, **keys: Any) -> str:
        """Return what job.yaml must say to give keys to this table; empty where it cannot.

        >>> TableFormat(around=("control: {", "}")).entry(delimiter=";")
        'control: {delimiter: ";"}'
        """
        if self.around is None:
            return ""
        told = written(keys)[1:-1]
        return f"{self.around[0]}{told}{self.around[1]}"


def written(value: Any) -> str:
    """Write a value as job.yaml takes it: words bare, signs and the like in quotes.

    >>> written("cp1252"), written("\\t"), written({"point": "Pt No"}), written(2)
    ('cp1252', '"\\\\t"', '{point: "Pt No"}', '2')
    """
    if isinstance(value, Mapping):
        pairs = (f"{written(key)}: {written(own)}" for key, own in value.items())
        return f"{{{', '.join(pairs)}}}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(written, value))}]"
    if value == "..." or (isinstance(value, str) and _BARE.fullmatch(value)):
        return str(value)
    return json.dumps(value, ensure_ascii=False)


def stated_format(settings: Mapping[str, Any], around: tuple[str, str] | None) -> TableFormat:
    """Take the keys of a format that are written in job.yaml."""
    return TableFormat(**{key: settings[key] for key in KEYS if key in settings}, around=around)
