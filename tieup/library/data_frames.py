"""What the results of the library share: frames out of tables, folders out of arguments."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.errors import InputError, OutputError
from tieup.model.reconciliation import Table
from tieup.write.tables import ordered

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas


def frame(table: Table, columns: Mapping[str, str]) -> pandas.DataFrame:
    """Return a table as a frame, ``columns`` first; no rows where the job has no such table."""
    import pandas

    names = ordered(table, columns) if table else columns
    return pandas.DataFrame({name: table.get(name, []) for name in names})


def job_folder(given: Any, call: str) -> Path:
    """Return the folder that a caller names as a job; InputError where it is no name."""
    if not _is_path(given):
        raise InputError(
            f"{call}({given!r:.60}): a job is named by its folder, as text or as a path. "
            f'Call {call}("fire_station"), the folder that holds job.yaml'
        )
    return Path(given)


def out_folder(given: Any) -> Path:
    """Return the folder that a caller names to write into; OutputError where it is no name."""
    if not _is_path(given):
        raise OutputError(
            f"{given!r:.60}: is no name of a folder to write into. Name one as text or as a path"
        )
    return Path(given)


def _is_path(given: Any) -> bool:
    return isinstance(given, str | os.PathLike) and bool(os.fspath(given))
