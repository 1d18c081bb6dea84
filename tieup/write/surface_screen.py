"""The crew's screen for surfaces: what drains, what does not, what is not proved, what to do.

Made for a phone terminal as the ties screen: it folds to any width from 36 columns on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from tieup.model.answer import TIED, UNPROVED
from tieup.model.point_words import DISPUTED
from tieup.model.reconciliation import Reconciliation, Table
from tieup.model.surface_drawn import MADE_OF, NONE, UNSAFE, SiteSurface
from tieup.sentences import counted
from tieup.write.cautions import CAUTIONS, SHORT_CAUTION, UNCHECKED_MEANS
from tieup.write.terminal import LEAST_WIDTH, WIDTH, folded

MOST = 5  # lines of a section
WHOLE = 0.999  # share of a surface from which on no one is told that it was compared in part
HOLDS, CANNOT_TELL, PASS = "holds", "cannot tell", "pass"
HEADINGS = {
    UNSAFE: "Leaves the answer open",
    MADE_OF: "What it is made of",
    HOLDS: "Water stands",
    CANNOT_TELL: "Cannot tell",
    "seams": "Seams",
}


def surface_text(site: Reconciliation, width: int = WIDTH) -> str:
    """Return the screen of all surfaces of a site, in lines of ``width`` columns."""
    width = max(width, LEAST_WIDTH)
    blocks = [_block(site, surface, width) for surface in site.surfaces]
    beside = [line for text in _beside(site) for line in folded(text, width)]
    lines = [line for block in blocks for line in [*block, ""]]
    head = [*beside, *([""] if beside else []), *lines]
    return "\n".join([*head, *folded(SHORT_CAUTION, width)]) + "\n"


def _beside(site: Reconciliation) -> Iterator[str]:
    """Say what else makes the exit status 1, whatever becomes of the surfaces."""
    verdict = site.verdict
    if verdict.word != TIED:
        yield f"The site itself {'is not proved' if verdict.word == UNPROVED else 'does not tie'}."
    falls = len(verdict.falls) + len(verdict.untold)
    if falls:
        yield f"{counted(falls, 'fall')} of job.yaml {'does' if falls == 1 else 'do'} not pass."


def surface_record(site: Reconciliation) -> dict[str, Any]:
    """Return the screen as data, for ``--json``: lengths in the job's unit."""
    return {
        "title": site.job.title,
        "status": site.status,
        "site": site.verdict.word,
        "length_unit": site.job.length_unit,
        "surfaces": [
            {
                "surface": surface.name,
                "verdict": surface.verdict,
                "headline": headline(surface),
                "points": len(surface.points["id"]),
                "triangles": len(surface.faces["a"]),
                "drains_to": [
                    {"way_out": name, "area": round(area, 2)} for name, area in surface.shares
                ],
                "places": _rows(surface.ponds),
                "seams": _rows(surface.seams),
                "grades": _rows(surface.grades),
                "depths": _rows(surface.depths),
                "says": [text for _, text in surface.said],
            }
            for surface in site.surfaces
        ],
        "cautions": list(CAUTIONS),
    }


def _rows(table: Table) -> list[dict[str, Any]]:
    names = list(table)
    rows = zip(*(np.asarray(table[name]).tolist() for name in names), strict=True) if names else ()
    return [
        {
            name: None if value != value else round(value, 6) if isinstance(value, float) else value
            for name, value in zip(names, row, strict=True)
        }
        for row in rows
    ]


def headline(surface: SiteSurface) -> str:
    """Return the answer of one surface in a sentence."""
    name = surface.name.upper()
    if not surface.verdict:
        why = next((text for kind, text in surface.said if kind == NONE), "it has no triangle")
        return f"{name} IS NO SURFACE: {why}."
    kinds = (UNSAFE, CANNOT_TELL) if surface.verdict == CANNOT_TELL else (surface.verdict,)
    told = [text for own in kinds for kind, text in surface.said if kind == own]
    where = told[0].partition(";")[0] if told else ""
    if surface.verdict == HOLDS:
        return f"{name} DOES NOT DRAIN: {where}."
    if surface.verdict == CANNOT_TELL:
        return f"CANNOT TELL WHETHER {name} DRAINS: {where}."
    if "edge" in dict(surface.said):
        return f"{name} DRAINS over its edge: its triangles fall, beyond chance."
    return f"{name} DRAINS: every point has a lower one beside it, beyond chance."


def _block(site: Reconciliation, surface: SiteSurface, width: int) -> list[str]:
    lines = folded(headline(surface), width)
    if surface.verdict:
        lines += folded(facts(site, surface), width)
    for title, said in sections(site, surface):
        lines += _section(title.upper(), said, width)
    return lines


