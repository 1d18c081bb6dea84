"""What the results of a job say, read from the files that its run has written.

Fresh results and those of an earlier run are read alike, so that both give the same line and
the same rows.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path
from typing import Any

from tieup.model.answer import FAILS
from tieup.model.archived import ArchivedJob, JobRows
from tieup.model.job import Job, readable
from tieup.model.reconciliation import FATES
from tieup.write.exchange.formats import Exchange
from tieup.write.folder import RUN_FILE

OF_RUN = ("status", "verdict", "version", "datum", "dof", "sigma0", "rank_defect", "written")


def archived_job(
    name: str, job: Job, out: Path, others: Exchange, *, skipped: bool, with_rows: bool
) -> ArchivedJob:
    """Return what came of a job whose results are in ``out``."""
    record, findings = _document(out / RUN_FILE), _document(out / "findings.json")
    ties = _columns(out / "ties.csv")
    severities = Counter(finding["severity"] for finding in findings)
    return ArchivedJob(
        name=name,
        status=record["status"],
        verdict=record["verdict"],
        skipped=skipped,
        setups=len(_columns(out / "setups.csv")["setup"]),
        points=len(_columns(out / "coordinates.csv")["point"]),
        ties=len(ties["verdict"]),
        failing=Counter(ties["verdict"])[FAILS],
        stops=severities["stop"],
        checks=severities["check"],
        held_back=len(others.missing(record["files"])),
        rows=JobRows(_job_row(job, record), findings, ties) if with_rows else None,
    )


def job_key(folder: Path) -> str:
    """Return what the tables call a job: the whole path of its folder."""
    return readable(folder.as_posix())


def _job_row(job: Job, record: dict[str, Any]) -> dict[str, Any]:
    """Return the row of the table of jobs; its columns bear the names they have in run.json."""
    counts = record["counts"]
    return {
        "job": job_key(job.folder),
        "title": job.title,
        "length_unit": job.length_unit,
        "angle_unit": job.angle_unit,
        **{name: record[name] for name in OF_RUN},
        **{name: counts.get(name, 0) for name in ("rows", *FATES)},
        **(record["surveyed"] or {}),
    }


def _document(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def _columns(path: Path) -> dict[str, list[str]]:
    """Return the columns of a table as they are printed."""
    with path.open(encoding="utf-8", newline="") as stream:
        head, *rows = csv.reader(stream)
    return {name: [row[k] for row in rows] for k, name in enumerate(head)}
