"""What `tieup.reconcile` gives."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.library.data_frames import frame, out_folder
from tieup.model.reconciliation import Reconciliation
from tieup.sentences import counted
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
    TRAVERSES,
)
from tieup.write.dictionary import DICTIONARY, dictionary
from tieup.write.documents import finding_record
from tieup.write.folder import timestamp, write_results

if TYPE_CHECKING:
    import pandas


class Result:
    """A reconciled site: its tables as frames, the findings, and the files on request.

    Frames have the columns of the files and the job's own units; ``columns`` says of each what
    it means and in which unit it stands (tieup/write/columns.md for every job).
    """

    def __init__(self, reconciliation: Reconciliation) -> None:
        self.reconciliation = reconciliation

    def __repr__(self) -> str:
        site = self.reconciliation
        stops = sum(finding.severity == "stop" for finding in site.findings)
        parts = (
            counted(len(site.setups["setup"]), "setup"),
            counted(len(site.coordinates["point"]), "point"),
            f"{counted(len(site.findings), 'finding')} ({stops} to settle)",
        )
        title = site.job.title or site.job.folder.name
        return f"<tieup.Result {title}: {site.verdict.word}; {', '.join(parts)}>"

    @cached_property
    def coordinates(self) -> pandas.DataFrame:
        """Every point and station, in the job's units; columns as in coordinates.csv."""
        return frame(self.reconciliation.coordinates, COORDINATES)

    @cached_property
    def observations(self) -> pandas.DataFrame:
        """Every component of every raw row; columns as in observations.csv."""
        return frame(self.reconciliation.observations, OBSERVATIONS)

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """Every setup; columns as in setups.csv."""
        return frame(self.reconciliation.setups, SETUPS)

    @cached_property
    def ties(self) -> pandas.DataFrame:
        """Every shared or control point in every setup; columns as in ties.csv."""
        return frame(self.reconciliation.ties, TIES)

    @cached_property
    def strings(self) -> pandas.DataFrame:
        """Every point of every string in order; columns as in strings.csv."""
        return frame(self.reconciliation.strings, STRINGS)

    @cached_property
    def falls(self) -> pandas.DataFrame:
        """Every fall that job.yaml asks for; columns as in falls.csv."""
        return frame(self.reconciliation.falls, FALLS)

    @cached_property
    def derived(self) -> pandas.DataFrame:
        """Every derived point; columns as in derived.csv, no rows where the job derives none."""
        return frame(self.reconciliation.derived, DERIVED)

    @cached_property
    def traverses(self) -> pandas.DataFrame:
        """How traverses of azimuths and distances close; columns as in traverses.csv."""
        return frame(self.reconciliation.traverses, TRAVERSES)

    @cached_property
    def field(self) -> pandas.DataFrame:
        """Every row with stored coordinates against the reconciled; columns as in field.csv."""
        return frame(self.reconciliation.field_rows, FIELD)

    @cached_property
    def field_setups(self) -> pandas.DataFrame:
        """Every setup that stored coordinates; columns as in field_setups.csv."""
        return frame(self.reconciliation.field_setups, FIELD_SETUPS)

    @cached_property
    def columns(self) -> pandas.DataFrame:
        """What each column of each table means and its unit; as in columns.csv."""
        return frame(dictionary(self.reconciliation), DICTIONARY)

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
        return write_results(self.reconciliation, out_folder(folder), written=timestamp())
