"""What `tieup.plan` gives."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tieup.library.data_frames import frame, out_folder
from tieup.model.plan import Forecast
from tieup.sentences import counted
from tieup.write.plan_files import (
    PLAN_JOINTS,
    PLAN_POINTS,
    PLAN_SETUPS,
    PLAN_SIGHTS,
    write_plan,
)
from tieup.write.plan_screen import plan_record

if TYPE_CHECKING:
    import pandas


class PlanResult:
    """What a plan comes to: four frames, the next shots, and the files on request.

    Columns and their units: tieup/write/columns.md.
    """

    def __init__(self, forecast: Forecast) -> None:
        self.forecast = forecast

    def __repr__(self) -> str:
        answer, job = self.forecast.answer, self.forecast.job
        what = "holds" if answer.status == 0 else "is weak"
        points = counted(len(self.forecast.points["point"]), "point")
        faults = counted(len(answer.faults), "fault")
        return f"<tieup.PlanResult {job.title or job.folder.name}: {what}; {points}, {faults}>"

    @cached_property
    def points(self) -> pandas.DataFrame:
        """Every point that is sighted, in the job's units; columns as in plan_points.csv."""
        return frame(self.forecast.points, PLAN_POINTS)

    @cached_property
    def sights(self) -> pandas.DataFrame:
        """Every sight; columns as in plan_sights.csv."""
        return frame(self.forecast.sights, PLAN_SIGHTS)

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """Every setup; columns as in plan_setups.csv."""
        return frame(self.forecast.setups, PLAN_SETUPS)

    @cached_property
    def joints(self) -> pandas.DataFrame:
        """Every joint between two setups; columns as in plan_joints.csv."""
        return frame(self.forecast.joints, PLAN_JOINTS)

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
        return write_plan(self.forecast, out_folder(folder))
