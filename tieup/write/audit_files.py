"""Write audit.csv and audit.json, beside results and never over them."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path

from tieup.write.audit_screen import RESULT_COLUMNS, Audited, audits_record, results_table
from tieup.write.documents import json_text
from tieup.write.folder import write_set
from tieup.write.tables import csv_text

TABLE, RECORD = "audit.csv", "audit.json"


def write_audits(out: Path, audited: Sequence[Audited], status: int) -> tuple[Path, ...]:
    """Write both files into ``out``, all or none; return their paths.

    Raises
    ------
    OutputError
        ``out`` cannot be written; nothing has changed.
    """
    table = csv_text(results_table(audited), RESULT_COLUMNS, "deg")
    hashes = {TABLE: sha256(table.encode()).hexdigest()}
    record = {**audits_record(audited, status), "files": [TABLE, RECORD], "sha256": hashes}
    write_set(out, [(TABLE, table), (RECORD, json_text(record))], record=RECORD)
    return out / TABLE, out / RECORD
