"""Audit the raw rows of a job: counts, what each setup did, and every rule of raw data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.audit.overview import setups_overview
from tieup.audit.raw_evidence import RawEvidence
from tieup.audit.raw_measures import MEASURES
from tieup.model.audit import Audit
from tieup.model.observations import KINDS
from tieup.model.rules import Rule
from tieup.reduce.measured import Measured
from tieup.ties.rule_checks import check_rule


def audit(evidence: RawEvidence, rules: Sequence[Rule], length: float) -> Audit:
    """Audit a job.

    Parameters
    ----------
    rules
        Rules whose quantities are in `MEASURES`; one that several rules name is measured once.
    length
        Metres in the job's unit of length.
    """
    measured: dict[str, Measured] = {}
    for rule in rules:
        if rule.measures not in measured:
            measured[rule.measures] = MEASURES[rule.measures](evidence)
    book = evidence.fieldbook
    return Audit(
        files=book.files,
        counts=_counts(evidence),
        setups=setups_overview(evidence, length),
        results=tuple(check_rule(rule, measured[rule.measures]) for rule in rules),
        unknown_columns=book.unknown_columns,
        absent=book.absent,
    )


def _counts(evidence: RawEvidence) -> dict[str, int]:
    book = evidence.fieldbook
    shots = book.shots
    observed = np.isfinite(np.column_stack([shots.direction, shots.zenith, shots.distance]))
    sighted = np.zeros(len(evidence.points), dtype=bool)
    sighted[shots.point] = True
    control = np.isfinite(evidence.known).any(axis=1)
    return {
        "rows": sum(file.rows for file in book.files),
        "read": len(shots) - int(shots.repeated.sum()),
        "repeated": int(shots.repeated.sum()),
        "unused": len(book.unused),
        "invalid": len(book.invalid),
        **{f"{kind}s": int(observed[:, k].sum()) for k, kind in enumerate(KINDS)},
        "files": len(book.files),
        "setups": len(book.setups),
        "points": int(sighted.sum()),
        "marks in common": int((sighted & evidence.shared).sum()),
        "control marks sighted": int((sighted & control).sum()),
    }
