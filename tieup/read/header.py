"""Check the header of a table, and say of a column that is missing what can be done."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from tieup.errors import InputError
from tieup.read.absent import nearest
from tieup.read.form import TableFormat
from tieup.read.raw_columns import COLUMNS, Source
from tieup.read.text_table import Table

_SEPARATORS = (";", "\t", "|")


def check_header(table: Table) -> None:
    """Refuse a header that names a column twice (capitals do not count)."""
    seen: set[str] = set()
    for name in map(str.lower, filter(None, table.header)):
        if name in seen:
            raise InputError(
                f"{table.name}:{table.header_line}: column {name} is there twice. Rename one"
            )
        seen.add(name)


def require_columns(
    table: Table,
    required: tuple[str, ...],
    form: TableFormat,
    known: Collection[str] = tuple(COLUMNS),
) -> None:
    """Refuse a header without the required columns, all at once, with the nearest name.

    Parameters
    ----------
    known
        Every column that such a table may have: a heading that is one is not meant for another.
    """
    names = [name.lower() for name in table.header]
    missing = [name for name in required if name not in names]
    if missing and (sign := _separator(table)):
        raise InputError(_separated(table, sign, form))
    if missing:
        strange = {name.lower(): name for name in table.header if name}
        strange = {low: name for low, name in strange.items() if low not in known}
        meant = {name: _meant(name, strange) for name in missing}
        cure = _mapping_cure(table, required, meant, form, known)
        told = [(name, cure if name == missing[-1] else "") for name in missing]
        raise InputError(*(_missing(table, name, meant[name], last) for name, last in told))


def mapped_places(
    table: Table,
    sources: Mapping[str, Source],
    form: TableFormat,
    needed: Collection[str],
    key: str = "columns",
) -> dict[str, int]:
    """Return the place of every column that job.yaml maps to a source column, from 0.

    Parameters
    ----------
    needed
        Columns that must be there; another that lies beyond the last one is left out.
    key
        The key of job.yaml that maps them.

    Raises
    ------
    InputError
        Naming every source column that the table does not have.
    """
    lower = {name.lower(): place for place, name in enumerate(table.header)}
    taken = {str(source.column).lower() for source in sources.values()}
    found: dict[str, int] = {}
    problems: list[str] = []
    for name, source in sources.items():
        if source.value is not None or source.file_name:
            continue
        if isinstance(source.column, int):
            if source.column <= len(table.columns):
                found[name] = source.column - 1
            elif name in needed:
                problems.append(
                    f"{table.name}:{table.header_line}: has {len(table.columns)} columns, and "
                    f"{key}.{name} in job.yaml asks for column {source.column}"
                )
        elif source.column.lower() in lower:
            found[name] = lower[source.column.lower()]
        elif sign := _separator(table):
            raise InputError(_separated(table, sign, form))
        else:
            spare = {low: table.header[place] for low, place in lower.items() if low not in taken}
            problems.append(_unmapped(table, f"{key}.{name}", source.column, spare))
    if problems:
        raise InputError(*problems)
    return found


def _separator(table: Table) -> str:
    """Return the sign between the cells of a header that was not split; empty where it was."""
    headings = [name for name in table.header if name]
    there = [sign for sign in _SEPARATORS if sign in "".join(headings)]
    return there[0] if len(headings) == 1 and there else ""


def _separated(table: Table, sign: str, form: TableFormat) -> str:
    keys = {"delimiter": sign}
    if table.misshapen and form.decimal == ".":  # commas in the rows, and none in the header
        keys["decimal"] = ","
    entry = form.entry(**keys)
    cure = f"Set {entry}" if entry else "Save it with commas between the cells"
    between = "commas" if form.delimiter == "," else f'"{form.delimiter}"'
    return f"{table.name}:{table.header_line}: The header is not separated by {between}. {cure}"


def _meant(wanted: str, strange: Mapping[str, str]) -> str:
    """Return the heading that may be meant for a column, empty for none."""
    from difflib import get_close_matches

    near = [name for name in strange if nearest(name, [wanted])]
    near += get_close_matches(wanted.lower(), list(strange), 1, 0.5)
    return strange[near[0]] if near else ""


def _mapping_cure(
    table: Table,
    required: tuple[str, ...],
    meant: Mapping[str, str],
    form: TableFormat,
    known: Collection[str],
) -> str:
    """Say how else than by renaming the columns of a table are named: every one that it may have.

    What a heading may be meant for is a proposal; nothing is taken before job.yaml says so.
    """
    there = {name.lower(): name for name in table.header if name}
    every = {name: there.get(name) or meant.get(name) or "..." for name in required}
    open_ = [name for name in known if name not in every]
    for heading in (name for low, name in there.items() if name not in every.values()):
        column = heading.lower() if heading.lower() in open_ else nearest(heading, open_)
        if column:
            every[column] = heading
            open_.remove(column)
    entry = form.entry(columns=every)
    return f", or name every column that is taken: {entry}" if entry else ""


def _missing(table: Table, wanted: str, meant: str, cure: str) -> str:
    """Say that a column is missing, and what may have been meant."""
    hint = f"There are {', '.join(filter(None, table.header))}. Rename the one that is meant{cure}"
    if meant:
        hint = f"Is it the one called {meant}? Rename it{cure}"
    return f"{table.name}:{table.header_line}: column {wanted} is missing. {hint}"


def _unmapped(table: Table, key: str, wanted: str, spare: Mapping[str, str]) -> str:
    meant = _meant(wanted, spare)
    hint = f"Is it the one called {meant}? " if meant else ""
    there = ", ".join(filter(None, table.header))
    return (
        f"{table.name}:{table.header_line}: column {wanted} is missing, which {key} in job.yaml "
        f"names. {hint}There are {there}"
    )
