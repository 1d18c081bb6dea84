"""What is said of a surface: why a place may hold water, the crew's answer, the findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import normal_critical
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.arrays import FloatArray
from tieup.sentences import listed
from tieup.surface.checks import critical
from tieup.surface.drainage import HOLDS
from tieup.surface.one_place import SAME
from tieup.surface.seams import Seam
from tieup.surface.whole_surface import Surface

MOST = 6  # points that a cure names


@dataclass(frozen=True)
class Words:
    """How the places of one surface are called; ``names`` (v,) are empty for crossings of lines.

    ``place`` (v, 2) is northing and easting in the job's frame and unit, ``origin`` (2,) in m what
    places of the surface are counted from.
    """

    phrases: Phrases
    names: Sequence[str]
    place: FloatArray
    labels: Sequence[str]
    confidence: float
    origin: FloatArray

    def at(self, vertex: int) -> str:
        """Return the name of a vertex, or where it is."""
        if vertex < 0:
            return "nowhere"
        north, east = self.place[vertex].tolist()
        return self.names[vertex] or f"{north:.2f} N {east:.2f} E"

    def near(self, plan: FloatArray) -> str:
        """Return the name of the vertex at a place (2,) in the frame of the surface, or where."""
        north, east = (plan + self.origin) / self.phrases.factor
        at = np.hypot(*(self.place - [north, east]).T)
        nearest = int(np.argmin(at))
        there = at[nearest] * self.phrases.factor < SAME and bool(self.names[nearest])
        return f"at {self.names[nearest]}" if there else f"at {north:.2f} N {east:.2f} E"

    def reach(self) -> float:
        """Return the sds that one side of an interval at the confidence spans."""
        return float(normal_critical(0.5 * (1.0 - self.confidence)))

    def small(self, metres: float) -> str:
        """Return a small length; one that would print as nothing, and is some, as less than it."""
        return self.phrases.some(metres)

    def signed(self, metres: float) -> str:
        """Return a small length with its sign where it is negative."""
        return f"{'-' if metres < 0 else ''}{self.phrases.shift(metres)}"

    def seam(self, seam: Seam) -> str:
        """Say what a seam's step is."""
        first, second = (self.labels[setup] for setup in seam.setups)
        side = "above" if seam.step > 0 else "below"
        return f"{second} puts the ground {self.phrases.shift(seam.step)} {side} {first}"


def pond_reason(surface: Surface, row: int, words: Words) -> str:
    """Say what is known of one place that is not proved to drain."""
    places = surface.drainage.places
    depth, sd = float(places.depth[row]), float(places.sd[row])
    if not np.isfinite(depth):
        return "no way out: walls all around"
    if row < len(surface.seam_ponds) and surface.seam_ponds[row]:
        return f"the seam's, not the ground's: {_seam_of(surface, row, words)}"
    if row < len(surface.drainage.ponds):
        low, high = depth - words.reach() * sd, depth + words.reach() * sd
        proved = places.verdict[row] == HOLDS and low > 0.0
        return f"{f'from {words.small(low)} ' if proved else 'up '}to {words.small(high)} deep"
    drop, toward = float(places.drop[row]), words.at(int(places.toward[row]))
    if drop <= 0.0:
        return f"level with {toward}, its best neighbour"
    return f"falls {words.small(drop)} to {toward}, sd {words.small(sd)}"


def _seam_of(surface: Surface, row: int, words: Words) -> str:
    seams = [seam for seam in surface.seams if seam.clear > critical()]
    pond = surface.drainage.ponds.of_vertex == row
    near = pond.copy()
    edges = surface.mesh.edges
    near[edges[pond[edges].any(axis=1)]] = True
    own = [seam for seam in seams if near[seam.edges].any()] or seams
    return words.seam(max(own, key=lambda seam: seam.clear))


