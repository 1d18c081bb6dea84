"""Find the native columns in a table: by their own names, or as job.yaml maps them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Any

from tieup.errors import InputError
from tieup.model.job import Job
from tieup.read.absent import nearest
from tieup.read.columns import COLUMN_UNITS, COLUMNS, OBSERVED, REQUIRED, Cells, Source
from tieup.read.row_kinds import Mixed
from tieup.read.tables import Table, TableFormat

_FORM = ("delimiter", "skip_rows", "decimal", "encoding", "header", "sheet")


def table_format(settings: Mapping[str, Any]) -> TableFormat:
    """Take how the raw tables are written from `Job.table`."""
    form = {key: settings[key] for key in _FORM if key in settings}
    return TableFormat(**form, ragged=bool(settings.get("row_kind")))


def column_sources(settings: Mapping[str, Any]) -> dict[str, Source]:
    """Take the mapping of columns from `Job.table`; empty for the native table."""
    return {name: Source(**source) for name, source in settings.get("columns", {}).items()}


def locate_columns(
    table: Table, job: Job, mixed: Mixed | None = None
) -> tuple[dict[str, Cells], tuple[str, ...]]:
    """Find every native column of a table, with what other rows say of its shots.

    Returns
    -------
    The columns by native name, and the names of the source columns that nothing takes.

    Raises
    ------
    InputError
        A column is there twice, a required or a mapped one is missing, or no column
        holds an observation.
    """
    check_header(table)
    sources = column_sources(job.table)
    if sources:
        found = _mapped(table, sources, ragged=mixed is not None)
    else:
        found = {
            name: place
            for place, name in enumerate(map(str.lower, table.header))
            if name in COLUMNS
        }
        carried = mixed.carried if mixed else {}
        require_columns(table, tuple(name for name in REQUIRED if name not in carried))
    if not any(name in found or name in sources for name in OBSERVED):
        raise InputError(_unobserved(table))
    columns = {
        name: _cells(table, name, found.get(name), sources, job)
        for name in COLUMNS
        if name in found or name in sources
    }
    if mixed:
        _add_carried(columns, mixed, job)
    return columns, _unknown(table, {*found.values(), *(mixed.places if mixed else ())})


def _add_carried(columns: dict[str, Cells], mixed: Mixed, job: Job) -> None:
    """Fill what the rows in force above say into the cells that the shots leave empty.

    A setup's label is that of the row that began it, whatever its shots repeat of it.
    """
    for name, texts in mixed.carried.items():
        unit, key = _unit(name, job)
        if mixed.unit[name]:
            unit, key = mixed.unit[name], f"row_kind.sets (unit of {name})"
        cells = columns.get(name, Cells([""] * len(texts), unit, key))
        pairs = zip(cells.texts, texts, strict=True)
        if name == "setup":
            filled = [above or own for own, above in pairs]
        else:
            filled = [own or above for own, above in pairs]
        columns[name] = replace(cells, texts=filled)


def check_header(table: Table) -> None:
    """Refuse a header that names a column twice (capitals do not count)."""
    seen: set[str] = set()
    for name in map(str.lower, filter(None, table.header)):
        if name in seen:
            raise InputError(
                f"{table.name}:{table.header_line}: column {name} is there twice. Rename one"
            )
        seen.add(name)


def require_columns(table: Table, required: tuple[str, ...]) -> None:
    """Refuse a header without the required columns, all at once, with the nearest name."""
    names = [name.lower() for name in table.header]
    missing = [name for name in required if name not in names]
    if missing:
        raise InputError(*(_missing(table, name) for name in missing))


def _unobserved(table: Table) -> str:
    """Say that a table has no observation, and which headings may be meant for one."""
    meant = [(heading, nearest(heading, OBSERVED)) for heading in table.header]
    hints = [f"{heading} may be {column}" for heading, column in meant if column]
    told = f". Rename what is meant, or name it under columns: {', '.join(hints)}" if hints else ""
    return (
        f"{table.name}:{table.header_line}: no column holds an observation. "
        f"Expected one or more of {', '.join(OBSERVED)}{told}"
    )


def _missing(table: Table, wanted: str) -> str:
    """Say that a column is missing, and what may have been meant."""
    from difflib import get_close_matches

    headings = [name for name in table.header if name]
    other = next((sign for sign in (";", "\t", "|") if sign in "".join(headings)), None)
    strange = {name.lower(): name for name in headings if name.lower() not in COLUMNS}
    near = [name for name in strange if nearest(name, [wanted])]
    near += get_close_matches(wanted.lower(), list(strange), 1, 0.5)
    hint = f"There are {', '.join(headings)}"
    if len(headings) == 1 and other:
        hint = f"The header is not separated by commas. Set delimiter: {json.dumps(other)}"
    elif near:
        hint = f"Is it the one called {strange[near[0]]}? Rename it, or name it under columns:"
    return f"{table.name}:{table.header_line}: column {wanted} is missing. {hint}"


def _mapped(table: Table, sources: Mapping[str, Source], ragged: bool) -> dict[str, int]:
    lower = {name.lower(): place for place, name in enumerate(table.header)}
    found: dict[str, int] = {}
    problems: list[str] = []
    for name, source in sources.items():
        if source.value is not None or source.file_name:
            continue
        if isinstance(source.column, int):
            there = source.column <= len(table.columns)
            if not there and ragged and name not in (*REQUIRED, *OBSERVED):
                continue  # no row of this file goes so far
            found[name] = source.column - 1
            if not there:
                problems.append(
                    f"{table.name}:{table.header_line}: has {len(table.columns)} columns, and "
                    f"columns.{name} in job.yaml asks for column {source.column}"
                )
        elif source.column.lower() in lower:
            found[name] = lower[source.column.lower()]
        else:
            problems.append(_missing(table, source.column))
    if problems:
        raise InputError(*problems)
    return found


def _cells(
    table: Table, name: str, place: int | None, sources: Mapping[str, Source], job: Job
) -> Cells:
    source = sources.get(name, Source())
    said = PurePosixPath(table.name).stem if source.file_name else source.value or ""
    texts = [said] * len(table) if place is None else table.columns[place]
    unit, key = _unit(name, job)
    if source.unit:
        unit, key = source.unit, f"columns.{name}.unit"
    return Cells(texts, unit, key)


def _unit(name: str, job: Job) -> tuple[str, str]:
    quantity = COLUMNS[name]
    if quantity == "angle":
        return job.angle_unit, "units.angle"
    if quantity == "offset":
        return "mm", ""  # whatever the job's length: constants are printed in mm on every prism
    if quantity in COLUMN_UNITS and quantity != "time":
        return job.length_unit, "units.length"
    return "iso" if quantity == "time" else "", ""


def _unknown(table: Table, known: set[int]) -> tuple[str, ...]:
    names = table.header or [""] * len(table.columns)
    return tuple(
        name or f"column {place + 1}"
        for place, name in enumerate(names)
        if place not in known and (name or any(table.columns[place]))
    )
