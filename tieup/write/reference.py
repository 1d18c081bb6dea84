"""Every table of tieup with its columns, and tieup/write/columns.md out of it.

Made anew by ``python -m tieup.write.reference > tieup/write/columns.md``.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping

from tieup.write.archive_columns import ARCHIVE_TABLES
from tieup.write.columns import TABLES, TEXT
from tieup.write.dictionary import DICTIONARY, reference_text
from tieup.write.meanings import MEANINGS
from tieup.write.plan_files import TABLES as PLAN_TABLES
from tieup.write.surface_tables import ANY_NAME, SURFACE_TABLES, file_name


def tables() -> dict[str, Mapping[str, str]]:
    """Return the columns and kinds of each table: of reconcile, plan and audit, of many jobs."""
    audit = "audit.csv"
    return {
        **{file: kinds for file, (_, kinds) in TABLES.items()},
        **{file_name(ANY_NAME, kind): kinds for kind, kinds in SURFACE_TABLES.items()},
        "columns.csv": DICTIONARY,
        **{file: kinds for file, (kinds, _) in PLAN_TABLES.items()},
        audit: dict.fromkeys(MEANINGS[audit], TEXT),
        **ARCHIVE_TABLES,
    }


def columns_page() -> str:
    """Return tieup/write/columns.md."""
    return reference_text(tables())


if __name__ == "__main__":
    sys.stdout.write(columns_page())
