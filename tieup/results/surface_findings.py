"""Findings about surfaces: what is odd in what they are made of, where water stands, seams."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.derive.measured_falls import FAIL, PASS
from tieup.model.finding import CHECK, NOTE, Finding
from tieup.model.finding_kinds import (
    FLAT_TRIANGLES,
    GRADE_LIMIT,
    LAYER_THICKNESS,
    LINE_CROSSING,
    SEAM_STEP,
    SPIKE,
    STANDING_WATER,
    SURFACE_EDGE,
    TWIN_POINTS,
    FindingKind,
)
from tieup.results.strings_table import PER_CENT
from tieup.results.surface_between import whole_verdict
from tieup.results.surface_build import BuiltSurface
from tieup.results.surface_words import Words, cure, order_of, pond_reason
from tieup.surface.checks import critical
from tieup.surface.drainage import HOLDS

MOST_NAMES = 6


def surface_findings(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    """Give what a person must look at in one surface."""
    if not built.verdict:
        yield _finding(
            built, SURFACE_EDGE, (),
            f"makes no triangle: {len(built.surface.ground.place)} points take part",
            "Look at which points, strings and boundary the surface names in job.yaml.",
            severity=CHECK,
        )  # fmt: skip
        return
    yield from _of_lines(built, words)
    yield from _of_points(built, words)
    yield from _of_edge(built, words)
    yield from _of_seams(built, words)
    yield from _of_water(built, words)
    yield from _of_grades(built)
    yield from _of_layer(built, words)


def _finding(
    built: BuiltSurface,
    kind: FindingKind,
    points: Sequence[str],
    says: str,
    confirm: str,
    cured: str = "",
    key: str = "",
    severity: str = "",
) -> Finding:
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


def _of_lines(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    surface, names = built.surface, built.site.line_names
    table = zip(
        surface.meetings.vertex.tolist(),
        surface.meetings.first.tolist(),
        surface.meetings.second.tolist(),
        surface.meeting_step.tolist(),
        strict=True,
    )
    for vertex, first, second, step in table:
        over = names[surface.line_of_edge[second]]
        shift, at = words.phrases.shift(step), words.at(vertex)
        side = "above" if step > 0 else "below"
        if first < 0:
            says = f"string {over} passes over {at} {shift} {side} it"
        else:
            under = names[surface.line_of_edge[first]]
            says = f"string {over} crosses {under} at {at}, {shift} {side} it"
        yield _line_finding(built, says, (over, str(vertex)), [words.names[vertex]])
    for vertex, step in zip(surface.touches[0].tolist(), surface.touches[1].tolist(), strict=True):
        side = "above" if step > 0 else "below"
        says = f"a breakline passes {words.at(vertex)} {words.phrases.shift(step)} {side} it"
        yield _line_finding(built, says, ("beside", str(vertex)), [words.names[vertex]])


def _line_finding(
    built: BuiltSurface, says: str, key: tuple[str, str], points: Sequence[str]
) -> Finding:
    return _finding(
        built,
        LINE_CROSSING,
        points,
        says,
        "Look at both strings on the plan: points in wrong order, or a code on the wrong row?",
        "Correct the string where the raw data comes from, or name it in points_only.",
        "|".join(key),
    )


def _of_points(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    surface = built.surface
    for (a, b), step in zip(surface.twins.points.tolist(), surface.twins.step, strict=True):
        one, other = (_point(built, words, point) for point in (a, b))
        side = "above" if step > 0 else "below"
        says = f"{other} lies over {one} in plan and {words.phrases.shift(step)} {side} it"
        yield _finding(
            built, TWIN_POINTS, (one, other), says,
            "Shoot the place once more: which of the two is the ground?",
            "Leave the wrong one out of the surface, or out of the job.",
        )  # fmt: skip
    told = {*surface.drainage.places.vertex.tolist(), *surface.vertex[list(surface.ground.inlets)]}
    for vertex, off in zip(surface.spikes.vertex.tolist(), surface.spikes.off, strict=True):
        if vertex in told:  # an inlet is low, and a low spot is told with its water
            continue
        side = "above" if off > 0 else "below"
        says = (
            f"{words.at(vertex)} lies {words.phrases.shift(off)} {side} the plane of its neighbours"
        )
        yield _finding(
            built, SPIKE, (words.names[vertex],), says,
            "Shoot it again, or look whether something stands there.",
            "Correct the pole height where it was wrong; leave out what is no ground.",
        )  # fmt: skip
    if len(surface.flat):
        area = float(surface.mesh.area[surface.flat].sum())
        count = len(surface.flat)
        size = (
            f"{area / words.phrases.factor**2:.0f} {'m2' if words.phrases.unit == 'm' else 'ft2'}"
        )
        says = f"{count} triangle{'s' * (count != 1)} with all corners on one string, {size}"
        yield _finding(
            built, FLAT_TRIANGLES, (), says,
            "Look at bends of strings on the plan: the ground between was not shot.",
            "Shoot points inside of the bend.",
        )  # fmt: skip


def _point(built: BuiltSurface, words: Words, point: int) -> str:
    vertex = int(built.surface.vertex[point])
    return words.names[vertex] if vertex >= 0 else ""


def _of_edge(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    surface, wish = built.surface, built.site.wish
    rings = [wish.boundary, *wish.holes]
    look = "Look at the string on the plan."
    for number in surface.bad_rings:
        says = f"{rings[number]} crosses itself or encloses nothing: what it ends is not sure"
        cured = "Correct the order of its points."
        key = rings[number]
        yield _finding(built, SURFACE_EDGE, (), says, look, cured, key, severity=CHECK)
    for name in built.site.unclosed:
        says = f"{name} is not closed: its ends were joined by a straight line"
        yield _finding(
            built, SURFACE_EDGE, (), says, look,
            "Shoot its first point once more at its end.", f"open {name}",
        )  # fmt: skip
    if len(surface.lost):
        count = len(surface.lost)
        names = [built.site.names[point] for point in surface.lost.tolist()]
        some = ", ".join(names[:MOST_NAMES]) + (" ..." if count > MOST_NAMES else "")
        says = f"{count} point{'s lie' if count > 1 else ' lies'} outside of it: {some}"
        yield _finding(
            built, SURFACE_EDGE, names[:MOST_NAMES], says,
            "Is the boundary the right one, longest_edge long enough?", key="outside",
        )  # fmt: skip


def _of_seams(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    for seam in built.surface.seams:
        if not seam.clear > critical():
            continue
        mistake = seam.beyond > critical()
        beyond = "more" if mistake else "no more"
        says = (
            f"along the seam {words.seam(seam)}, sd {words.small(seam.sd)}; "
            f"{beyond} than the adjustment leaves open"
        )
        first, second = (words.labels[setup] for setup in seam.setups)
        yield _finding(
            built, SEAM_STEP, (), says,
            f"Shoot three points beside the seam from {first} and from {second}.",
            "Settle which setup is off before the surface leaves.", f"{first}|{second}",
            "" if mistake else NOTE,
        )  # fmt: skip


def _of_water(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    surface, verdicts = built.surface, built.verdicts.tolist()
    places, open_ = surface.drainage.places, []
    for row in order_of(surface, verdicts):
        vertex, depth = int(places.vertex[row]), float(places.depth[row])
        if verdicts[row] != HOLDS:
            open_.append(row)
            continue
        deep = (
            f"{words.phrases.shift(depth)} of water stands"
            if np.isfinite(depth)
            else "water stands"
        )
        says = f"{deep} at {words.at(vertex)}, {pond_reason(surface, row, words)}"
        yield _finding(
            built, STANDING_WATER, (words.names[vertex],), says,
            "Pour water, or lay a straightedge from there to where it would spill.",
            _sentence(cure(surface, row, HOLDS, words)), words.at(vertex),
        )  # fmt: skip
    if open_:
        first = open_[0]
        vertex = int(places.vertex[first])
        others = f", and {len(open_) - 1} more" if len(open_) > 1 else ""
        says = (
            f"nobody can tell whether water stands at {words.at(vertex)} "
            f"({pond_reason(surface, first, words)}){others}"
        )
        names = [words.names[int(places.vertex[row])] for row in open_[:MOST_NAMES]]
        yield _finding(
            built, STANDING_WATER, names, says,
            _sentence(cure(surface, first, verdicts[first], words)), key="open",
        )  # fmt: skip


def _of_grades(built: BuiltSurface) -> Iterator[Finding]:
    for limits, number, held in built.held:
        limit = limits.limits[number]
        fails = held.verdict == FAIL
        if not fails.any():
            continue
        over = np.maximum(limit.minimum - held.value, held.value - limit.maximum)
        worst = float(held.value[fails][np.argmax(over[fails])])
        low, high = limit.minimum / PER_CENT, limit.maximum / PER_CENT
        asked = f"at least {low:.6g} %" if worst < limit.minimum else f"at most {high:.6g} %"
        where = limits.along or limits.within
        says = (
            f"{limits.name} {limit.id}{f' on {where}' if where else ''}: {int(fails.sum())} "
            f"triangles fail, the worst {worst / PER_CENT:.2f} %, {asked} is asked for"
        )
        yield _finding(
            built, GRADE_LIMIT, (), says, f"Level it. The limit: {limit.source}.",
            "Regrade it.", f"{limits.name}|{limit.id}|{where}",
        )  # fmt: skip


def _of_layer(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    """Give a finding where a layer is not as thick as it should be, or nobody can tell."""
    layer, against = built.layer, built.site.wish.against
    if layer is None or against is None or whole_verdict(layer) in ("", PASS):
        return
    word = whole_verdict(layer)
    own = np.flatnonzero(layer.verdict == word)
    off = np.abs(layer.found.depth - against.thickness)
    if not len(own):
        return
    worst = int(own[np.argmax(off[own])])
    shift = words.phrases.shift
    where = words.near(layer.found.place[worst])
    state = "is not as asked for" if word == FAIL else "cannot be told"
    says = (
        f"the layer {state} at {len(own)} of {len(off)} places, the worst {where}: "
        f"{shift(float(layer.found.depth[worst]))} thick, "
        f"sd {words.small(float(layer.sd[worst]))}, "
        f"{shift(against.thickness)} within {shift(against.tolerance)} is asked for"
    )
    yield _finding(
        built, LAYER_THICKNESS, (), says,
        "Drill a core there, or shoot both surfaces again from one setup.",
        "Mill or fill, or correct the thickness in job.yaml if that was typed wrong."
        if word == FAIL else "", "layer",
    )  # fmt: skip


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
