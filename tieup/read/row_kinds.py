"""Tables whose rows are of several kinds: setup rows and the like between the shot rows.

A column says what kind a row is. Rows of some kinds are shots; rows of others set values that
hold for the shots below them, until the next row that sets the same. A row that sets the label
of a setup begins a new setup, even under a label that was there before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import BoolArray, IntArray, TextArray
from tieup.read.raw_columns import Source
from tieup.read.text_table import Table


@dataclass(frozen=True)
class Mixed:
    """The shot rows of a table, and what the rows between them say.

    ``carried`` has, by native column, the text in force at each shot; ``unit`` the unit that
    job.yaml states for it, empty where none. ``places`` are the columns that were used for
    that, from 0; ``others`` names the kinds of row that are neither.
    """

    shots: Table
    carried: Mapping[str, list[str]]
    unit: Mapping[str, str]
    places: frozenset[int]
    others: tuple[str, ...]


def split_kinds(table: Table, settings: Mapping[str, Any]) -> Mixed:
    """Part the rows of a table by their kind, as ``row_kind:`` of job.yaml says.

    Raises
    ------
    InputError
        A column that is named is not there, or no row is a shot.
    """
    place = _place(table, settings["column"], "column")
    kinds = np.array(table.columns[place], dtype=object)
    shots = np.isin(kinds, settings["shots"])
    if not shots.any():
        found = ", ".join(sorted(set(kinds))[:10])
        raise InputError(
            f"{table.name}: no row is of kind {' or '.join(settings['shots'])} "
            f"(row_kind.shots in job.yaml). There are {found}"
        )
    sets = {
        kind: {column: Source(**source) for column, source in columns.items()}
        for kind, columns in settings["sets"].items()
    }
    columns = dict.fromkeys(column for taken in sets.values() for column in taken)
    places = {
        _place(table, source.column, f"sets.{kind}.{column}")
        for kind, taken in sets.items()
        for column, source in taken.items()
        if source.value is None
    }
    strange = Counter(kinds[~(shots | np.isin(kinds, list(sets)))])
    return Mixed(
        shots=_chosen(table, np.flatnonzero(shots)),
        carried={column: _carried(table, kinds, shots, column, sets) for column in columns},
        unit={column: _unit(column, sets) for column in columns},
        places=frozenset(places | {place}),
        others=tuple(f"rows of kind {kind or '(empty)'} ({n})" for kind, n in strange.items()),
    )


def _place(table: Table, place: str | int, key: str) -> int:
    """Return the index of a column that job.yaml names by header or by position from 1."""
    names = [name.lower() for name in table.header]
    if isinstance(place, str) and place.lower() in names:
        return names.index(place.lower())
    if isinstance(place, int) and place <= len(table.columns):
        return place - 1
    raise InputError(
        f"{table.name}:{table.header_line}: row_kind.{key} in job.yaml asks for column {place}, "
        f"and the table has {', '.join(filter(None, table.header)) or len(table.columns)}"
    )


def _carried(
    table: Table,
    kinds: TextArray,
    shots: BoolArray,
    column: str,
    sets: Mapping[str, Mapping[str, Source]],
) -> list[str]:
    """Return the text of a column in force at each shot, empty before the first that sets it."""
    said = np.full(len(kinds), "", dtype=object)
    setting = np.zeros(len(kinds), dtype=bool)
    for kind, columns in sets.items():
        if column not in columns:
            continue
        own, source = kinds == kind, columns[column]
        setting |= own
        texts = [source.value or ""] * len(kinds)
        if source.value is None:
            texts = table.columns[_place(table, source.column, f"sets.{kind}.{column}")]
        said[own] = np.array(texts, dtype=object)[own]
    if column == "setup":
        said[setting] = _again(said[setting])
    last = np.maximum.accumulate(np.where(setting, np.arange(len(kinds)), -1))[shots]
    return [said[row] if row >= 0 else "" for row in last.tolist()]


def _again(labels: TextArray) -> list[str]:
    """Tell a label that comes again from the first: ``S1``, ``S1~2``."""
    count: Counter[str] = Counter()
    told = []
    for label in labels:
        count[label] += 1
        told.append(f"{label}~{count[label]}" if label and count[label] > 1 else label)
    return told


def _unit(column: str, sets: Mapping[str, Mapping[str, Source]]) -> str:
    return next((c[column].unit for c in sets.values() if column in c and c[column].unit), "")


def _chosen(table: Table, rows: IntArray) -> Table:
    """Return the table with some of its rows only."""
    place = {old: new for new, old in enumerate(rows.tolist())}
    return replace(
        table,
        columns=tuple([column[row] for row in place] for column in table.columns),
        line=table.line[rows],
        misshapen={place[row]: why for row, why in table.misshapen.items() if row in place},
    )
