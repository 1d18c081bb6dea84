"""Quantities of raw files: are they whole, in order, exported once?"""

from __future__ import annotations

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.diagnose.row_checks.clock import BACK
from tieup.diagnose.row_checks.closing_checks import truncated_findings
from tieup.model.arrays import FloatArray
from tieup.reduce.measured import Collector, Measured


def _of_files(evidence: RawEvidence, values: FloatArray, reason: str = "") -> Measured:
    out = Collector(reason)
    for file, value in zip(evidence.fieldbook.files, values.tolist(), strict=True):
        out.add(file.name, value)
    return out.done()


def _count(evidence: RawEvidence, numbers: list[int] | np.ndarray) -> FloatArray:
    files = np.asarray(numbers, dtype=np.int64)
    return np.bincount(files, minlength=len(evidence.fieldbook.files)).astype(np.float64)


def unreadable_rows(evidence: RawEvidence) -> Measured:
    """Count the rows of each file that cannot be read."""
    return _of_files(evidence, _count(evidence, [r.file for r in evidence.fieldbook.invalid]))


def marked_rows(evidence: RawEvidence) -> Measured:
    """Count the rows of each file that the file itself marks as unused or deleted."""
    return _of_files(evidence, _count(evidence, [r.file for r in evidence.fieldbook.unused]))


def repeated_rows(evidence: RawEvidence) -> Measured:
    """Count the rows of each file that copy an earlier row in every cell."""
    shots = evidence.fieldbook.shots
    return _of_files(evidence, _count(evidence, shots.file[shots.repeated]))


def truncated_end(evidence: RawEvidence) -> Measured:
    """Return 1 for each file whose last row is cut short, else 0."""
    broken = {line.rpartition(":")[0] for f in truncated_findings(evidence.fieldbook)
              for line in f.lines}  # fmt: skip
    names = [file.name for file in evidence.fieldbook.files]
    return _of_files(evidence, np.array([float(name in broken) for name in names]))


def steps_back(evidence: RawEvidence) -> Measured:
    """Count the rows of each setup whose clock runs behind that of the row before."""
    shots = evidence.fieldbook.shots
    rows = np.flatnonzero(np.isfinite(shots.time) & ~shots.repeated)
    rows = rows[np.argsort(shots.setup[rows], kind="stable")]
    setup, time = shots.setup[rows], shots.time[rows]
    back = (np.diff(time) < -BACK) & (np.diff(setup) == 0)
    count = np.bincount(setup[1:][back], minlength=len(evidence.setups)).astype(np.float64)
    count[np.bincount(setup, minlength=len(evidence.setups)) == 0] = np.nan
    out = Collector("its rows have no times")
    for label, value in zip(evidence.setups, count.tolist(), strict=True):
        out.add(label, value)
    return out.done()
