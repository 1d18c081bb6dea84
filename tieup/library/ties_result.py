"""What `tieup.ties` gives: the crew lead's answer."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.library.data_frames import out_folder
from tieup.model.answer import TieAnswer
from tieup.model.reconciliation import Reconciliation
from tieup.sentences import counted
from tieup.write.folder import timestamp, write_results
from tieup.write.ties_screen import ties_record, ties_text

if TYPE_CHECKING:
    import pandas


class TiesResult:
    """Do the bays tie, and what to shoot again: setups and joints as frames, lengths in J.

    J is the job's length unit. ``plan`` and ``height`` are the largest differences of a setup
    against the rest of the site, or the step between two setups; ``height`` is positive where
    the setup (of a joint: the second) puts things high. NaN: nothing tests it.
    """

    def __init__(self, reconciliation: Reconciliation, answer: TieAnswer) -> None:
        self.reconciliation = reconciliation
        self.answer = answer

    def __repr__(self) -> str:
        things = sum(len(errand.things) for errand in self.answer.todo)
        marks, todo = counted(self.answer.holding, "mark tie"), counted(things, "thing")
        title = self.answer.title or self.reconciliation.job.folder.name
        word = self.answer.verdict.word
        return f"<tieup.TiesResult {title}: {word}; {marks} within limits, {todo} to do>"

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """Each setup: station, plan, plan_at, height, height_at, verdict, words."""
        return _frame(self._record["setups"])

    @cached_property
    def joints(self) -> pandas.DataFrame:
        """Each two setups whose bays meet: setups, plan, height, far, far_at, verdict, words."""
        return _frame(self._record["joints"])

    @property
    def todo(self) -> list[str]:
        """What to shoot again or look up: one line a setup, the one that still stands first."""
        return [errand.said for errand in self.answer.todo]

    @property
    def verdict(self) -> str:
        """The word of the run: ties, fails or unproved."""
        return self.answer.verdict.word

    @property
    def reasons(self) -> list[str]:
        """Why it is not ties, the worst first."""
        return list(self.answer.verdict.reasons)

    @property
    def status(self) -> int:
        """0 when the site ties, 1 when something does not, is not proved or must be decided."""
        return self.answer.verdict.status

    def text(self, width: int = 80) -> str:
        """Return the crew lead's screen in so many columns."""
        return ties_text(self.answer, width)

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the result files into a folder, all or none; return their paths.

        Raises
        ------
        OutputError
            The folder holds the job or raw data, or cannot be written.
        """
        return write_results(self.reconciliation, out_folder(folder), written=timestamp())

    @cached_property
    def _record(self) -> dict[str, Any]:
        return ties_record(self.answer)


def _frame(rows: list[dict[str, Any]]) -> pandas.DataFrame:
    import pandas

    return pandas.DataFrame(rows)
