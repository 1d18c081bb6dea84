"""Carry out what a person decided: edits of the raw data as taken, never of the files.

Takes the decisions of job.yaml and a case, gives the case with them, and for each what
it did. A decision that matches nothing is an error: it was meant for other data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.decisions.idle_decisions import Edit, changes, components_of, idle_decisions
from tieup.diagnose.kinds.booked_links import links_on_line
from tieup.errors import ConfigError, TieupError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.decision import Decision
from tieup.model.fieldbook import Fieldbook, Setup
from tieup.model.observations import AZIMUTH, LEVEL_DISTANCE
from tieup.model.strings import string_names

SHOT_VALUES = ("target_height", "prism_constant", "face")


@dataclass(frozen=True)
class Effect:
    """What one decision did: raw rows touched, scatter of the whole site before and after.

    The scatter is that of everything as recorded (sigma0, in units of the stated sds),
    with this decision and those before it carried out and nothing else left out.
    """

    decision: Decision
    rows: int
    before: float
    after: float


@dataclass(frozen=True)
class Decided:
    """A case with the row edits of all decisions; ``excluded`` (m, 3) by a person's word."""

    case: Case
    excluded: BoolArray
    effects: tuple[Effect, ...] = ()


def scatter_of(case: Case) -> float:
    """Return sigma0 of a case as it stands, NaN where it cannot be solved or tested."""
    try:
        adjustment = solve(case).adjustment
    except TieupError:
        return np.nan
    return (adjustment.weighted_sum / adjustment.dof) ** 0.5 if adjustment.dof > 0 else np.nan


def apply_edits(case: Case, fieldbook: Fieldbook, decisions: Sequence[Decision]) -> Decided:
    """Carry out exclude, set and rename, in the order written.

    Raises
    ------
    ConfigError
        Naming every decision that matches no row, setup or value, or that changes nothing.
    """
    excluded = np.zeros(case.use.shape, dtype=bool)
    problems: list[str] = []
    effects: list[Effect] = []
    edits: list[Edit] = []
    scatter = scatter_of(case) if decisions else np.nan
    for decision in decisions:
        if decision.verb not in ("exclude", "set", "rename"):
            continue
        rows = _rows(case, fieldbook, decision)
        links = links_on_line(case, decision.where.get("line", ""))
        if not len(rows) and decision.verb == "exclude" and links:
            case = case.without_links(links)
            before, scatter = scatter, scatter_of(case)
            effects.append(Effect(decision, len(links), before, scatter))
            continue
        if not len(rows):
            problems.append(
                f"job.yaml:{decision.line}: decision {decision.verb} matches no raw row: "
                f"{dict(decision.where)}. Check setup, point, string and line, or take it out"
            )
            continue
        edited = _edited(case, rows, decision, excluded)
        edits.append(Edit(decision, rows, changes(case, edited)))
        case = edited
        before, scatter = scatter, scatter_of(case)
        effects.append(Effect(decision, len(rows), before, scatter))
    problems += idle_decisions(edits, case)
    if problems:
        raise ConfigError(*problems)
    return Decided(case, excluded, tuple(effects))


def _edited(case: Case, rows: IntArray, decision: Decision, excluded: BoolArray) -> Case:
    """Carry out one edit; what a person excludes is noted in ``excluded``."""
    if decision.verb == "exclude":
        kinds = components_of(decision)
        excluded[np.ix_(rows, np.array(kinds))] = True
        return case.without(rows, kinds)
    if decision.verb == "rename":
        return case.with_renamed(rows, decision.to)
    return _set(case, rows, decision)


def _rows(case: Case, fieldbook: Fieldbook, decision: Decision) -> IntArray:
    """Return the raw rows that a decision selects."""
    shots, where = case.shots, decision.where
    mask = np.ones(len(shots), dtype=bool)
    if "setup" in where:
        named = [n for n, s in enumerate(case.setups) if where["setup"] in (s.label, s.name)]
        mask &= np.isin(shots.setup, named)
    if "point" in where:
        named = [n for n, p in enumerate(fieldbook.points) if p == where["point"]]
        mask &= np.isin(fieldbook.shots.point, named)
    if "string" in where:
        mask &= string_names(shots) == where["string"]
    if "line" in where:
        file, _, line = where["line"].rpartition(":")
        named = [n for n, f in enumerate(fieldbook.files) if f.name == file]
        mask &= np.isin(shots.file, named) & (shots.line.astype(str) == line)
    for kind, own in ((AZIMUTH, shots.azimuth), (LEVEL_DISTANCE, shots.level)):
        if where.get("kind") == kind:
            mask &= own
    return np.flatnonzero(mask)


def _set(case: Case, rows: IntArray, decision: Decision) -> Case:
    """Set booked values (m) of the selected rows or of their setups."""
    for key, value in decision.values.items():
        if key == "instrument_height":
            for setup in np.unique(case.shots.setup[rows]).tolist():
                new = replace(case.setups[setup], instrument_height=value)
                case = _booked(case, setup, new)
        elif key in SHOT_VALUES:
            column = getattr(case.shots, key).copy()
            column[rows] = value
            case = replace(case, shots=replace(case.shots, **{key: column}))
    if "station" in decision.texts:
        for setup in np.unique(case.shots.setup[rows]).tolist():
            new = _over(case.setups[setup], decision.texts["station"])
            case = _booked(case, setup, new)
    return case


def _booked(case: Case, number: int, setup: Setup) -> Case:
    """Return the case with a setup as if it had been booked so."""
    booked = (*case.booked[:number], setup, *case.booked[number + 1 :])
    return replace(case.with_setup(number, setup), booked=booked)


def _over(setup: Setup, station: str) -> Setup:
    """Return a setup over a mark; a free one has the height that was booked, or none."""
    if setup.station or setup.instrument_height != 0.0:
        return replace(setup, station=station)
    height = np.nan if setup.idle_height is None else setup.idle_height
    return replace(setup, station=station, instrument_height=height)
