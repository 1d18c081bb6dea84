"""Parts of a reconciliation that a run may not have: read where they are, else left out.

=========  ==============================================================================
joints     joint, first, second, point, northing, easting, d_horizontal, d_elevation,
           limit_horizontal, limit_elevation, verdict, judgement
pairs      first, second, shared, d_northing, d_easting, d_elevation, turn, far_point,
           d_horizontal, sd_horizontal, sd_elevation, limit_horizontal, limit_elevation,
           verdict, judgement
control    point, free_northing, free_easting, free_elevation, held_northing,
           held_easting, held_elevation, statistic, verdict
rules      rule, what, where, value, warn, fail, unit, result, reason, source
todo       texts: what to shoot again, first things first
decisions  texts: the effect of each of the job's decisions, in their order
=========  ==============================================================================

Differences are in the job's length unit, first setup minus second, site minus control; ``turn``
is in arc seconds. A table may lack any column: its cells are then empty.
"""

from __future__ import annotations

from dataclasses import dataclass

from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.page.grid import length


@dataclass(frozen=True)
class Extras:
    """What a run may have beside the four tables; None or empty where it does not."""

    joints: Table | None
    pairs: Table | None
    control: Table | None
    rules: Table | None
    todo: tuple[str, ...] | None
    decisions: tuple[str, ...]


def extras_of(site: Reconciliation) -> Extras:
    """Return the optional parts of a reconciliation; a table without rows counts as absent."""
    return Extras(
        joints=_table(site, "joints"),
        pairs=_table(site, "pairs"),
        control=_table(site, "control"),
        rules=_table(site, "rules"),
        todo=getattr(site, "todo", None),
        decisions=tuple(getattr(site, "decisions", ()) or ()),
    )


def _table(site: Reconciliation, name: str) -> Table | None:
    table: Table | None = getattr(site, name, None)
    return table if table and length(table) else None
