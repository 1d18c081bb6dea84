"""Free setups that are called like a mark: one name for two places, so the setup gets another.

The coordinates of a free setup stand in the results under its label. A mark of that name is
somewhere else; or the crew wrote the mark under the instrument where the setup's label goes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.row_lines import lines_of
from tieup.model.fieldbook import Fieldbook, Setup
from tieup.model.finding import Finding
from tieup.model.finding_kinds import LABEL_OF_MARK

MARK = "~setup"  # behind the label of a setup that is called like a mark


def apart_from_marks(fieldbook: Fieldbook, marks: Collection[str]) -> Fieldbook:
    """Return the field book with free setups relabelled that are called like a mark.

    Parameters
    ----------
    marks
        Every name of a mark but those of the field book itself.
    """
    stations = [setup.station for setup in fieldbook.setups if setup.station]
    names = {*fieldbook.points, *stations, *marks}
    taken = {*names, *(setup.label for setup in fieldbook.setups)}
    setups: list[Setup] = []
    for setup in fieldbook.setups:
        if not setup.station and setup.label in names:
            label = next(name for name in _labels(setup.label) if name not in taken)
            taken.add(label)
            setup = replace(setup, label=label)
        setups.append(setup)
    return replace(fieldbook, setups=tuple(setups))


def _labels(label: str) -> Iterator[str]:
    yield f"{label}{MARK}"
    number = 2
    while True:
        yield f"{label}{MARK}{number}"
        number += 1


def label_findings(fieldbook: Fieldbook, case: Case) -> Iterator[Finding]:
    """Give the setups that were relabelled and that no decision puts over a mark."""
    for number, (setup, now) in enumerate(zip(fieldbook.setups, case.booked, strict=True)):
        if MARK not in setup.label or MARK in setup.name or now.station:
            continue
        mark = setup.label.rpartition(MARK)[0]
        yield LABEL_OF_MARK.found(
            setup=setup.label,
            points=(mark,),
            lines=lines_of(fieldbook, np.flatnonzero(fieldbook.shots.setup == number)[:1]),
            says=f"Setup {mark} of {setup.file} has no station and has the name of mark {mark}: "
            f"it is taken as a free station of its own and called {setup.label}.",
            confirm=f"Look in the field book whether the instrument stood over {mark}.",
            cure=f"If it did: decisions: {{set: {{setup: {setup.label}, station: {mark}}}, "
            "reason: ...}, with its instrument_height; else give the setup a label of its own.",
            key="label",
        )
