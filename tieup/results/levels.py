"""Level runs and tapes in the tables: rows of observations.csv, proof of their marks, counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.adjust.distributions import minimal_detectable_bias
from tieup.adjust.solution import UNCHECKED
from tieup.diagnose.levels import link_numbers
from tieup.model.arrays import FloatArray
from tieup.model.finding import Finding
from tieup.model.reconciliation import FATES
from tieup.results.site import Site
from tieup.results.units import SEXAGESIMAL
from tieup.units import length_factor

USED, UNUSED, EXCLUDED = FATES[0], FATES[1], FATES[2]
MILLIMETRE = 1e-3


def link_rows(site: Site, findings: tuple[Finding, ...]) -> dict[str, NDArray[Any]]:
    """Return the rows of the observations table for levels and tapes, in recorded order.

    ``from`` and ``point`` are the two marks of a run; a level's ``observed`` is the height of
    ``point`` over ``from``. Residual, sd and mdb are in mm.
    """
    booked, links = site.case.booked_links, site.case.links
    residual, redundancy = _in_case(site)
    sd = links.sd
    tested = redundancy > UNCHECKED
    known = np.where(tested, redundancy, np.nan)
    length = length_factor(site.job.length_unit)
    fate = _fates(site)
    observed = np.array([link.value for link in booked]) / length
    return {
        "file": _texts([link.file for link in booked]),
        "line": np.array([link.line for link in booked], dtype=np.int64),
        "setup": _texts([""] * len(booked)),
        "point": _texts([link.end for link in booked]),
        "kind": _texts([link.kind for link in booked]),
        "observed": _lengths(site, observed),
        "adjusted": _lengths(site, (links.value + residual) / length),
        "residual": residual / MILLIMETRE,
        "sd": sd / MILLIMETRE,
        "redundancy": redundancy,
        "w": residual / (sd * np.sqrt(known)),
        "mdb": minimal_detectable_bias(sd, known) / MILLIMETRE,
        "status": fate,
        "reason": _reasons(site, fate, findings),
        "from": _texts([link.start for link in booked]),
    }


def _texts(values: list[str]) -> NDArray[Any]:
    return np.array(values, dtype=object)


def _lengths(site: Site, values: FloatArray) -> NDArray[Any]:
    """Return lengths as the column of readings holds them: text where angles are a notation."""
    if site.job.angle_unit not in SEXAGESIMAL:
        return values
    return _texts(["" if v != v else f"{v:.4f}" for v in values.tolist()])


def _in_case(site: Site) -> tuple[FloatArray, FloatArray]:
    """Return residual (m) and redundancy number of every booked link, NaN where not used."""
    numbers, adjustment = link_numbers(site.solved), site.adjustment
    residual = np.full(len(site.case.booked_links), np.nan)
    redundancy = residual.copy()
    residual[numbers] = adjustment.link_residual
    redundancy[numbers] = np.clip(adjustment.link_redundancy, 0.0, 1.0)
    return residual, redundancy


def _fates(site: Site) -> NDArray[Any]:
    fate = np.full(len(site.case.booked_links), UNUSED, dtype=object)
    fate[link_numbers(site.solved)] = USED
    fate[list(site.case.left_links)] = EXCLUDED
    return fate


def _reasons(site: Site, fate: NDArray[Any], findings: tuple[Finding, ...]) -> NDArray[Any]:
    """Say of each run or tape that is not used why."""
    by_line = {line: f for f in reversed(findings) if f.action == "excluded" for line in f.lines}
    reasons = []
    for link, what in zip(site.case.booked_links, fate.tolist(), strict=True):
        finding = by_line.get(f"{link.file}:{link.line}")
        if what == USED:
            reasons.append("")
        elif finding is not None:
            reasons.append(f"{finding.kind} ({finding.id})")
        elif what == EXCLUDED:
            reasons.append("excluded by decision")
        elif link.kind == "level":
            reasons.append("no height reaches both marks")
        else:
            reasons.append("not both marks have a place")
    return _texts(reasons)


def list_counts(site: Site) -> dict[str, dict[str, int]]:
    """Count the rows of levels and tapes by fate, for run.json."""
    fate = _fates(site)
    kinds = _texts([link.kind for link in site.case.booked_links])
    return {
        name: {what: int(np.sum((kinds == kind) & (fate == what))) for what in FATES[:3]}
        for name, kind in (("levels", "level"), ("tapes", "tape"))
        if (kinds == kind).any()
    }
