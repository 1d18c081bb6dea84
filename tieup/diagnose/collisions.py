"""One name for two places: numbers that began again at each setup.

Side shots of two setups under one name, far apart, are two points. They are renamed
``name@setup``, all of them, so that nobody takes one for the other, and never averaged. A
shared point with a blunder is something else: it is one name among many that agree, it is
a mark rather than a side shot, or the shot lies on another known point.
"""

from __future__ import annotations

from dataclasses import dataclass

from tieup.diagnose.case import Case
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.solve import Solved
from tieup.diagnose.visits import visits_of
from tieup.model.arrays import FloatArray
from tieup.model.network import Network

APART = 0.5  # m in plan; two places of one name further apart than this are two points
SAME_PLACE = 0.05  # m; a shot this close to another point is a shot of that point
SOME, SOME_MUTE = 2, 3  # names that must collide together, where roles are booked or not
ANCHORS = 2  # other marks on which both setups must agree with the rest
MOST_WRONG = 0.34  # share of a setup's other marks that may be wrong


@dataclass(frozen=True)
class Cluster:
    """Visits of one name at one place; ``owner`` is the first setup, -1 a known mark."""

    owner: int
    place: FloatArray
    visits: tuple[int, ...]


def split_collisions(solved: Solved) -> tuple[Case, list[Mistake]]:
    """Tell apart the points that share a name; return the case with them renamed.

    Where setups cannot be tied because their numbers clash, their side shots are first
    taken as points of their own; names that then turn out to agree stay as they were.
    """
    case, network = solved.case, solved.network
    if not _worth_looking(case, network):
        return case, []
    visits = visits_of(case, solved.reduction, network)
    if not network.start.plan_setup.all():
        visits, network = _seen_apart(case, visits, network)
    clusters = _clusters(case, network, visits)
    mistakes: list[Mistake] = []
    renamed: dict[int, dict[int, str]] = {}
    for (setup, others), names in _groups(clusters).items():
        chosen = _collided(case, visits, clusters, setup, names)
        if chosen and _anchored(network, visits, clusters, (setup, *others)):
            for point in chosen:
                renamed.setdefault(point, _new_names(case, clusters[point], point))
            mistakes.append(_mistake(case, visits, clusters, setup, others, chosen))
    return _with_names(case, visits, clusters, renamed), [
        _named(case, mistake, renamed) for mistake in mistakes
    ]


def _worth_looking(case: Case, network: Network) -> bool:
    """Say whether gross sights, or setups without a place, could come from clashing names."""
    start = network.start
    return bool(start.gross.any() or not start.plan_setup.all())
