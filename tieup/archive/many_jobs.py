"""Many jobs, each done as it would be alone, and what came of them as it is ready."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from pathlib import Path
from time import time

from tieup.archive.distribute import Means, distributed
from tieup.archive.job_folders import in_turns, whole_path
from tieup.archive.one_job import Commission, raw_audited, reconciled, without_result
from tieup.model.archived import ArchivedJob
from tieup.model.job import readable
from tieup.write.audit_screen import Audited
from tieup.write.exchange.formats import Exchange

DIED = (
    "{folder}: each process that worked on it was killed. It may need more memory than there is. "
    "Run it alone: tieup {command} {folder}"
)


def reconcile_each(
    folders: Sequence[Path], others: Exchange, means: Means, *, with_rows: bool
) -> Generator[tuple[int, ArchivedJob], None, None]:
    """Yield what came of each job with its number, as it is ready.

    Jobs whose results are there and that have not changed are not run again. Each writes into
    its own folder of results.

    Raises
    ------
    EngineError
        The engine of ``means`` does not answer or was lost; what is done until then is kept.
    """
    began = time()
    for turn in in_turns(folders):
        asked = [
            Commission(readable(str(folder)), whole_path(folder), others, with_rows, began)
            for folder in (folders[k] for k in turn)
        ]
        for place, job in distributed(reconciled, asked, means):
            one = asked[place]
            yield turn[place], job or without_result(one, _died(one.name, "reconcile"))


def audit_each(folders: Sequence[Path], means: Means) -> Generator[tuple[int, Audited], None, None]:
    """Yield the audit of each job with its number, as it is ready; errors as for reconcile_each."""
    names = [str(folder) for folder in folders]
    for number, job in distributed(raw_audited, names, means):
        yield number, job or Audited(names[number], "", "", None, _died(names[number], "audit"))


def _died(folder: str, command: str) -> tuple[str, ...]:
    return (DIED.format(folder=folder, command=command),)
