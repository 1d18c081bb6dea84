"""Which points leave in the files for other programs: the ground, never the instrument."""

from __future__ import annotations

from tieup.model.reconciliation import Reconciliation


def instruments(site: Reconciliation) -> set[int]:
    """Return the rows of coordinates that are no ground: the axes of free instruments.

    A free setup stands there under its own label. A mark may have the same name; it stands
    before.
    """
    stands = zip(site.setups["setup"], site.setups["station"], strict=True)
    free = {str(label) for label, mark in stands if not mark}
    table = site.coordinates
    rows = zip(table["point"], table["role"], table["setups"], strict=True)
    last = {
        str(name): number
        for number, (name, role, setups) in enumerate(rows)
        if role == "station" and name == setups
    }
    return {number for name, number in last.items() if name in free}
