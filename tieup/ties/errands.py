"""The to-do put together: what is asked, at which setup, once, in walking order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property

from tieup.model.answer import Errand
from tieup.model.arrays import distinct_pairs
from tieup.sentences import listed
from tieup.ties.tie_checks import Checks
from tieup.ties.walking import walking_order

NOWHERE = -1  # no setup: what can be done anywhere, or at the desk
NAMED = 4  # names written out before "and n more"
SPLIT, MOVED = "~", "@"  # in the label of a setup, in the name of a mark that was split in two
STANDS = ", if it still stands"
ELSEWHERE = "Also"


class Errands:
    """What has been asked so far: things by setup, shots (setup, point name) that are asked for.

    ``standing`` are the setups at which something asks for the very same legs, ``seen`` what each
    setup has shot, ``parts`` the setups of each label, more than one where it was split.
    """

    def __init__(self, checks: Checks) -> None:
        """Find the way that is walked, and who has seen what."""
        self.checks = checks
        self.things: dict[int, list[str]] = {}
        self.asked: set[tuple[int, str]] = set()
        self.standing: set[int] = set()
        evidence = checks.evidence
        self.walk = walking_order(evidence.visits, len(evidence.setups)).tolist()
        self.place = {setup: number for number, setup in enumerate(self.walk)}
        self.parts: dict[str, list[int]] = {}
        for setup, label in enumerate(evidence.setups):
            self.parts.setdefault(base(label), []).append(setup)

    def ask(
        self, setup: int, thing: str, shots: Iterable[str] = (), *, same_legs: bool = False
    ) -> None:
        """Ask for something at a setup; ``shots`` are the points that it shoots there."""
        if thing not in self.things.setdefault(setup, []):
            self.things[setup].append(thing)
        self.asked |= {(setup, point) for point in shots}
        if same_legs:
            self.standing.add(setup)

    def new(self, setup: int, points: Sequence[str]) -> list[str]:
        """Return those of the points that nobody is asked to shoot from a setup yet."""
        return [point for point in dict.fromkeys(points) if (setup, point) not in self.asked]

    def first(self, setups: Iterable[int]) -> int:
        """Return the setup that is come to first, `NOWHERE` without any."""
        return min(setups, key=self.place.__getitem__, default=NOWHERE)

    def by_label(self, label: str) -> int:
        """Return the setup with a label, of one that was split the part that came last."""
        return self.first(self.parts.get(base(label), ())) if label else NOWHERE

    @cached_property
    def seen(self) -> dict[str, set[int]]:
        """The setups that have shot each point; a mark that moved is in one place."""
        evidence = self.checks.evidence
        pairs, _ = distinct_pairs(evidence.visits.point, evidence.visits.setup)
        seen: dict[str, set[int]] = {}
        for point, setup in pairs.tolist():
            seen.setdefault(evidence.points[point].partition(MOVED)[0], set()).add(setup)
        return seen

    def at_mark(self, names: Sequence[str]) -> int:
        """Return the setup at which a crew comes to the marks: the first that has seen one."""
        return self.first(set().union(*(self.seen.get(name, ()) for name in names)))

    def again(self, setup: int, points: Sequence[str]) -> str:
        """Return " again" where the setup has shot all of the points before."""
        return " again" if all(setup in self.seen.get(point, ()) for point in points) else ""

    def done(self) -> tuple[Errand, ...]:
        """Return one line a setup, in walking order; what belongs to none comes last."""
        order = [setup for setup in self.walk if self.things.get(setup)]
        errands = [Errand(self._place(setup), tuple(self.things[setup])) for setup in order]
        rest = self.things.get(NOWHERE, [])
        return (*errands, *((Errand(ELSEWHERE, tuple(rest)),) if rest else ()))

    def _place(self, setup: int) -> str:
        stands = STANDS if setup in self.standing and setup != self.walk[0] else ""
        return f"At {self.checks.evidence.setups[setup]}{stands}"


def base(label: str) -> str:
    """Return the label of a setup before it was split.

    >>> base("S3~2")
    'S3'
    """
    return label.split(SPLIT)[0]


def named(names: Sequence[str], last: str = "and") -> str:
    """Write names in a row: CP2, CP7 and T1.

    >>> named(["CP2", "CP7", "T1"]), named(["CP2", "CP7"], "or")
    ('CP2, CP7 and T1', 'CP2 or CP7')
    """
    names = list(dict.fromkeys(names))
    return listed(names, NAMED if len(names) > NAMED + 1 else len(names), last)  # never "1 more"
