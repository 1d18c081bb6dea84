"""The kinds of observation straight between two marks, as data.

A level run, a taped distance and a baseline differ in what stands in `LINK_KINDS` and in nothing
else: the list they are booked in, their row of the design matrix, and their words. A kind whose
row is ``along`` is linear: what it observes is ``along`` times the offset (N, E, H) from its first
mark to its second. A horizontal distance has its row from where the two marks lie.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, TextArray

SHORTEST = 1e-9  # m; keeps the row of a horizontal distance finite


@dataclass(frozen=True)
class LinkKind:
    """One kind of link.

    ``name`` stands in tables and findings, ``listed`` is the key of job.yaml. ``components`` are
    the names of its observations, one empty name where it has a single one. ``along`` is its row
    by N, E, H, empty for a horizontal distance and for a vector, which brings its own rows;
    ``is_distance`` and ``is_vector`` tell those apart. ``by_rod``: read off rods, so that a sign or
    a whole unit of the rod may be wrong.

    Words: ``noun`` and ``brief`` name it, ``more`` and ``less`` say how it is off (empty where it
    has no one sign), ``likely`` is the usual cause, ``again`` what to do in the field and
    ``cure`` in the office. ``idle`` says why one takes no part, ``hangs`` on what its marks hang
    then, empty where that is said elsewhere, and ``tie`` what to do about it.
    """

    name: str
    listed: str
    components: tuple[str, ...]
    along: tuple[float, ...]
    is_distance: bool
    is_vector: bool
    by_rod: bool
    noun: str
    brief: str
    more: str
    less: str
    likely: str
    again: str
    cure: str
    idle: str
    hangs: str
    tie: str

    @property
    def places(self) -> bool:
        """Say whether it has to do with places in plan, not with heights alone."""
        return self.is_distance or self.is_vector


LEVEL = LinkKind(
    name="level",
    listed="levels",
    components=("",),
    along=(0.0, 0.0, 1.0),
    is_distance=False,
    is_vector=False,
    by_rod=True,
    noun="level run",
    brief="level run",
    more="high",
    less="low",
    likely=", likely a rod reading",
    again="Level the run {which} again, there and back.",
    cure="Leave the run out (accept), or level it again.",
    idle="no height reaches both marks",
    hangs="no mark of known height: no heights there.",
    tie="Level",
)
TAPE = LinkKind(
    name="tape",
    listed="tapes",
    components=("",),
    along=(),
    is_distance=True,
    is_vector=False,
    by_rod=False,
    noun="taped distance",
    brief="tape",
    more="long",
    less="short",
    likely="",
    again="Tape {which} again, level and with the right pull; look which ends were held.",
    cure="Leave it out (accept), or tape it again.",
    idle="not both marks have a place",
    hangs="",
    tie="",
)
BASELINE = LinkKind(
    name="baseline",
    listed="baselines",
    components=("northing", "easting", "elevation"),
    along=(),
    is_distance=False,
    is_vector=True,
    by_rod=False,
    noun="baseline",
    brief="baseline",
    more="",
    less="",
    likely="",
    again="Observe the baseline {which} again with another set-up of both antennas; look up the "
    "antenna heights and which marks they stood over.",
    cure="Leave it out (accept), or observe it again.",
    idle="not both marks have a place",
    hangs="no mark that has a place: no coordinates there.",
    tie="Observe one",
)
LINK_KINDS = {kind.name: kind for kind in (LEVEL, TAPE, BASELINE)}


def lists_alone(names: Iterable[str]) -> str:
    """Return what a job without setups consists of, from the names or lists of its kinds.

    >>> lists_alone(["levels", "tapes"]), lists_alone(["baseline", "level"])
    ('levels', 'levels and baselines')
    """
    given = set(names)
    kinds = [kind for kind in LINK_KINDS.values() if given & {kind.name, kind.listed}]
    return " and ".join(kind.listed for kind in kinds if not kind.is_distance) or LEVEL.listed


def of_kind(names: TextArray, what: str) -> BoolArray:
    """Return which links (l,) are of a kind with the flag ``what``, such as "is_vector"."""
    wanted = [name for name, kind in LINK_KINDS.items() if getattr(kind, what)]
    return np.isin(names.astype(str), wanted)


def fixed_rows(names: TextArray) -> FloatArray:
    """Return the rows (l, 3) of links of these kinds, 0 where the kind alone does not say."""
    rows = np.zeros((len(names), 3))
    for name, kind in LINK_KINDS.items():
        if kind.along:
            rows[names == name] = kind.along
    return rows


def predicted(
    along: FloatArray, is_distance: BoolArray, offset: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what links should read (l,) and their rows by the second mark (l, 3).

    ``offset`` (l, 3) is the second mark minus the first, in m; a component that plays no part
    may be NaN. The rows by the first mark are the negative ones.
    """
    value = np.where(along != 0.0, along * offset, 0.0).sum(axis=1)
    plan = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), SHORTEST)
    level = np.column_stack([offset[:, :2] / plan[:, None], np.zeros(len(plan))])
    return np.where(is_distance, plan, value), np.where(is_distance[:, None], level, along)
