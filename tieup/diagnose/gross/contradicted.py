"""What the start itself shows: a control value, or a station, that everything else contradicts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.hypotheses import NO_ROWS
from tieup.diagnose.basis.laid_on_marks import solve_laid
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.gross.trials import rows_of
from tieup.diagnose.kinds.catalogue import taken_out
from tieup.diagnose.kinds.control_coordinate import CONTROL_COORDINATE
from tieup.diagnose.kinds.occupations import INSTRUMENT_HEIGHT, STATION_NAME
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.errors import NetworkError


def gross_control(solved: Solved) -> list[Mistake]:
    """Return the control values that everything else contradicts."""
    network = solved.network
    found = []
    for point in np.flatnonzero(network.start.gross_control.any(axis=1)).tolist():
        detail = "".join("NEH"[k] for k in np.flatnonzero(network.start.gross_control[point]))
        sights = np.flatnonzero(network.sights.point == point)
        name = network.point_names[point]
        rows = rows_of(solved, sights)
        setups = np.unique(network.sights.setup[sights])
        rivals: tuple[RivalCause, ...] = ()
        if len(setups) == 1:  # one setup against the list: its shot is as suspect
            label = network.setup_labels[int(setups[0])]
            rivals = (POINT_NAME.rival(label, (name,)),)
        wrong = CONTROL_COORDINATE.mistake("", (name,), rows)
        found.append(replace(wrong, detail=detail, rivals=rivals))
    return found


def gross_stations(solved: Solved) -> list[Mistake]:
    """Return the occupied setups that do not stand where, or as high as, they say."""
    case, found = solved.case, []
    for setup, (plan, height) in enumerate(solved.network.start.gross_station.tolist()):
        own = case.setups[setup]
        if plan:
            found.append(STATION_NAME.mistake(own.label, (own.station,), NO_ROWS))
        elif height:
            found.append(INSTRUMENT_HEIGHT.mistake(own.label, (own.station,), NO_ROWS))
    return found


def without_contradicted(case: Case, mistakes: list[Mistake]) -> tuple[Solved, list[Mistake]]:
    """Solve a case without ``mistakes``; return those that were taken out too.

    Where control marks contradict each other and without them nothing holds the site, one of them
    stays, and each of the others may be right in its place.

    Raises
    ------
    NetworkError, AdjustmentError
        It cannot be solved so.
    """
    listed = [one for one in mistakes if one.kind == CONTROL_COORDINATE.name]
    out = _all_out(case, mistakes)
    if len(listed) < 2:
        return (solve_laid(out) if listed else solve(out)), mistakes
    if not _takes_all(case, out):
        try:
            return solve(out), mistakes
        except NetworkError:
            pass
    kept = max(listed, key=lambda one: len(one.rows))
    instead = CONTROL_COORDINATE.rival("", kept.points)
    fewer = [
        replace(one, rivals=(instead, *one.rivals)) if one.kind == CONTROL_COORDINATE.name else one
        for one in mistakes
        if one is not kept
    ]
    return solve_laid(_all_out(case, fewer)), fewer


def _takes_all(case: Case, out: Case) -> bool:
    """Say whether ``out`` has no northing, easting or elevation left of those that a list has."""
    if case.control is None or out.control is None:
        return False
    before, after = (np.isfinite(c.coordinates).any(axis=0) for c in (case.control, out.control))
    return bool((before & ~after).any())


def _all_out(case: Case, mistakes: Iterable[Mistake]) -> Case:
    for mistake in mistakes:
        case = taken_out(case, mistake)
    return case
