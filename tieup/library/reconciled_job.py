"""One job from its folder to its written results: what every `tieup reconcile` does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tieup.model.reconciliation import Reconciliation
    from tieup.write.exchange.formats import Exchange


def reconciled_job(
    folder: Path,
    out: Path,
    others: Exchange,
    *,
    progress: Callable[[str], None] | None = None,
    before_writing: Callable[[Reconciliation], None] | None = None,
) -> Reconciliation:
    """Reconcile a job folder and write its results into ``out``, all or none.

    Parameters
    ----------
    others
        Files for other programs, written together with the results where they may leave.
    progress
        Called with the words of each stage.
    before_writing
        Called with the result when nothing but the writing is left.

    Raises
    ------
    TieupError
        The job, its data or the solution is wrong, or the results cannot be written.
    """
    from tieup.config import load_job
    from tieup.pipeline import run
    from tieup.write.folder import check_target, timestamp, write_results

    job = load_job(folder)
    check_target(out, job)
    others.check()
    site = run(job, progress=progress)
    if before_writing is not None:
        before_writing(site)
    write_results(site, out, written=timestamp(), also=others)
    return site
