"""Find the native columns in a table: by their own names, or as job.yaml maps them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Any

from tieup.errors import InputError
from tieup.model.job import Job
from tieup.read.absent import nearest
from tieup.read.form import TableFormat, stated_format
from tieup.read.header import check_header, mapped_places, require_columns
from tieup.read.raw_columns import COLUMN_UNITS, COLUMNS, OBSERVED, REQUIRED, Cells, Source
from tieup.read.row_kinds import Mixed
from tieup.read.text_table import Table


def table_format(settings: Mapping[str, Any]) -> TableFormat:
    """Take how the raw tables are written from `Job.table`."""
    return replace(stated_format(settings, ("", "")), ragged=bool(settings.get("row_kind")))


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
    form = table_format(job.table)
    sources = column_sources(job.table)
    if sources:
        needed = (*REQUIRED, *OBSERVED) if mixed else tuple(COLUMNS)
        found = mapped_places(table, sources, form, needed)
    else:
        found = {
            name: place
            for place, name in enumerate(map(str.lower, table.header))
            if name in COLUMNS
        }
        carried = mixed.carried if mixed else {}
        require_columns(table, tuple(name for name in REQUIRED if name not in carried), form)
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


def _unobserved(table: Table) -> str:
    """Say that a table has no observation, and which headings may be meant for one."""
    meant = [(heading, nearest(heading, OBSERVED)) for heading in table.header]
    hints = [f"{heading} may be {column}" for heading, column in meant if column]
    told = f". Rename what is meant, or name it under columns: {', '.join(hints)}" if hints else ""
    return (
        f"{table.name}:{table.header_line}: no column holds an observation. "
        f"Expected one or more of {', '.join(OBSERVED)}{told}"
    )


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
