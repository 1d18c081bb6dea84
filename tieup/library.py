"""The library's face: reconcile a job folder and get pandas frames.

Prints nothing and keeps nothing between calls; only `Result.write` reads the clock.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import COORDINATES, OBSERVATIONS, SETUPS, TIES
from tieup.write.documents import finding_record
from tieup.write.folder import timestamp, write_results
from tieup.write.tables import ordered

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas


def reconcile(folder: str | Path, out: str | Path | None = None) -> Result:
    """Adjust all setups of a job folder as one site.

    Parameters
    ----------
    folder
        Job folder with its job.yaml.
    out
        Folder to write the result files into; None writes nothing.

    Raises
    ------
    TieupError
        The job, its data or the solution is wrong; the message says where and what to do.
    """
    from tieup.config import load_job
    from tieup.pipeline import run

    result = Result(run(load_job(Path(folder))))
    if out is not None:
        result.write(out)
    return result


class Result:
    """A reconciled site: four frames, the findings, and the files on request."""

    def __init__(self, reconciliation: Reconciliation) -> None:
        self.reconciliation = reconciliation

    @cached_property
    def coordinates(self) -> pandas.DataFrame:
        """Every point and station, in the job's units; columns as in coordinates.csv."""
        return _frame(self.reconciliation.coordinates, COORDINATES)

    @cached_property
    def observations(self) -> pandas.DataFrame:
        """Every component of every raw row; columns as in observations.csv."""
        return _frame(self.reconciliation.observations, OBSERVATIONS)

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """Every setup; columns as in setups.csv."""
        return _frame(self.reconciliation.setups, SETUPS)

    @cached_property
    def ties(self) -> pandas.DataFrame:
        """Every shared or control point in every setup; columns as in ties.csv."""
        return _frame(self.reconciliation.ties, TIES)

    @property
    def findings(self) -> list[dict[str, Any]]:
        """The findings, worst first, as findings.json holds them."""
        return [finding_record(finding) for finding in self.reconciliation.findings]

    @property
    def status(self) -> int:
        """0 when the site ties, 1 when something does not tie or must be decided."""
        return self.reconciliation.status

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the result files into a folder, all or none; return their paths.

        Raises
        ------
        OutputError
            The folder holds the job or raw data, or cannot be written.
        """
        return write_results(self.reconciliation, Path(folder), written=timestamp())


def _frame(table: Table, columns: Mapping[str, str]) -> pandas.DataFrame:
    import pandas

    return pandas.DataFrame({name: table[name] for name in ordered(table, columns)})
