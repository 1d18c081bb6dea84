"""The columns of the tables of many jobs, and what they mean; those of ties.csv are their own.

A column bears the name that its value has in the files of a job.
"""

from __future__ import annotations

from collections.abc import Mapping

from tieup.model.reconciliation import FATES
from tieup.write.columns import COUNT, RATIO, TEXT

JOBS_FILE, FINDINGS_FILE, TIES_FILE = "jobs.parquet", "findings.parquet", "ties.parquet"

JOB_COLUMNS: Mapping[str, str] = {
    "job": TEXT,
    "title": TEXT,
    "length_unit": TEXT,
    "angle_unit": TEXT,
    "status": COUNT,
    "verdict": TEXT,
    "problems": TEXT,
    "version": TEXT,
    "written": TEXT,
    "first": TEXT,
    "last": TEXT,
    "datum": TEXT,
    "dof": COUNT,
    "sigma0": RATIO,
    "rank_defect": COUNT,
    "rows": COUNT,
    **dict.fromkeys(FATES, COUNT),
}

FINDING_COLUMNS: Mapping[str, str] = {
    "job": TEXT,
    "id": TEXT,
    "kind": TEXT,
    "severity": TEXT,
    "setup": TEXT,
    "points": TEXT,
    "lines": TEXT,
    "size": RATIO,
    "unit": TEXT,
    "sd": RATIO,
    "statistic": RATIO,
    "rivals": TEXT,
    "action": TEXT,
    "says": TEXT,
    "confirm": TEXT,
    "cure": TEXT,
    "decidable": TEXT,
    "grade": TEXT,
    "places": TEXT,
}

ARCHIVE_TABLES: Mapping[str, Mapping[str, str]] = {
    JOBS_FILE: JOB_COLUMNS,
    FINDINGS_FILE: FINDING_COLUMNS,
}

_JOB = "whole path of the job folder; the same in all tables of many jobs"
ARCHIVE_MEANINGS: Mapping[str, Mapping[str, str]] = {
    JOBS_FILE: {
        "job": _JOB,
        "title": "title of the job, else the name of its folder",
        "length_unit": "unit of every length of the job, in all tables",
        "angle_unit": "unit of the angles of the job",
        "status": "exit status of a run of this job alone",
        "verdict": "ties, fails or unproved; empty where it could not be read, solved or written",
        "problems": "why it could not be, one in a line; empty where it was",
        "version": "version of tieup that wrote its results",
        "written": "when they were written, UTC, ISO 8601",
        "first": "time of its first shot, ISO 8601; empty where no row has a time",
        "last": "time of its last shot",
        "datum": "what holds the site in place",
        "dof": "degrees of freedom: how many checks there are",
        "sigma0": "how much the readings scatter, as a multiple of what is stated",
        "rank_defect": "how many ways of moving nothing holds",
        "rows": "raw rows",
        "used": "raw rows that are used",
        "unused": "raw rows that are marked as not to be used",
        "excluded": "raw rows that are left out as mistakes",
        "repeated": "raw rows that stand twice",
        "invalid": "raw rows that cannot be understood",
    },
    FINDINGS_FILE: {
        "job": _JOB,
        "id": "name of the finding, as decisions in job.yaml have it",
        "kind": "kind of the finding",
        "severity": "stop, check or note",
        "setup": "label of the setup it is about; empty for none",
        "points": "names of the points it is about, a list",
        "lines": "raw lines behind it, file:line, a list",
        "size": "size of the mistake",
        "unit": "unit of size and sd",
        "sd": "standard deviation of the size",
        "statistic": "how far beyond chance it is",
        "rivals": "what else it could be, a list: kind, setup, points, statistic, separable",
        "action": "what the run did about it",
        "says": "the finding in words",
        "confirm": "what would confirm it",
        "cure": "what puts it right",
        "decidable": "whether a decision in job.yaml can settle it",
        "grade": "named or noticed: how sure it is",
        "places": "where a point lies by each story, a list",
    },
}
