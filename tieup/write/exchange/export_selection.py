"""Which points leave in the files for other programs, and in words what does not.

The ground leaves, never an instrument, and nothing of which two places are told: a disputed
point, or another place under the name of a mark (CP8@S4 beside CP8). Who wants such a point
asks for it by its name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from tieup.errors import OutputError, did_you_mean
from tieup.model.point_words import DISPUTED, UNCHECKED
from tieup.model.reconciliation import Reconciliation
from tieup.sentences import counted, listed

ROLES = ("control", "tie", "shot", "station", "derived")
PROOFS = ("held", "checked", "unchecked")  # a disputed point is asked for by its name
INSTRUMENT, TWIN, UNASKED, PLACELESS = "instrument", "twin", "unasked", "placeless"
WORDS = {  # why a point stays behind: one, several
    INSTRUMENT: ("free instrument", "free instruments"),
    DISPUTED: ("disputed point", "disputed points"),
    TWIN: ("other place of a mark", "other places of marks"),
    UNASKED: ("point not asked for", "points not asked for"),
    PLACELESS: ("point without coordinates", "points without coordinates"),
}
NAMED = (DISPUTED, TWIN, PLACELESS)  # few enough of these are named
MOST_NAMES = 4


@dataclass(frozen=True)
class Selection:
    """What is asked for: of each that is given a point must have one; ``points`` come besides."""

    roles: Sequence[str] = ()
    codes: Sequence[str] = ()
    proofs: Sequence[str] = ()
    points: Sequence[str] = ()

    def __bool__(self) -> bool:
        return bool(self.roles or self.codes or self.proofs or self.points)


@dataclass(frozen=True)
class Chosen:
    """The rows of coordinates that leave, in order; the names of others by why they do not.

    ``aloft`` and ``disputed`` are names that leave because they were asked for.
    """

    rows: tuple[int, ...]
    unchecked: int
    left_out: Mapping[str, Sequence[str]] = field(default_factory=dict)
    aloft: tuple[str, ...] = ()
    disputed: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """Return what does not leave, and what was asked for, in sentences; empty where all is."""
        parts = [_said(why, self.left_out[why]) for why in WORDS if self.left_out.get(why)]
        said = [f"Left out: {'; '.join(parts)}."] if parts else []
        if self.aloft:
            said.append(f"Elevation of the instrument, not of the ground: {_some(self.aloft)}.")
        if self.disputed:
            said.append(f"Disputed, more than one place fits: {_some(self.disputed)}.")
        return " ".join(said)


def choose(site: Reconciliation, asked: Selection) -> Chosen:
    """Return which rows of coordinates leave.

    Raises
    ------
    OutputError
        A point or a code is asked for that the site does not have.
    """
    table = site.coordinates
    names = [str(name) for name in table["point"]]
    _refuse_unknown("--point", asked.points, names)
    _refuse_unknown("--code", asked.codes, [str(code) for code in table["code"] if code])
    aloft, twins = instruments(site), twins_of(site)
    ground = {name for number, name in enumerate(names) if number not in aloft}
    placed = np.isfinite(np.column_stack([table["northing"], table["easting"]]).astype(float))
    kept: list[int] = []
    left_out: dict[str, list[str]] = {}
    for number, name in enumerate(names):
        named = name in asked.points and not (number in aloft and name in ground)
        why = "" if named else _why_not(site, number, asked, aloft, twins)
        if not placed[number].all():
            why = why or PLACELESS
        if why:
            left_out.setdefault(why, []).append(name)
        else:
            kept.append(number)
    proofs = Counter(str(table["proof"][number]) for number in kept)
    high = tuple(names[number] for number in kept if number in aloft)
    open_ = tuple(names[number] for number in kept if table["proof"][number] == DISPUTED)
    return Chosen(tuple(kept), proofs[UNCHECKED], left_out, high, open_)


def _why_not(
    site: Reconciliation, row: int, asked: Selection, aloft: set[int], twins: set[int]
) -> str:
    """Return why a row that nobody names stays behind, empty where it leaves."""
    role, code, proof = (str(site.coordinates[name][row]) for name in ("role", "code", "proof"))
    wanted = ((role, asked.roles), (code, asked.codes), (proof, asked.proofs))
    if row in aloft:
        return INSTRUMENT
    if proof == DISPUTED:
        return DISPUTED
    if row in twins:
        return TWIN
    return "" if all(value in words for value, words in wanted if words) else UNASKED


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


def twins_of(site: Reconciliation) -> set[int]:
    """Return the rows that are told apart from a mark of the site as name@setup.

    A name that was booked so is no such row.
    """
    names = [str(name) for name in site.coordinates["point"]]
    if not any("@" in name for name in names):
        return set()
    every, booked = set(names), set(site.observations["point"])
    return {
        number
        for number, name in enumerate(names)
        if "@" in name and name.rpartition("@")[0] in every and name not in booked
    }


def _refuse_unknown(option: str, asked: Sequence[str], known: Sequence[str]) -> None:
    """Raise OutputError where one that is asked for is not known."""
    wrong = [word for word in asked if word not in set(known)]
    if not wrong:
        return
    kind = option.removeprefix("--")
    all_known = f"There are {', '.join(sorted(set(known))[:8])}."
    hint = did_you_mean(wrong[0], known) or (all_known if known else f"No point has a {kind}.")
    raise OutputError(f"{option} {wrong[0]}: the site has no such {kind}. {hint}")


def _said(why: str, names: Sequence[str]) -> str:
    one, several = WORDS[why]
    count = counted(len(names), one, several)
    short = len(names) <= MOST_NAMES and why in NAMED
    return f"{count} ({', '.join(map(_on_one_line, names))})" if short else count


def _some(names: Sequence[str]) -> str:
    """Name points, the first few of many."""
    return listed([_on_one_line(name) for name in names], MOST_NAMES)


def _on_one_line(name: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in name).split())
