"""Findings about surfaces: what is odd in what they are made of, where water stands, seams."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.derive.measured_falls import FAIL, PASS
from tieup.model.finding import CHECK, NOTE, Finding
from tieup.model.finding_kinds import (
    FLAT_TRIANGLES,
    GRADE_LIMIT,
    LAYER_THICKNESS,
    SEAM_STEP,
    SPIKE,
    STANDING_WATER,
    SURFACE_EDGE,
)
from tieup.results.strings_table import PER_CENT
from tieup.results.surface_between import LayerBetween, whole_verdict
from tieup.results.surface_build import BuiltSurface
from tieup.results.surface_inputs import MOST_NAMES, surface_finding, surface_inputs, why_none
from tieup.results.surface_words import Words, cure, order_of, pond_reason
from tieup.surface.checks import critical
from tieup.surface.drainage import HOLDS


def surface_findings(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    """Give what a person must look at in one surface."""
    yield from (one.finding for one in surface_inputs(built, words))
    if not built.verdict:
        yield surface_finding(
            built, SURFACE_EDGE, (), f"makes no triangle: {why_none(built)}",
            "Look at which points, strings and boundary the surface names in job.yaml.",
            key="none", severity=CHECK,
        )  # fmt: skip
        return
    yield from _of_points(built, words)
    yield from _of_seams(built, words)
    yield from _of_water(built, words)
    yield from _of_grades(built, words)
    yield from _of_layer(built, words)


def _of_points(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    surface = built.surface
    told = {*surface.drainage.places.vertex.tolist(), *surface.vertex[list(surface.ground.inlets)]}
    for vertex, off in zip(surface.spikes.vertex.tolist(), surface.spikes.off, strict=True):
        if vertex in told:  # an inlet is low, and a low spot is told with its water
            continue
        side = "above" if off > 0 else "below"
        says = (
            f"{words.at(vertex)} lies {words.phrases.shift(off)} {side} the plane of its neighbours"
        )
        yield surface_finding(
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
        yield surface_finding(
            built, FLAT_TRIANGLES, (), says,
            "Look at bends of strings on the plan: the ground between was not shot.",
            "Shoot points inside of the bend.",
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
        yield surface_finding(
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
        yield surface_finding(
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
        yield surface_finding(
            built, STANDING_WATER, names, says,
            _sentence(cure(surface, first, verdicts[first], words)), key="open",
        )  # fmt: skip


def _of_grades(built: BuiltSurface, words: Words) -> Iterator[Finding]:
    mesh = built.surface.mesh
    for limits, number, held in built.held:
        limit = limits.limits[number]
        fails = held.verdict == FAIL
        if not fails.any():
            continue
        over = np.maximum(limit.minimum - held.value, held.value - limit.maximum)
        row = np.flatnonzero(fails)[np.argmax(over[fails])]
        worst = float(held.value[row])
        place = words.near(mesh.place[mesh.faces[held.faces[row]], :2].mean(axis=0))
        count = int(fails.sum())
        low, high = limit.minimum / PER_CENT, limit.maximum / PER_CENT
        asked = f"at least {low:.6g} %" if worst < limit.minimum else f"at most {high:.6g} %"
        where = limits.along or limits.within
        says = (
            f"{limits.name} {limit.id}{f' on {where}' if where else ''}: {count} "
            f"{'triangle fails' if count == 1 else 'triangles fail'}, the worst {place}: "
            f"{worst / PER_CENT:.2f} %, {asked} is asked for"
        )
        yield surface_finding(
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
        yield _of_cover(built, layer, words)
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
    yield surface_finding(
        built, LAYER_THICKNESS, (), says,
        "Drill a core there, or shoot both surfaces again from one setup.",
        "Mill or fill, or correct the thickness in job.yaml if that was typed wrong."
        if word == FAIL else "", "layer",
    )  # fmt: skip


def _of_cover(built: BuiltSurface, layer: LayerBetween, words: Words) -> Finding:
    """Return that a layer cannot be told because the other surface covers too little."""
    unit = "m2" if words.phrases.unit == "m" else "square ft"
    there, whole = (
        f"{area / words.phrases.factor**2:,.0f}" for area in (layer.found.area, layer.of_area)
    )
    says = f"{there} of {whole} {unit} compared with the other surface, nobody can tell of the rest"
    if not layer.found.area:
        says = "it and the other surface cover no common ground: there is nothing to compare"
    return surface_finding(
        built, LAYER_THICKNESS, (), says,
        "Do both surfaces have one frame, one order of northing and easting, one unit?",
        "Shoot the other surface as far as this one goes, or end this one with a boundary.",
        "layer",
    )  # fmt: skip


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