def sections(site: Reconciliation, surface: SiteSurface) -> list[tuple[str, list[str]]]:
    """Return what is said of a surface, by heading; headings without lines are left out."""
    said = {
        title: [t for own, t in surface.said if own == kind] for kind, title in HEADINGS.items()
    }
    said["Grades"] = [*_grades(surface)]
    said["Between surfaces"] = [*_depths(site, surface)]
    said["Water goes to"] = [*_shares(site, surface)]
    return [(title, lines) for title, lines in said.items() if lines]


def _section(title: str, said: Sequence[str], width: int) -> list[str]:
    lines = [line for text in said[:MOST] for line in folded(text, width, 2)]
    more = len(said) - MOST
    return ["", title, *lines, *([f"and {more} more in the tables"] if more > 0 else [])]


def facts(site: Reconciliation, surface: SiteSurface) -> str:
    """Return how large a surface is, and what of it is not proved."""
    area = sum(area for _, area in surface.shares)
    unit = _square(site)
    proof = [str(word) for word in surface.points["proof"]]
    disputed = proof.count(DISPUTED)
    unproved = sum(word not in ("held", "checked", DISPUTED) for word in proof)
    seam = sum(str(word) == "across" for word in surface.faces["joint"])
    parts = [
        f"{counted(len(proof), 'point')}, {counted(len(surface.faces['a']), 'triangle')}, "
        f"{area:,.0f} {unit}."
    ]
    parts += [text for kind, text in surface.said if kind == "edge"]
    if unproved:
        them = "it" if unproved == 1 else "them"
        open_ = counted(unproved, "point")
        parts.append(f"Not proved: {open_} unchecked: {UNCHECKED_MEANS} {them}.")
    if disputed:
        parts.append(f"Disputed: {counted(disputed, 'point')}, of two heights each.")
    if seam:
        bridge = "bridges" if seam == 1 else "bridge"
        parts.append(f"{counted(seam, 'triangle')} {bridge} two setups.")
    return " ".join(parts)


def _square(site: Reconciliation) -> str:
    return "m2" if site.job.length_unit == "m" else "square ft"


def _grades(surface: SiteSurface) -> Iterator[str]:
    for row in _rows(surface.grades):
        where = f" on {row['where']}" if row["where"] else ""
        limit = [
            f"{word} {row[key]:.6g} %"
            for key, word in (("minimum", "at least"), ("maximum", "at most"))
            if row[key] is not None
        ]
        worst = (
            "" if row["fall"] is None else f", worst {row['fall']:.2f} %, sd {row['sd_fall']:.2f}"
        )
        if row["fall"] is not None and row["verdict"] != PASS:
            worst += f" at {row['northing']:.2f} N {row['easting']:.2f} E"
        yield f"{row['limit']}{where}: {row['verdict']}{worst} ({' and '.join(limit)})"


def _depths(site: Reconciliation, surface: SiteSurface) -> Iterator[str]:
    unit = site.job.length_unit
    for row in _rows(surface.depths):
        if row["net"] is None:
            yield f"{row['where']}: {row['thickness']:.4f} {unit} on the average"
            continue
        if not row["area"]:
            yield f"{row['where']}: they cover no common ground: {CANNOT_TELL}"
            continue
        part = row["area"] < WHOLE * row["of_area"]
        area = f"{row['area']:,.0f} of {row['of_area']:,.0f} {_square(site)} compared, "
        verdict = f"; thickness {row['verdict']}" if row["verdict"] else ""
        yield (
            f"{row['where']}: {area if part else ''}above {row['cut']:z.2f}, "
            f"below {row['fill']:z.2f}, net {row['net']:z.2f} cubic {unit}, "
            f"sd {row['sd_net']:.2f}{verdict}"
        )


def _shares(site: Reconciliation, surface: SiteSurface) -> Iterator[str]:
    whole = sum(area for _, area in surface.shares) or 1.0
    unit = _square(site)
    names = {"edge": "over the edge", "none": "nowhere"}
    for name, area in surface.shares:
        held = sum(own for _, own, way in surface.stands if way == name)
        full = f", {held:,.0f} {unit} of it once ponds are full" if held and name != "none" else ""
        yield f"{names.get(name, name)}: {area:,.0f} {unit}, {100 * area / whole:.0f} %{full}"
    for point, area, way in surface.stands:
        onward = "no way out" if way == "none" else f"once full, {names.get(way, f'to {way}')}"
        yield f"{point}: {area:,.0f} {unit}, {100 * area / whole:.0f} % stands there; {onward}"
