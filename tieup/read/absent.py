"""Columns that a raw table lacks, and the heading in it that may be meant for each.

A heading is never taken for a column by guessing: what it may be meant for is said, and what to
write so that it is taken. The short forms are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches

from tieup.model.fieldbook import AbsentColumn
from tieup.model.observations import KINDS
from tieup.read.raw_columns import COLUMNS, Cells
from tieup.read.text_table import Table

HEIGHT = "target_height"
NEAR = 0.75  # of difflib: "targetheigth" is near target_height, "mood" is near nothing
SHORT_FORMS: Mapping[str, tuple[str, ...]] = {
    "setup": ("setup_id", "setup_name", "stn_setup"),
    "station": ("stn", "sta", "occupied", "occupied_point", "instrument_point"),
    "instrument_height": ("hi", "ih", "height_of_instrument", "inst_height"),
    "point": ("pt", "ptno", "pt_no", "point_no", "point_id", "point_name", "point_number",
              "target_point"),
    "azimuth": ("az", "azi", "bearing"),
    "direction": ("hz", "ha", "h_angle", "horizontal_angle", "hor_angle", "circle"),
    "zenith": ("zd", "za", "v", "vz", "va", "zenith_distance", "vertical_angle", "v_angle",
               "z"),
    "distance": ("slope", "sd", "dist", "slope_dist", "sloped", "edm"),
    "horizontal_distance": ("hd", "horizontal_dist", "hor_distance", "level_distance"),
    "vertical_distance": ("vd", "dh", "height_difference"),
    "target_height": ("ht", "hr", "th", "rod", "pole", "pole_height", "rod_height", "prism_height",
                      "reflector_height", "height_of_target"),
    "face": ("circle_position",),
    "round": ("set", "set_number", "round_number"),
    "prism_constant": ("additive_constant",),
    "code": ("cd", "feature", "feature_code", "desc", "description"),
    "string": ("line", "line_name", "string_name"),
    "time": ("timestamp", "datetime", "date_time", "date"),
    "note": ("remark", "remarks", "comment", "comments"),
    "temperature": ("temp",),
    "pressure": ("press",),
    "field_northing": ("northing", "n"),
    "field_easting": ("easting", "e"),
    "field_elevation": ("elevation", "elev"),
}  # fmt: skip
_SAME = {
    "direction": ("azimuth",),
    "zenith": ("elevation_angle", "vertical_distance"),
    "distance": ("horizontal_distance",),
}  # what stands for a column as well


def absent_columns(
    table: Table, found: Mapping[str, Cells], strange: Sequence[str], *, mapped: bool
) -> tuple[AbsentColumn, ...]:
    """Return the columns that a table lacks, as far as that matters or a heading is like one.

    Parameters
    ----------
    found
        The native columns that the table has, by name.
    strange
        The headings that nothing takes.
    mapped
        Whether job.yaml names the columns.
    """
    there = set(found)
    lacking = [name for name in COLUMNS if not there & {name, *_SAME.get(name, ())}]
    named = [name for name in strange if name in table.header]
    meant = {
        column: name
        for name in named
        if (column := nearest(name, lacking))
        and _could_be(column, table.columns[table.header.index(name)])
    }
    taken = {name: name for name in COLUMNS if name in there}
    empty = tuple(
        AbsentColumn(table.name, table.header_line, column, "", "", sure=False, empty=True)
        for column in empty_columns(found)
    )
    return empty + tuple(
        AbsentColumn(
            file=table.name,
            line=table.header_line,
            column=column,
            heading=meant.get(column, ""),
            entry=_entry(column, meant.get(column, ""), {} if mapped else taken),
            sure=not mapped and _plain(meant.get(column, "")) in _forms([column]),
        )
        for column in lacking
        if column in meant or column in (*KINDS, HEIGHT)
    )


def empty_columns(found: Mapping[str, Cells]) -> tuple[str, ...]:
    """Return which columns that every shot needs are there without a single cell."""
    filled = {name for name, cells in found.items() if any(cells.texts)}
    return tuple(
        name
        for name in (*KINDS, HEIGHT)
        if name in found and not filled & {name, *_SAME.get(name, ())}
    )


def nearest(heading: str, columns: Sequence[str]) -> str:
    """Return which of some columns a heading may be meant for, empty for none.

    >>> nearest("Target Height (m)", ["zenith", "target_height"]), nearest("mood", ["code"])
    ('target_height', '')
    """
    plain, forms = _plain(heading), _forms(columns)
    if plain in forms:
        return forms[plain]
    near = get_close_matches(plain, columns, 1, NEAR)
    return near[0] if near else ""


def _could_be(column: str, cells: Sequence[str]) -> bool:
    """Say whether any cell is there, and a number where the column holds numbers."""
    if COLUMNS[column] in ("name", "text", "word", "time"):
        return any(cells)
    return any(cell.lstrip("+-.")[:1].isdigit() for cell in cells)


def _plain(heading: str) -> str:
    """Write a heading as columns are: small letters, one line for blanks, no unit in brackets."""
    return re.sub(r"[^a-z0-9]+", "_", re.sub(r"[(\[].*", "", heading.lower())).strip("_")


def _forms(columns: Sequence[str]) -> dict[str, str]:
    return {form: name for name in columns for form in (name, *SHORT_FORMS.get(name, ()))}


def _entry(column: str, heading: str, others: Mapping[str, str]) -> str:
    """Write what ``columns:`` must say: the whole of it, or the one entry that is wanting."""
    named = {**others, column: heading or "..."}
    plain = re.compile(r"[A-Za-z_][\w ()]*").fullmatch
    bare = {name: text == "..." or plain(text) for name, text in named.items()}
    pairs = [f"{name}: {text if bare[name] else repr(text)}" for name, text in named.items()]
    return f"columns: {{{', '.join(pairs)}}}" if others else f"{pairs[0]} (under columns)"
