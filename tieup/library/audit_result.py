"""What `tieup.audit` gives: raw rows alone, held to rules."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from tieup.audit.raw_audit import audit
from tieup.audit.raw_evidence import RawEvidence
from tieup.library.data_frames import frame, out_folder
from tieup.model.job import Job
from tieup.model.rules import FAIL
from tieup.sentences import counted
from tieup.units import length_factor
from tieup.write.audit_files import write_audits
from tieup.write.audit_screen import RESULT_COLUMNS, Audited, audit_text, results_table
from tieup.write.folder import check_target

if TYPE_CHECKING:
    import pandas


def audited(folder: str | Path) -> tuple[Audited, Job]:
    """Audit one job folder.

    Raises
    ------
    TieupError
        The job or its data cannot be read.
    """
    from tieup.config import load_job
    from tieup.config.rule_sets import raw_data_rules
    from tieup.read import read_control, read_fieldbook

    job = load_job(Path(folder))
    control = read_control(job.control_file, job) if job.control_file else None
    evidence = RawEvidence(
        read_fieldbook(job), control, job.precision, job.refraction, job.angle_unit
    )
    rules, length = raw_data_rules(job.audit_rules).rules, length_factor(job.length_unit)
    found = audit(evidence, rules, length)
    return Audited(str(folder), job.title, job.length_unit, found), job


class AuditResult:
    """What raw rows alone say: rules and setups as frames, counts, the files on request."""

    def __init__(self, audited: Audited, job: Job) -> None:
        self.audited = audited
        self.job = job

    def __repr__(self) -> str:
        results = self.audited.audit.results if self.audited.audit else ()
        broken = sum(result.state == FAIL for result in results)
        title = self.job.title or self.job.folder.name
        rules = f"{broken} of {counted(len(results), 'rule')} broken"
        return f"<tieup.AuditResult {title}: {self.state}; {rules}>"

    @cached_property
    def rules(self) -> pandas.DataFrame:
        """What came of each rule; columns as in audit.csv, each row with its own unit."""
        return frame(results_table([self.audited]), RESULT_COLUMNS)

    @cached_property
    def setups(self) -> pandas.DataFrame:
        """What each setup did; lengths in the job's unit."""
        return frame(self.audited.audit.setups if self.audited.audit else {}, {})

    @property
    def counts(self) -> dict[str, int]:
        """Rows by fate, components, files, setups, points and marks."""
        return dict(self.audited.audit.counts) if self.audited.audit else {}

    @property
    def state(self) -> str:
        """The gravest state of a rule: fail, warn, pass, or not checked."""
        return self.audited.state

    @property
    def status(self) -> int:
        """0 when no rule is broken, else 1."""
        return int(self.state == FAIL)

    def text(self) -> str:
        """Return the screen of the audit."""
        return audit_text(self.audited)

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write audit.csv and audit.json into a folder, both or none; return their paths.

        Raises
        ------
        OutputError
            The folder holds the job or raw data, or cannot be written.
        """
        out = out_folder(folder)
        check_target(out, self.job)
        return write_audits(out, [self.audited], self.status)
