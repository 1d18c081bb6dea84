"""Parts of a reconciliation that a run may not have: read where they are, else left out.

=========  ==============================================================================
joints     string, first, second, point, northing, easting, d_horizontal, d_elevation,
           limit_horizontal, limit_elevation, verdict, judgement
pairs      first, second, shared, d_northing, d_easting, d_elevation, turn, far_point,
           d_horizontal, sd_horizontal, sd_elevation, limit_horizontal, limit_elevation,
           verdict, judgement
control    point, d_northing, d_easting, d_elevation, sd_northing, sd_easting,
           sd_elevation, verdict, judgement
rules      rule, says, state, subject, value, limit, unit, checked, reason, source
todo       texts: what to shoot again, first things first
=========  ==============================================================================

Lengths are in the job's unit. Differences of pairs are first setup minus second, of joints second
minus first, of control the survey without that mark's coordinates minus the list; those of pairs
in plan are at ``far_point``, the farthest shot. ``turn`` is in arc seconds, ``state`` pass, warn,
fail or not checked. A table may lack any column: it is then left out or empty.
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


def extras_of(site: Reconciliation) -> Extras:
    """Return the optional parts of a reconciliation; a table without rows counts as absent."""
    todo = getattr(site, "todo", None)
    return Extras(
        joints=_table(site, "joints"),
        pairs=_table(site, "pairs"),
        control=_table(site, "control"),
        rules=_table(site, "rules"),
        todo=None if todo is None else tuple(todo),
    )


def _table(site: Reconciliation, name: str) -> Table | None:
    table: Table | None = getattr(site, name, None)
    return table if table and length(table) else None
