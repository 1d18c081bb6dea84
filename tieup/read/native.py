"""Read one raw table, native or mapped, into columns of SI values.

Decides which rows are invalid; `judge_file` says whether the file as a whole can be trusted.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tieup.model.fieldbook import RawFile
from tieup.model.job import Job
from tieup.read.absent import absent_columns
from tieup.read.cells import convert
from tieup.read.file_rows import FileRows
from tieup.read.judge import judge_file
from tieup.read.locate import locate_columns, table_format
from tieup.read.row_kinds import split_kinds
from tieup.read.text_table import read_table
from tieup.read.value_words import with_meanings


def read_native(path: Path, name: str, job: Job) -> FileRows:
    """Read one raw table: a delimited file or a sheet of a workbook.

    A time that is not ISO 8601 does not make its row invalid, for nothing observed
    depends on it: the row has no time, and the column is reported with the unknown ones.

    Raises
    ------
    InputError
        The file is no such table (see `read_table`, `split_kinds`, `locate_columns`), or as
        a whole cannot be trusted (see `judge_file`).
    """
    form = table_format(job.table)
    table = read_table(path, name, form)
    mixed = split_kinds(table, job.table["row_kind"]) if form.ragged else None
    table = mixed.shots if mixed else table
    columns, unknown = locate_columns(table, job, mixed)
    columns = with_meanings(columns, job.table["words"])
    absent = absent_columns(table, columns, unknown, mapped=bool(job.table["columns"]))
    unknown += mixed.others if mixed else ()
    converted = convert(columns, len(table), form.decimal)
    for row, why in table.misshapen.items():
        converted.reasons.setdefault(row, []).insert(0, f"the row {why}")
    judge_file(name, table.line, columns, converted)
    if converted.undated:
        unknown = (*unknown, f"time ({converted.undated} cells not ISO 8601)")
    trusted = np.ones(len(table), dtype=bool)
    trusted[list(table.misshapen)] = False
    return FileRows(
        raw=RawFile(name, table.sha256, len(table)),
        line=table.line,
        values=converted.values,
        reasons={row: "; ".join(why) for row, why in sorted(converted.reasons.items())},
        observed=converted.observed,
        trusted=trusted,
        unknown=unknown,
        absent=absent,
    )
