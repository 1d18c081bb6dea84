"""Why a row is not used, and what to remark beside a point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import BoolArray, TextArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding


def reasons(
    fieldbook: Fieldbook,
    solved: Solved,
    excluded: BoolArray,
    decided: BoolArray,
    findings: Sequence[Finding],
) -> TextArray:
    """Return for each raw row (m,) why it, or a part of it, is not used; "" where it may be.

    ``excluded`` (m, 3) are the components left out, ``decided`` those by a person's word.
    """
    shots = fieldbook.shots
    reason = np.full(len(shots), "", dtype=object)
    start, case = solved.network.start, solved.case
    reason[~start.height_point[case.shots.point]] = "no height reaches this point"
    reason[~start.plan_point[case.shots.point]] = "too few readings to place this point"
    reason[~start.plan_setup[case.shots.setup]] = "the setup is not tied to the site"
    undetermined = solved.adjustment.undetermined_point[case.shots.point]
    reason[undetermined] = "too few readings to place this point"
    left_out = np.flatnonzero(excluded.any(axis=1))
    reason[left_out] = "left out with its setup or mark"
    _name_findings(fieldbook, reason, left_out, findings)
    reason[decided.any(axis=1)] = "excluded by decision"
    reason[shots.repeated] = "copies an earlier row in every cell"
    return reason


def _name_findings(
    fieldbook: Fieldbook, reason: TextArray, rows: np.ndarray, findings: Sequence[Finding]
) -> None:
    """Write the finding that left each row out."""
    by_line = {line: f for f in reversed(findings) if f.action == "excluded" for line in f.lines}
    shots, files = fieldbook.shots, fieldbook.files
    for row in rows:
        finding = by_line.get(f"{files[shots.file[row]].name}:{shots.line[row]}")
        if finding is not None:
            reason[row] = f"{finding.kind} ({finding.id})"


def flags(findings: Sequence[Finding]) -> Mapping[str, str]:
    """Return the kinds of findings about each point, in words for coordinates.csv."""
    remarks: dict[str, list[str]] = {}
    for finding in findings:
        for point in finding.points if len(finding.points) <= 4 else ():
            kinds = remarks.setdefault(point, [])
            if finding.kind not in kinds:
                kinds.append(finding.kind)
    return {point: " ".join(kinds) for point, kinds in remarks.items()}
