"""The site as it is taken for one solution: what is left out, split or renamed.

Raw data stay as they are. A case says which components of which rows take part, which
booked heights and control values are believed, and which setups and marks were split
in time. Every change makes a new case.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup, Shots
from tieup.model.link import BookedLink
from tieup.model.network import Links
from tieup.model.settings import Datum, Precision


@dataclass(frozen=True)
class Case:
    """One way to take the data.

    ``points`` are all names: sighted, occupied, in control or in a link (`complete_points`).
    ``use`` (m, 3) are the components of each row that take part. ``control`` holds the
    control values that are believed, ``given`` all of them as they were given; ``setups``
    are as they are believed, ``booked`` as they were written. ``links`` index ``points``;
    they stand in the order of ``booked_links``, and those in ``left_links`` are not believed.
    ``rod_unit`` (m) is what a whole unit of the levelling rods measures.
    """

    shots: Shots
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    use: BoolArray
    control: Control | None
    given: Control | None
    booked: tuple[Setup, ...]
    links: Links
    precision: Precision
    datum: Datum
    refraction: float
    booked_links: tuple[BookedLink, ...] = ()
    left_links: frozenset[int] = frozenset()
    rod_unit: float = 1.0

    @property
    def links_in_use(self) -> IntArray:
        """Return the numbers of the links that are believed."""
        return np.flatnonzero(~np.isin(self.links.booked, list(self.left_links)))

    def without_links(self, numbers: tuple[int, ...]) -> Case:
        """Leave level runs or tapes out."""
        return replace(self, left_links=self.left_links | set(numbers))

    def with_link_less(self, number: int, amount: float) -> Case:
        """Take ``amount`` (m) off one level run or tape."""
        value = self.links.value.copy()
        value[self.links.booked == number] -= amount
        return replace(self, links=replace(self.links, value=value))

    def setup_number(self, label: str) -> int:
        """Return the number of the setup with this label."""
        return next(n for n, setup in enumerate(self.setups) if setup.label == label)

    @property
    def booked_heights(self) -> FloatArray:
        """Return the instrument heights as booked (S,), also where they are not believed."""
        return np.array(
            [s.instrument_height for s in (*self.booked, *self.setups[len(self.booked) :])]
        )

    def without(self, rows: IntArray, kinds: tuple[int, ...]) -> Case:
        """Leave the given components of ``rows`` out."""
        use = self.use.copy()
        use[np.ix_(rows, np.array(kinds, dtype=np.int64))] = False
        return replace(self, use=use)

    def without_mask(self, mask: BoolArray) -> Case:
        """Leave the components marked in ``mask`` (m, 3) out."""
        return replace(self, use=self.use & ~mask)

    def without_instrument_height(self, setup: int) -> Case:
        """Take the instrument height of an occupied setup as not booked."""
        return self.with_setup(setup, replace(self.setups[setup], instrument_height=np.nan))

    def without_station(self, setup: int) -> Case:
        """Take an occupied setup as a free station."""
        free = replace(self.setups[setup], station="", instrument_height=0.0)
        return self.with_setup(setup, free)

    def with_setup(self, number: int, setup: Setup) -> Case:
        """Take one setup otherwise."""
        setups = (*self.setups[:number], setup, *self.setups[number + 1 :])
        return replace(self, setups=setups, points=complete_points(self.points, setups, None))

    def without_control(self, point: str, components: tuple[int, ...]) -> Case:
        """Take some coordinates of a control mark as unknown."""
        if self.control is None:
            return self
        number = self.control.names.index(point)
        coordinates = self.control.coordinates.copy()
        coordinates[number, list(components)] = np.nan
        return replace(self, control=replace(self.control, coordinates=coordinates))

    def with_split_setup(self, setup: int, rows: IntArray) -> Case:
        """Make the shots ``rows`` of a setup a setup of its own: the instrument had moved.

        The new setup is free: nobody levelled or measured it in.
        """
        old = self.setups[setup]
        label = new_name(old.label, "~", {s.label for s in self.setups})
        new = replace(old, label=label, station="", instrument_height=0.0)
        numbers = self.shots.setup.copy()
        numbers[rows] = len(self.setups)
        return replace(self, shots=replace(self.shots, setup=numbers), setups=(*self.setups, new))

    def with_renamed(self, rows: IntArray, name: str) -> Case:
        """Let the shots ``rows`` be of the point ``name``, which may be new."""
        points = self.points if name in self.points else (*self.points, name)
        numbers = self.shots.point.copy()
        numbers[rows] = points.index(name)
        return replace(self, shots=replace(self.shots, point=numbers), points=points)

    def without_names(self, names: tuple[str, ...]) -> Case:
        """Take out those of some point names that no shot carries any more."""
        used = {self.points[number] for number in np.unique(self.shots.point).tolist()}
        kept = [n for n, name in enumerate(self.points) if name in used or name not in names]
        number = np.full(len(self.points), -1, dtype=np.int64)
        number[kept] = np.arange(len(kept))
        return replace(
            self,
            points=tuple(self.points[n] for n in kept),
            shots=replace(self.shots, point=number[self.shots.point]),
            links=replace(self.links, start=number[self.links.start], end=number[self.links.end]),
        )


def complete_points(
    points: tuple[str, ...], setups: tuple[Setup, ...], control: Control | None
) -> tuple[str, ...]:
    """Return the sighted ``points`` and, behind them, names that only setups or control have."""
    others = [setup.station for setup in setups if setup.station]
    names = [*points, *others, *(control.names if control is not None else ())]
    return tuple(dict.fromkeys(names))


def new_name(name: str, mark: str, taken: set[str]) -> str:
    """Return ``name`` with ``mark`` and the first free number behind it.

    What was split before is numbered on.

    >>> new_name("S1", "~", {"S1", "S1~2"}), new_name("S1~2", "~", {"S1", "S1~2"})
    ('S1~3', 'S1~3')
    """
    whole, _, tail = name.rpartition(mark)
    name = whole if tail.isdecimal() and whole in taken else name
    number = 2
    while f"{name}{mark}{number}" in taken:
        number += 1
    return f"{name}{mark}{number}"
