"""Links between marks in the tables: rows of observations.csv, why one is not used, counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.adjust.link_tests import link_tests
from tieup.diagnose.kinds.booked_links import link_numbers
from tieup.model.arrays import FloatArray, text_array
from tieup.model.finding import Finding
from tieup.model.link_kinds import LINK_KINDS, of_kind
from tieup.model.reconciliation import FATES
from tieup.results.job_units import length_cells
from tieup.results.site import Site
from tieup.units import length_factor

USED, UNUSED, EXCLUDED = FATES[0], FATES[1], FATES[2]
MILLIMETRE = 1e-3


def link_rows(site: Site, findings: tuple[Finding, ...]) -> dict[str, NDArray[Any]]:
    """Return the rows of the observations table for all lists of links, in recorded order.

    One row a component. ``from`` and ``point`` are the two marks; a level's ``observed`` is the
    height of ``point`` over ``from``, a baseline's its northing, easting or elevation less that of
    ``from``, as ``component`` says; the column stands where there are baselines. Residual, sd and
    mdb are in mm.
    """
    booked = [link for link in site.case.booked_links for _ in link.values]
    value = np.array([v for link in site.case.booked_links for v in link.values])
    sd = np.array([v for link in site.case.booked_links for v in link.sds])
    links = site.case.links
    believed = np.where(of_kind(links.kind, "is_vector"), value, links.value)  # a sign put right
    residual, redundancy, residual_sd, mdb = _in_case(site)
    length = length_factor(site.job.length_unit)
    fate = _fates(site)
    table = {
        "file": text_array([link.file for link in booked]),
        "line": np.array([link.line for link in booked], dtype=np.int64),
        "setup": text_array([""] * len(booked)),
        "point": text_array([link.end for link in booked]),
        "kind": text_array([link.kind for link in booked]),
        "observed": length_cells(value / length, site.job.angle_unit),
        "adjusted": length_cells((believed + residual) / length, site.job.angle_unit),
        "residual": residual / MILLIMETRE,
        "sd": sd / MILLIMETRE,
        "redundancy": redundancy,
        "w": residual / residual_sd,
        "mdb": mdb / MILLIMETRE,
        "status": fate,
        "reason": _reasons(site, fate, findings),
        "from": text_array([link.start for link in booked]),
    }
    components = [c for link in site.case.booked_links for c in LINK_KINDS[link.kind].components]
    return table | ({"component": text_array(components)} if any(components) else {})


def _in_case(site: Site) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return residual, redundancy number, sd of the residual and mdb of every component.

    In m; NaN where not used.
    """
    numbers, tests = link_numbers(site.solved), link_tests(site.adjustment)
    whole = np.full((4, len(site.case.links.kind)), np.nan)
    whole[:, numbers] = tests.residual, tests.redundancy, tests.residual_sd, site.proven.link_mdb
    return whole[0], whole[1], whole[2], whole[3]


def _fates(site: Site) -> NDArray[Any]:
    """Return what became of every component that was booked."""
    links = site.case.links
    fate = np.full(len(links.kind), UNUSED, dtype=object)
    fate[link_numbers(site.solved)] = USED
    fate[np.isin(links.booked, list(site.case.left_links))] = EXCLUDED
    return fate


def _reasons(site: Site, fate: NDArray[Any], findings: tuple[Finding, ...]) -> NDArray[Any]:
    """Say of each component that is not used why."""
    by_line = {line: f for f in reversed(findings) if f.action == "excluded" for line in f.lines}
    reasons = []
    numbers = site.case.links.booked.tolist()
    for number, what in zip(numbers, fate.tolist(), strict=True):
        link = site.case.booked_links[number]
        finding = by_line.get(f"{link.file}:{link.line}")
        if what == USED:
            reasons.append("")
        elif finding is not None:
            reasons.append(f"{finding.kind} ({finding.id})")
        elif what == EXCLUDED:
            reasons.append("excluded by decision")
        else:
            reasons.append(LINK_KINDS[link.kind].idle)
    return text_array(reasons)


def list_counts(site: Site) -> dict[str, dict[str, int]]:
    """Count the rows of each list by fate, for run.json; in part used counts as used."""
    fate, links = _fates(site), site.case.links
    booked, first = np.unique(links.booked, return_index=True)
    used = np.isin(booked, links.booked[fate == USED])
    fate, kinds = np.where(used, USED, fate[first]), links.kind[first]
    return {
        kind.listed: {what: int(np.sum((kinds == name) & (fate == what))) for what in FATES[:3]}
        for name, kind in LINK_KINDS.items()
        if (kinds == name).any()
    }