def cure(surface: Surface, row: int, verdict: str, words: Words) -> str:
    """Say what to raise, cut or shoot so that one place drains, or is known to."""
    places = surface.drainage.places
    vertex, toward = int(places.vertex[row]), int(places.toward[row])
    at, over = words.at(vertex), words.at(toward)
    if row < len(surface.seam_ponds) and surface.seam_ponds[row]:
        return "find out which setup is off before the ground is touched"
    if toward < 0:
        return f"add an inlet at {at}, or open a way out"
    count, fill = len(surface.raises.together(vertex)), _fill(surface, vertex, words)
    if verdict != HOLDS:
        shoot = f"shoot {at} and {over} again from one setup"
        return f"{shoot}; or {fill}" if 0 < count <= MOST else shoot
    fill = f"add an inlet at {at}; or {fill}" if count > MOST else fill
    return f"{fill}; or cut {over}" if _opens(surface, row) else fill


def _fill(surface: Surface, vertex: int, words: Words) -> str:
    """Say by how much to raise a vertex and all that must be raised with it, empty for no cure."""
    raises = surface.raises
    together = raises.together(vertex).tolist()
    if len(together) > MOST:
        return f"raise {len(together)} points by what the table of points says"
    each = [f"{words.at(own)} by {words.phrases.shift(raises.up[own])}" for own in together]
    return f"raise {listed(each, MOST, 'and')}, and it is proved to drain" if each else ""


def _opens(surface: Surface, row: int) -> bool:
    """Return whether all water of a pond leaves over its spill once that is cut to its lowest."""
    places, mesh = surface.drainage.places, surface.mesh
    wet = np.flatnonzero(surface.drainage.ponds.of_vertex == row).tolist()
    lowest, spill = int(places.vertex[row]), int(places.toward[row])
    a, b, _ = mesh.spokes
    falls = {*a[mesh.height[b] < mesh.height[a]].tolist(), lowest}
    return spill in b[a == lowest] and all(vertex in falls for vertex in wet)


def order_of(surface: Surface, verdicts: Sequence[str]) -> list[int]:
    """Return the places as they are said: what holds, deepest first, then what nobody can tell."""
    places = surface.drainage.places
    worst = np.where(np.isfinite(places.depth), places.depth, np.inf)
    keys = [(verdicts[row] != HOLDS, -float(worst[row]), row) for row in range(len(places))]
    return [row for _, _, row in sorted(keys)]


def place_lines(
    surface: Surface, verdicts: Sequence[str], words: Words
) -> Iterator[tuple[str, str]]:
    """Give verdict and words of each place, the worst first."""
    places = surface.drainage.places
    for row in order_of(surface, verdicts):
        at, depth = words.at(int(places.vertex[row])), float(places.depth[row])
        why = pond_reason(surface, row, words)
        if verdicts[row] == HOLDS and np.isfinite(depth):
            deep = f"{words.phrases.shift(depth)} deep, sd {words.small(places.sd[row])}"
            yield HOLDS, f"{at}: {deep}; {cure(surface, row, HOLDS, words)}"
        else:
            yield verdicts[row], f"{at}: {why}; {cure(surface, row, verdicts[row], words)}"


def seam_lines(surface: Surface, words: Words) -> Iterator[tuple[bool, str]]:
    """Give whether each seam is stepped, and what it is; those that show nothing in one line."""
    few = []
    for seam in surface.seams:
        pair = " and ".join(words.labels[setup] for setup in seam.setups)
        if not np.isfinite(seam.step):
            few.append(pair)
        elif not seam.tested:
            shown = (
                f"{words.seam(seam)}, sd {words.small(seam.sd)}, and the shape of the ground may "
                "be that: cannot tell"
            )
            yield False, f"{pair}: {shown}"
        elif seam.clear > critical():
            yield True, f"{pair}: {words.seam(seam)}, sd {words.small(seam.sd)}"
        else:
            sd = words.small(seam.sd)
            yield False, f"{pair}: no step shows, {words.signed(seam.step)}, sd {sd}"
    if few:
        yield False, f"{listed(few, MOST)}: too few points on both sides to tell"
