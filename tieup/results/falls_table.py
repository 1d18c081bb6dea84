"""falls.csv: what came of the named checks of slopes, and the findings about them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.derive.fall_checks import CheckedFalls
from tieup.derive.measured_falls import CANNOT_TELL, FAIL, PASS, reach_of
from tieup.derive.slopes import Slopes
from tieup.model.answer import SiteVerdict
from tieup.model.arrays import text_array
from tieup.model.falls import FallCheck
from tieup.model.finding import Finding
from tieup.model.finding_kinds import FALL
from tieup.model.job import Job
from tieup.model.reconciliation import Table
from tieup.results.derived_table import PROOFS
from tieup.results.site import Site
from tieup.results.strings_table import PER_CENT, SetupsOf
from tieup.units import length_factor


def falls_table(site: Site, slopes: Slopes, coordinates: Table) -> Table:
    """Return a row for each fall that a check is about, in the order of job.yaml.

    Falls and limits in per cent, positive where it falls from ``from`` to ``to``. ``proof`` is the
    weakest of the points at both ends, as in ``coordinates``: with a typed number, unchecked.
    """
    checks = [check for check in slopes.checks for _ in check.starts]
    if not checks:
        return {}
    length, found = length_factor(site.job.length_unit), slopes.checks
    covariance = np.concatenate([check.covariance for check in found])
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0)) / length
    setups = [*_setups(site, slopes)]
    return {
        "check": text_array([check.check.name for check in checks]),
        "from": text_array([point.name for check in found for point in check.starts]),
        "to": text_array([point.name for check in found for point in check.ends]),
        "length": np.concatenate([check.length for check in found]) / length,
        "sd_length": sd[:, 0],
        "drop": np.concatenate([check.drop for check in found]) / length,
        "sd_drop": sd[:, 1],
        "fall": np.concatenate([check.falls.value for check in found]) / PER_CENT,
        "sd_fall": np.concatenate([check.falls.sd for check in found]) / PER_CENT,
        "minimum": _limits([check.check.minimum for check in checks]),
        "maximum": _limits([check.check.maximum for check in checks]),
        "verdict": np.concatenate([check.parts for check in found]),
        "reason": text_array([text for check in found for text in _reasons(check, site.job)]),
        "proof": text_array([*_proofs(slopes, coordinates)]),
        "joint": text_array([joint for _, joint in setups]),
        "setups": text_array([words for words, _ in setups]),
    }


def _limits(values: Sequence[float]) -> np.ndarray:
    limits = np.array(values) / PER_CENT
    return np.where(np.isfinite(limits), limits, np.nan)


def _setups(site: Site, slopes: Slopes) -> Iterator[tuple[str, str]]:
    setups = SetupsOf(site)
    for check in slopes.checks:
        for start, end in zip(check.starts, check.ends, strict=True):
            yield setups.words(start.marks, end.marks) if start.marks and end.marks else ("", "")


def _proofs(slopes: Slopes, coordinates: Table) -> Iterator[str]:
    proof_of = dict(zip(coordinates["point"], coordinates["proof"], strict=True))
    for check in slopes.checks:
        for start, end in zip(check.starts, check.ends, strict=True):
            proofs = {str(proof_of.get(name, "")) for name in (*start.names, *end.names)}
            yield next((proof for proof in PROOFS if proof in proofs), "")


def _reasons(check: CheckedFalls, job: Job) -> Iterator[str]:
    """Say of each fall of a check why it does not pass, and what it rests on."""
    reach = reach_of(check.falls.sd, job.confidence)
    remarks = check.remarks or ("",) * len(check.parts)
    for row, (verdict, reason) in enumerate(zip(check.parts.tolist(), check.reason, strict=True)):
        why = "" if verdict == PASS else reason or _why(check, row, verdict, float(reach[row]))
        yield "; ".join(filter(None, (why, remarks[row])))


def _why(check: CheckedFalls, row: int, verdict: str, reach: float) -> str:
    value, limits = float(check.falls.value[row]), check.check
    low, high = value - reach, value + reach
    if verdict == CANNOT_TELL:
        return f"from {percent(low, limits.minimum)} to {percent(high, limits.maximum)} %"
    if value < limits.minimum:
        return f"at most {percent(high, limits.minimum)} %"
    return f"at least {percent(low, limits.maximum)} %"


def asked(check: FallCheck) -> str:
    """Say what a check asks for."""
    parts = [
        f"{word} {limit / PER_CENT:.6g} %"
        for word, limit in (("at least", check.minimum), ("at most", check.maximum))
        if math.isfinite(limit)
    ]
    return f"{' and '.join(parts)} is asked for"


def percent(value: float, near: float = math.inf) -> str:
    """Return a fall in per cent, with more digits where two would make it the limit ``near``.

    >>> percent(0.00517), percent(0.00998, 0.01)
    ('0.52', '0.9980')
    """
    text = f"{value / PER_CENT:.2f}"
    same = math.isfinite(near) and text == f"{near / PER_CENT:.2f}"
    return f"{value / PER_CENT:.4f}" if same else text


def with_falls(verdict: SiteVerdict, slopes: Slopes) -> SiteVerdict:
    """Return the verdict of a site with the checks that fail and that nobody can tell."""
    fail = tuple(
        f"{check.check.name} {percent(float(check.falls.value[_worst(check)]))} %, "
        f"{asked(check.check)}{tested(check)}"
        for check in slopes.checks
        if check.verdict == FAIL
    )
    untold = tuple(
        f"{check.check.name} cannot be told, {asked(check.check)}"
        for check in slopes.checks
        if check.verdict == CANNOT_TELL
    )
    return replace(verdict, falls=fail, untold=untold)


def fall_findings(slopes: Slopes, job: Job) -> Iterator[Finding]:
    """Give a finding for each check that does not pass: somebody must decide."""
    for check in slopes.checks:
        if check.verdict != PASS:
            yield _finding(check, slopes, job)


def _finding(check: CheckedFalls, slopes: Slopes, job: Job) -> Finding:
    fails, stated = check.verdict == FAIL, check.check
    worst = _worst(check)
    names = set(slopes.places.names)
    cure = check.cures[worst] if check.cures else ""
    known = bool(np.isfinite(check.falls.value[worst]))
    ends = (check.starts[worst].name, check.ends[worst].name)
    return FALL.found(
        points=tuple(name for name in ends if name in names),
        lines=(f"job.yaml:{stated.lines['']}",),
        says=_says(check, worst, [*_reasons(check, job)]),
        # Where an end has no place there is nothing to level: the cure says what is missing.
        confirm=f"Level between {ends[0]} and {ends[1]}, or shoot both again from one setup."
        if known
        else "",
        cure="Regrade it, or correct the limit in job.yaml if that was typed wrong."
        if fails
        else cure or "Shoot both ends from one setup, or take them farther apart.",
        key=f"{stated.name}|{stated.minimum}|{stated.maximum}",
    )


def _worst(check: CheckedFalls) -> int:
    """Return the fall that is farthest beyond a limit, of those with the verdict of the check."""
    over = np.maximum(
        check.check.minimum - check.falls.value, check.falls.value - check.check.maximum
    )
    own = np.flatnonzero(check.parts == check.verdict)
    if not len(own):
        return 0
    return int(own[np.argmax(np.nan_to_num(over[own], nan=-math.inf))])


def _says(check: CheckedFalls, worst: int, reasons: Sequence[str]) -> str:
    word = "Fall" if check.verdict == FAIL else "Cannot tell fall"
    head = f"{word} {check.check.name}: "
    count, of = int((check.parts == check.verdict).sum()), check.tested
    state = "fail" if check.verdict == FAIL else "cannot be told"
    value = float(check.falls.value[worst])
    which = "first" if value != value else "worst"
    some = f"{count} of {of} {state}, the {which} " if of > 1 else ""
    start, end = check.starts[worst].name, check.ends[worst].name
    if value != value:
        return f"{head}{some}{start} to {end}: {reasons[worst]}{tested(check)}."
    slope = f"{'falls' if value >= 0 else 'rises'} {percent(abs(value))} %"
    why = f"{reasons[worst]}; {asked(check.check)}{tested(check)}"
    return f"{head}{some}{start} to {end} {slope}, {why}."


def tested(check: CheckedFalls) -> str:
    """Say how many points of a string are tested, empty where all are."""
    of = len(check.parts)
    return f"; {check.tested} of {of} points tested" if check.tested < of else ""
