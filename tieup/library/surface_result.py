"""What `tieup.surface` gives."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.library.data_frames import frame, out_folder
from tieup.model.reconciliation import Reconciliation
from tieup.sentences import counted
from tieup.write.folder import timestamp, write_results
from tieup.write.surface_screen import surface_record, surface_text
from tieup.write.surface_tables import SURFACE_TABLES

if TYPE_CHECKING:
    import pandas


class SurfaceResult:
    """The surfaces of a site: does each drain, its tables as frames, the files on request.

    Columns and units of the frames as in surface_NAME_*.csv (tieup/write/columns.md).
    """

    def __init__(self, reconciliation: Reconciliation) -> None:
        self.reconciliation = reconciliation

    def __repr__(self) -> str:
        job, surfaces = self.reconciliation.job, self.reconciliation.surfaces
        words = ", ".join(f"{one.name} {one.verdict or 'is none'}" for one in surfaces)
        title = job.title or job.folder.name
        return f"<tieup.SurfaceResult {title}: {counted(len(surfaces), 'surface')}; {words}>"

    @property
    def verdicts(self) -> dict[str, str]:
        """The word of each surface: drains, holds, cannot tell, or empty where it is none."""
        return {one.name: one.verdict for one in self.reconciliation.surfaces}

    @property
    def status(self) -> int:
        """0 where the site ties, falls pass, each surface drains and keeps its limits; else 1."""
        return self.reconciliation.status

    @property
    def record(self) -> dict[str, Any]:
        """The screen as data, as ``tieup surface --json`` prints it."""
        return surface_record(self.reconciliation)

    def table(self, surface: str, kind: str) -> pandas.DataFrame:
        """Return a table of a surface: points, faces, ponds, seams, grades or depths.

        Raises
        ------
        KeyError
            There is no such surface or table.
        """
        found = {one.name: one for one in self.reconciliation.surfaces}[surface]
        return frame(getattr(found, kind), SURFACE_TABLES[kind])

    def text(self, width: int = 80) -> str:
        """Return the crew's screen in so many columns."""
        return surface_text(self.reconciliation, width)

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the result files into a folder, all or none; return their paths.

        Raises
        ------
        OutputError
            The folder holds the job or raw data, or cannot be written.
        """
        return write_results(self.reconciliation, out_folder(folder), written=timestamp())
