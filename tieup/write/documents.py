"""Write the two JSON documents: findings.json and run.json.

Undefined numbers are null, never 0 and never NaN, which JSON does not have. The sd of a finding
has three significant digits and its size ends at the second of them: more would be noise.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from tieup.model.finding import Finding, Place, Rival
from tieup.model.reconciliation import Reconciliation

SIZE_DIGITS = 4  # of a size without sd
SPREAD_DIGITS = 3
STATISTIC_DIGITS = 4
DOCUMENT_DIGITS = 12  # of any number; those after it change from one processor to the next


def findings_text(site: Reconciliation) -> str:
    """Return findings.json, worst first."""
    return json_text([finding_record(finding) for finding in site.findings])


def run_text(
    site: Reconciliation,
    *,
    files: Sequence[str],
    written: str,
    hashes: Mapping[str, str] | None = None,
    exchange: Mapping[str, Any] | None = None,
) -> str:
    """Return run.json.

    Parameters
    ----------
    files
        Names of every file written together with this one.
    written
        The time of writing, ISO 8601: the only part that differs between two runs.
    hashes
        Their sha256 by name, this one apart.
    exchange
        What was asked for of files for other programs, if any was.
    """
    answer = {"status": site.status, "verdict": site.verdict.word}
    asked = {"exchange": exchange} if exchange else {}
    facts = {"files": list(files), "sha256": hashes or {}, "written": written}
    return json_text({**site.run, **answer, **asked, **facts})


def finding_record(finding: Finding) -> dict[str, Any]:
    """Return a finding as findings.json holds it."""
    return {
        "id": finding.id,
        "kind": finding.kind,
        "severity": finding.severity,
        "setup": finding.setup,
        "points": list(finding.points),
        "lines": list(finding.lines),
        "size": told_size(finding.size, finding.sd),
        "unit": finding.unit,
        "sd": significant(finding.sd, SPREAD_DIGITS),
        "statistic": significant(finding.statistic, STATISTIC_DIGITS),
        "rivals": [_rival_record(rival) for rival in finding.rivals],
        "action": finding.action,
        "says": finding.says,
        "confirm": finding.confirm,
        "cure": finding.cure,
        "decidable": finding.decidable,
        "grade": finding.grade,
        "places": [_place_record(place) for place in finding.places],
    }


def _place_record(place: Place) -> dict[str, Any]:
    names = ("northing", "easting", "elevation")
    record: dict[str, Any] = {"point": place.point, "story": place.story}
    for name, value, sd in zip(names, place.coordinates, place.sds, strict=True):
        record |= {name: None if value != value else round(value, 4)}
        record |= {f"sd_{name}": None if sd != sd else round(sd, 5)}
    return record


def decision_line(verb: str, finding: str) -> str:
    """Return the line for ``decisions:`` in job.yaml that settles a finding."""
    return f'- {{{verb}: {finding}, by: "your name", reason: "why"}}'


def _rival_record(rival: Rival) -> dict[str, Any]:
    return {
        "kind": rival.kind,
        "setup": rival.setup,
        "points": list(rival.points),
        "statistic": significant(rival.statistic, STATISTIC_DIGITS),
        "separable": rival.separable,
    }


def significant(value: float | None, digits: int) -> float | None:
    """Round to significant digits; None where the value is undefined.

    >>> significant(-0.10004049, 3), significant(float("nan"), 3)
    (-0.1, None)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")


def told_size(size: float | None, sd: float | None) -> float | None:
    """Round a size to the second digit of its sd; None where it is undefined.

    >>> told_size(-0.0990649, 0.00137), told_size(33.95041, 0.00179), told_size(0.30480061, None)
    (-0.0991, 33.9504, 0.3048)
    """
    if size is None or not math.isfinite(size) or not sd or not math.isfinite(sd):
        return significant(size, SIZE_DIGITS)
    return round(size, 1 - math.floor(math.log10(abs(sd))))


def json_text(document: Any) -> str:
    """Return indented JSON with a final line end; anything undefined becomes null."""
    return json.dumps(_plain(document), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    """Turn mappings, sequences, numpy scalars and paths into what JSON has."""
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return significant(value, DOCUMENT_DIGITS)
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value)
