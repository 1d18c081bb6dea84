"""A setup whose numbers follow another convention than the job states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.kinds.convention_catalogue import POLES, convention_of, with_convention
from tieup.diagnose.kinds.kind import ALL, Kind, in_setup


@dataclass(frozen=True)
class Misread(Kind):
    """Numbers of a setup that mean something else; ``look`` says how to find out."""

    look: str = ""

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Read the numbers as what they are.

        ``case`` is one that the mistake has not been left out of: which readings take part
        stays as it is.
        """
        return with_convention(case, mistake.rows, convention_of(mistake))

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say which convention the numbers of a setup follow."""
        out = "all its readings are" if mistake.kinds == ALL else "its distances are"
        if POLES in mistake.detail and mistake.kinds != ALL:
            out = "its distances and heights are"
        out = out if mistake.setup else out.replace("its", "their")
        return MistakeText(
            f"The numbers of {_whose(mistake)} follow another convention than the job states: "
            f"{mistake.detail}. Read so, it joins the other setups; as stated it fits nowhere"
            f"{_others(mistake)}",
            f"{out} left out",
            self.look,
            f"Read the numbers as {mistake.instead[0]} (accept), or "
            + (
                "export the setup again in the units of the job."
                if mistake.setup
                else "correct units: and columns: in job.yaml."
            ),
            f"the numbers are read as {mistake.instead[0]}",
        )


class DistanceUnit(Misread):
    """Lengths in another unit."""

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that the lengths are in another unit."""
        return f"the distances{in_setup(setup)} are in another unit"


def _whose(mistake: Mistake) -> str:
    """Name the setups of a mistake: one, all of an instrument, all of the job."""
    if mistake.setup:
        return f"setup {mistake.setup}"
    return f"setups {some(mistake.instead[1:])}, all alike,"


def _others(mistake: Mistake) -> str:
    """Say which setups may as well be the ones misread."""
    rivals = [rival.setup for rival in mistake.rivals if rival.setup]
    if not rivals:
        return ""
    return (
        f". It may as well be setup {some(rivals)}, the other way round: no third setup and no "
        "control says which"
    )


DISTANCE_UNIT = DistanceUnit(
    "distance-unit",
    unit="ratio",
    look="Compare one distance with the tape or with the coordinates of two marks; look at the "
    "length unit set in the instrument and in the export.",
)
MIRRORED_CIRCLE = Misread(
    "mirrored-circle",
    unit="",
    look="Sketch any three marks of the setup: does their clockwise order agree with the readings? "
    "Look at the circle setting of the instrument.",
)
ANGLE_UNIT = Misread(
    "angle-unit",
    unit="",
    look="Look at the export settings for angles: DDD.MMSS never shows minutes or seconds of 60 or "
    "more.",
)
VERTICAL_ANGLE_KIND = Misread(
    "vertical-angle-kind",
    unit="",
    look="Look at the export settings: level is 90 degrees for zenith angles and 0 for elevation "
    "angles.",
)
