"""The library's face: reconcile or plan a job folder and get pandas frames.

Prints nothing and keeps nothing between calls; only `Result.write` reads the clock.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.model.plan import Forecast
from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import (
    COORDINATES,
    DERIVED,
    FALLS,
    FIELD,
    FIELD_SETUPS,
    OBSERVATIONS,
    SETUPS,
    STRINGS,
    TIES,
)
from tieup.write.dictionary import DICTIONARY, dictionary
from tieup.write.documents import finding_record
from tieup.write.folder import timestamp, write_results
from tieup.write.plan_files import PLAN_POINTS, PLAN_SETUPS, PLAN_SIGHTS, write_plan
from tieup.write.plan_screen import plan_record
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


def plan(folder: str | Path, out: str | Path | None = None) -> PlanResult:
    """Predict what the sights of a job folder are worth: planned, shot already, or both.

    Parameters
    ----------
    folder
        Job folder with its job.yaml, which names the plan under ``plan:``.
    out
        Folder to write the files of the plan into; None writes nothing.

    Raises
    ------
    TieupError
        The job, its plan or its data is wrong; the message says where and what to do.
    """
    from tieup.config import load_job
    from tieup.planning import forecast

    result = PlanResult(forecast(load_job(Path(folder), planning=True)))
    if out is not None:
        result.write(out)
    return result


class PlanResult:
    """What a plan comes to: three frames, the next shots, and the files on request.

    Columns and their units: docs/columns.md.
    """

    def __init__(self, forecast: Forecast) -> None:
        self.forecast = forecast

    @cached_property
    def points(self) -> pandas.DataFrame:
        """Every point that is sighted, in the job's units; columns as in plan_points.csv."""
        return _frame(self.forecast.points, PLAN_POINTS)

    @cached_property
    def sights(self) -> pandas.DataFrame:
        """Every sight; columns as in plan_sights.csv."""
        return _frame(self.forecast.sights, PLAN_SIGHTS)

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """Every setup; columns as in plan_setups.csv."""
        return _frame(self.forecast.setups, PLAN_SETUPS)

    @property
    def next_shots(self) -> list[dict[str, Any]]:
        """Further sights worth shooting, best first: setup, point, distance, gains."""
        record: list[dict[str, Any]] = plan_record(self.forecast.answer)["next_shots"]
        return record

    @property
    def faults(self) -> list[str]:
        """What is weak in the plan, worst first."""
        return list(self.forecast.answer.faults)

    @property
    def status(self) -> int:
        """0 when the plan holds, else 1."""
        return self.forecast.answer.status

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the files of the plan into a folder, all or none; return their paths.

        Raises
        ------
        OutputError
            The folder holds the job or raw data, or cannot be written.
        """
        return write_plan(self.forecast, Path(folder))


class Result:
    """A reconciled site: its tables as frames, the findings, and the files on request.

    Frames have the columns of the files and the job's own units; ``columns`` says of each what
    it means and in which unit it stands (docs/columns.md for every job).
    """

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

    @cached_property
    def strings(self) -> pandas.DataFrame:
        """Every point of every string in order; columns as in strings.csv."""
        return _frame(self.reconciliation.strings, STRINGS)

    @cached_property
    def falls(self) -> pandas.DataFrame:
        """Every fall that job.yaml asks for; columns as in falls.csv."""
        return _frame(self.reconciliation.falls, FALLS)

    @cached_property
    def derived(self) -> pandas.DataFrame:
        """Every derived point; columns as in derived.csv, no rows where the job derives none."""
        return _frame(self.reconciliation.derived, DERIVED)

    @cached_property
    def field(self) -> pandas.DataFrame:
        """Every row with stored coordinates against the reconciled; columns as in field.csv."""
        return _frame(self.reconciliation.field_rows, FIELD)

    @cached_property
    def field_setups(self) -> pandas.DataFrame:
        """Every setup that stored coordinates; columns as in field_setups.csv."""
        return _frame(self.reconciliation.field_setups, FIELD_SETUPS)

    @cached_property
    def columns(self) -> pandas.DataFrame:
        """What each column of each table means and its unit; as in columns.csv."""
        return _frame(dictionary(self.reconciliation), DICTIONARY)

    @property
    def findings(self) -> list[dict[str, Any]]:
        """The findings, worst first, as findings.json holds them."""
        return [finding_record(finding) for finding in self.reconciliation.findings]

    @property
    def status(self) -> int:
        """0 when the site ties, 1 when something does not, is not proved or must be decided."""
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

    names = ordered(table, columns) if table else columns
    return pandas.DataFrame({name: table.get(name, []) for name in names})
