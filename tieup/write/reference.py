"""Make docs/columns.md anew: ``python -m tieup.write.reference > docs/columns.md``."""

from __future__ import annotations

import sys

from tieup.write.columns import TABLES, TEXT
from tieup.write.dictionary import reference_text
from tieup.write.meanings import MEANINGS
from tieup.write.plan_files import TABLES as PLAN_TABLES


def columns_page() -> str:
    """Return docs/columns.md: the tables of `tieup reconcile`, then of plan and audit."""
    audit = "audit.csv"
    return reference_text(
        {file: kinds for file, (_, kinds) in TABLES.items()}
        | {file: kinds for file, (kinds, _) in PLAN_TABLES.items()}
        | {audit: dict.fromkeys(MEANINGS[audit], TEXT)}
    )


if __name__ == "__main__":
    sys.stdout.write(columns_page())
