"""What a run over many jobs prints: one line for each, the worst first, and their number."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tieup.model.answer import FAILS, TIED, UNPROVED
from tieup.model.archived import ERROR, FALLEN, WORST_FIRST, ArchivedJob
from tieup.sentences import counted
from tieup.write.cautions import CAUTIONS
from tieup.write.terminal import table_lines

TOLD = {  # of one job, of several
    FAILS: ("fails", "fail"),
    ERROR: ("could not be run", "could not be run"),
    UNPROVED: ("is unproved", "are unproved"),
    FALLEN: ("ties and its falls do not pass", "tie and their falls do not pass"),
    TIED: ("ties", "tie"),
}
HEAD = ("Job", "Setups", "Points", "Ties", "Fail", "To settle", "To check", "Result")


def archive_text(jobs: Sequence[ArchivedJob], results: Sequence[Path] = ()) -> str:
    """Return the screen; ``results`` are the tables that were written."""
    ordered = sorted(jobs, key=lambda job: WORST_FIRST.index(job.word))
    lines = table_lines(HEAD, [_cells(job) for job in ordered])
    return "\n".join([*lines, "", _total(jobs), *_tables(results)]) + "\n"


def archive_record(
    jobs: Sequence[ArchivedJob], status: int, results: Sequence[Path] = ()
) -> dict[str, Any]:
    """Return the same as data, for ``--json``; jobs in the order in which they were named."""
    return {
        "status": status,
        "skipped": sum(job.skipped for job in jobs),
        "jobs": [_record(job) for job in jobs],
        "results": [str(path) for path in results],
        "cautions": list(CAUTIONS),
    }


def _cells(job: ArchivedJob) -> list[str]:
    if job.verdict == ERROR:
        return [job.name, *[""] * 6, f"{ERROR}: {job.reason}"]
    numbers = (job.setups, job.points, job.ties, job.failing, job.stops, job.checks)
    return [job.name, *(f"{number:,}" for number in numbers), job.word]


def _total(jobs: Sequence[ArchivedJob]) -> str:
    """Say in one line how many jobs there are of each result, and how many were done before."""
    counts = Counter(job.word for job in jobs)
    words = ", ".join(
        f"{counts[word]:,} {TOLD[word][counts[word] > 1]}" for word in WORST_FIRST if counts[word]
    )
    skipped, held = sum(job.skipped for job in jobs), sum(bool(job.held_back) for job in jobs)
    parts = [f"{counted(len(jobs), 'job')}: {words}"]
    if skipped:
        parts.append(f"{skipped:,} skipped, done before and unchanged")
    if held:
        parts.append(f"files of --also held back in {held:,}: they do not tie")
    return "; ".join(parts)


def _tables(results: Sequence[Path]) -> list[str]:
    if not results:
        return []
    return [f"Written to {results[0].parent}: {', '.join(path.name for path in results)}"]


def _record(job: ArchivedJob) -> dict[str, Any]:
    names = ("status", "verdict", "skipped", "setups", "points", "ties", "failing", "stops",
             "checks")  # fmt: skip
    return {
        "job": job.name,
        **{name: getattr(job, name) for name in names},
        "problems": list(job.problems),
    }
