"""Northing and easting in each other's column of the control list: of all marks, or of some."""

from __future__ import annotations

from dataclasses import replace

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.kinds.control_coordinate import with_given
from tieup.diagnose.kinds.kind import Kind

WHOLE_LIST = "whole list"  # the detail of a list swapped as a whole


class SwappedAxes(Kind):
    """Control with swapped axes; it changes no reading."""

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the coordinates as they were given: of some marks, or the whole list."""
        if mistake.detail == WHOLE_LIST:
            return replace(case, control=original.control, datum=original.datum)
        return with_given(case, original, mistake.points)

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Exchange northing and easting of the marks, their sds with them."""
        swapped = {}
        for name in ("control", "given"):
            control = getattr(case, name)
            if control is None:
                continue
            rows = [control.names.index(p) for p in mistake.points if p in control.names]
            coordinates, sd = control.coordinates.copy(), control.sd.copy()
            for array in (coordinates, sd):
                array[rows, :2] = array[rows, 1::-1]
            swapped[name] = replace(control, coordinates=coordinates, sd=sd)
        return replace(case, **swapped)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say that northing and easting are in each other's column."""
        if mistake.detail == WHOLE_LIST:
            return MistakeText(
                "The whole control list is the mirror image of the site: northing and easting "
                "stand in each other's column. All circles read anticlockwise would look the same",
                "the site is solved by itself; its coordinates are not those of control",
                "Compare control.csv with the original sheet; sketch three marks and their "
                "clockwise order.",
                "Exchange the two columns in control.csv (accept).",
                "the two columns are exchanged",
            )
        return MistakeText(
            f"Northing and easting of {some(mistake.points)} stand in each other's column of the "
            "control list; exchanged they fit the site",
            "the given values are left out",
            "Compare control.csv with the original sheet.",
            f"Exchange northing and easting of {some(mistake.points)} in control.csv (accept).",
            "northing and easting are exchanged",
        )


SWAPPED_AXES = SwappedAxes("swapped-axes", (), "", action="freed")
