"""What a surface is made of, and what of that leaves its answer open.

Points that were asked for and take no part, breaklines that cross at different heights, points of
one place at two heights, rings that enclose nothing: with one of these nobody can tell whether the
surface drains, however its triangles fall.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tieup.diagnose.basis.phrases import Phrases
from tieup.model.finding import CHECK, Finding
from tieup.model.finding_kinds import LINE_CROSSING, SURFACE_EDGE, TWIN_POINTS, FindingKind
from tieup.results.surface_build import BuiltSurface
from tieup.results.surface_ground import NO_HEIGHT, NO_PLACE, LeftOut
from tieup.results.surface_words import Words
from tieup.sentences import counted
from tieup.surface.whole_surface import emptied_by

MOST_NAMES = 6
MISSED = 0.01  # share of the area inside of the boundary that is told as missing; our choice


@dataclass(frozen=True)
class SurfaceInput:
    """What is odd in what a surface is made of; ``unsafe`` keeps it from being told to drain."""

    unsafe: bool
    says: str
    finding: Finding


def surface_inputs(built: BuiltSurface, words: Words) -> tuple[SurfaceInput, ...]:
    """Return what a person must know of the parts of a surface, the unsafe first."""
    parts = (_of_points, _of_rings, _of_twins, _of_lines, _of_edge)
    found = [one for part in parts for one in part(built, words)]
    return tuple(sorted(found, key=lambda one: not one.unsafe))


def surface_finding(
    built: BuiltSurface,
    kind: FindingKind,
    points: Sequence[str],
    says: str,
    confirm: str,
    cured: str = "",
    key: str = "",
    severity: str = "",
) -> Finding:
    """Return a finding about a surface, at its line in job.yaml."""
    name = built.site.wish.name
    return kind.found(
        severity=severity or kind.severity,
        points=tuple(dict.fromkeys(point for point in points if point)),
        lines=(f"job.yaml:{built.site.wish.lines.get('', 1)}",),
        says=f"Surface {name}: {says}.",
        confirm=confirm,
        cure=cured,
        key=f"{name}|{key}",
    )


def why_none(built: BuiltSurface) -> str:
    """Say why a surface has no triangle."""
    wish, ground = built.site.wish, built.surface.ground
    by, count = emptied_by(ground), len(ground.place)
    if by == "points":
        few = f"only {counted(count, 'point')} take{'s' * (count == 1)} part"
        left = len(built.site.left_out)
        return f"{few if count else 'no point takes part'}{f', {left} left out' if left else ''}"
    return {
        "line": f"all {count} points lie on one line",
        "boundary": f"{wish.boundary} encloses none of its {count} points",
        "holes": f"{' and '.join(wish.holes)} cut{'s' * (len(wish.holes) == 1)} away all of it",
        "edges": "longest_edge is shorter than every way between its points",
    }[by]


def _of_points(built: BuiltSurface, words: Words) -> Iterator[SurfaceInput]:
    """Give the points that were asked for and take no part."""
    left = built.site.left_out
    for why in dict.fromkeys(one.why for one in left):
        own = [one for one in left if one.why == why]
        says = f"{_who(own)} {_lack(own, why)}: {_missing(built, own, words.phrases)}"
        names = [one.name for one in own]
        finding = surface_finding(
            built, SURFACE_EDGE, names[:MOST_NAMES], says,
            "Look at these points in coordinates.csv.",
            "Shoot them again with a height."
            if why in (NO_HEIGHT, NO_PLACE)
            else "Settle what keeps them from being proved, or allow it in proofs.",
            f"left out {why}", CHECK,
        )  # fmt: skip
        yield SurfaceInput(True, says, finding)


def _who(own: Sequence[LeftOut]) -> str:
    """Name one point, or count several by string and code."""
    if len(own) == 1:
        return f"{own[0].name}{f' of {own[0].of}' if own[0].of else ''}"
    counts = Counter(one.of for one in own)
    some = [f"{n} of {of}" if of else f"{n} without a code" for of, n in counts.most_common()]
    more = len(some) - MOST_NAMES
    listed = ", ".join([*some[:MOST_NAMES], *([f"{more} more"] if more > 0 else [])])
    return f"{len(own)} points ({listed})"


def _lack(own: Sequence[LeftOut], why: str) -> str:
    one = len(own) == 1
    if why in (NO_HEIGHT, NO_PLACE):
        return f"{'has' if one else 'have'} {why}"
    state = why or "not proved"
    return f"{'is' if one else 'are'} {state} and left out by proofs"


def _missing(built: BuiltSurface, own: Sequence[LeftOut], phrases: Phrases) -> str:
    """Say what points that are left out do to a surface."""
    cut = list(dict.fromkeys(one.of for one in own if one.ring))
    boundary = built.site.wish.boundary
    rings = ["the boundary" if of == boundary else f"the hole {of}" for of in cut]
    short = f"{' and '.join(rings)} {'is' if len(rings) == 1 else 'are'} cut short"
    told = short if rings else "nothing is known of the ground there"
    whole, area = built.site.whole_area, float(built.surface.mesh.area.sum())
    if not whole > 0.0 or area > (1.0 - MISSED) * whole:
        return told
    unit = "m2" if phrases.unit == "m" else "square ft"
    there, asked = (value / phrases.factor**2 for value in (area, whole))
    return f"{told}, {there:,.0f} of {asked:,.0f} {unit} are there"


def _of_rings(built: BuiltSurface, words: Words) -> Iterator[SurfaceInput]:
    rings = [built.site.wish.boundary, *built.site.wish.holes]
    for number in built.surface.bad_rings:
        says = f"{rings[number]} crosses itself or encloses nothing: what it ends is not sure"
        finding = surface_finding(
            built, SURFACE_EDGE, (), says, "Look at the string on the plan.",
            "Correct the order of its points.", rings[number], CHECK,
        )  # fmt: skip
        yield SurfaceInput(True, says, finding)


def _of_twins(built: BuiltSurface, words: Words) -> Iterator[SurfaceInput]:
    surface, names = built.surface, built.site.names
    table = zip(surface.twins.points.tolist(), surface.twins.step, built.unsafe_twins, strict=True)
    for (a, b), step, unsafe in table:
        one, other = names[a], names[b]
        side = "above" if step > 0 else "below"
        merged = surface.vertex[a] == surface.vertex[b] >= 0
        mean = ", the surface has the middle of both" if merged else ""
        says = (
            f"{other} lies over {one} in plan and {words.phrases.shift(step)} {side} it{mean}: "
            "the height there is not proved"
        )
        finding = surface_finding(
            built, TWIN_POINTS, (one, other), says,
            "Shoot the place once more: which of the two is the ground?",
            "Leave the wrong one out of the surface, or out of the job.",
        )  # fmt: skip
        yield SurfaceInput(bool(unsafe), says, finding)


def _of_lines(built: BuiltSurface, words: Words) -> Iterator[SurfaceInput]:
    surface, names = built.surface, built.site.line_names
    table = zip(
        surface.meetings.vertex.tolist(),
        surface.meetings.first.tolist(),
        surface.meetings.second.tolist(),
        surface.meeting_step.tolist(),
        built.unsafe_meetings.tolist(),
        strict=True,
    )
    for vertex, first, second, step, unsafe in table:
        over = names[surface.line_of_edge[second]]
        shift, at = words.phrases.shift(step), words.at(vertex)
        side = "above" if step > 0 else "below"
        if first < 0:
            says = f"string {over} passes over {at} {shift} {side} it"
        else:
            under = names[surface.line_of_edge[first]]
            says = f"string {over} crosses {under} at {at}, {shift} {side} it"
        finding = _line_finding(built, says, (over, str(vertex)), [words.names[vertex]])
        yield SurfaceInput(unsafe, says, finding)
    for vertex, step in zip(surface.touches[0].tolist(), surface.touches[1].tolist(), strict=True):
        side = "above" if step > 0 else "below"
        says = f"a breakline passes {words.at(vertex)} {words.phrases.shift(step)} {side} it"
        finding = _line_finding(built, says, ("beside", str(vertex)), [words.names[vertex]])
        yield SurfaceInput(True, says, finding)


def _line_finding(
    built: BuiltSurface, says: str, key: tuple[str, str], points: Sequence[str]
) -> Finding:
    return surface_finding(
        built,
        LINE_CROSSING,
        points,
        says,
        "Look at both strings on the plan: points in wrong order, or a code on the wrong row?",
        "Correct the string where the raw data comes from, or name it in points_only.",
        "|".join(key),
    )


def _of_edge(built: BuiltSurface, words: Words) -> Iterator[SurfaceInput]:
    """Give open rings, and what lies outside: inlets, holes, points."""
    for name in dict.fromkeys(built.site.unclosed):
        says = f"{name} is not closed: its ends were joined by a straight line"
        finding = surface_finding(
            built, SURFACE_EDGE, (), says, "Look at the string on the plan.",
            "Shoot its first point once more at its end.", f"open {name}",
        )  # fmt: skip
        yield SurfaceInput(False, says, finding)
    if built.verdict:
        yield from _outside(built)


def _outside(built: BuiltSurface) -> Iterator[SurfaceInput]:
    names, ground = built.site.names, built.surface.ground
    lost = built.surface.lost.tolist()
    gone = {*lost}
    told = []
    for point in sorted(gone & {*ground.inlets}):
        told.append((f"the inlet {names[point]} lies outside of it and takes no water", [point]))
    for name, ring in zip(built.site.wish.holes, ground.holes, strict=True):
        if ring and gone.issuperset(ring):
            told.append((f"the hole {name} lies outside of it", [*ring]))
    rest = [point for point in lost if not any(point in own for _, own in told)]
    if rest:
        some = ", ".join(names[point] for point in rest[:MOST_NAMES])
        some += " ..." if len(rest) > MOST_NAMES else ""
        count = f"{len(rest)} point{'s lie' if len(rest) > 1 else ' lies'}"
        told.append((f"{count} outside of it: {some}", rest))
    for says, points in told:
        finding = surface_finding(
            built, SURFACE_EDGE, [names[point] for point in points[:MOST_NAMES]], says,
            "Is the boundary the right one, longest_edge long enough?",
            key="outside" if points is rest else says,
        )  # fmt: skip
        yield SurfaceInput(False, says, finding)
