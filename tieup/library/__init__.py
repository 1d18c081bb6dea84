"""The library's face: reconcile, audit or plan a job folder and get pandas frames.

Prints nothing and keeps nothing between calls; only writing reads the clock. What the columns
of the frames mean, and their units: tieup/write/columns.md.
"""

from __future__ import annotations

from pathlib import Path

from tieup.library.audit_result import AuditResult, audited
from tieup.library.data_frames import job_folder, out_folder
from tieup.library.plan_result import PlanResult
from tieup.library.reconcile_result import Result
from tieup.library.surface_result import SurfaceResult
from tieup.library.ties_result import TiesResult

__all__ = [
    "AuditResult",
    "PlanResult",
    "Result",
    "SurfaceResult",
    "TiesResult",
    "audit",
    "plan",
    "reconcile",
    "surface",
    "ties",
]


def reconcile(folder: str | Path, out: str | Path | None = None) -> Result:
    """Adjust all setups of a job folder as one site.

    Parameters
    ----------
    folder
        Job folder with its job.yaml.
    out
        Folder to write the result files into; None writes nothing.

    Raises
    ------
    TieupError
        The job, its data or the solution is wrong; the message says where and what to do.
    """
    from tieup.config import load_job
    from tieup.pipeline import run

    home, target = job_folder(folder, "tieup.reconcile"), _target(out)
    result = Result(run(load_job(home)))
    if target is not None:
        result.write(target)
    return result


def ties(folder: str | Path, out: str | Path | None = None) -> TiesResult:
    """Say whether the bays of a job folder tie, and what to shoot again.

    Parameters and errors as for `reconcile`, of which this is the crew lead's answer.
    """
    from tieup.config import load_job
    from tieup.errors import NetworkError
    from tieup.pipeline import run

    home, target = job_folder(folder, "tieup.ties"), _target(out)
    site = run(load_job(home))
    if site.answer is None:
        raise NetworkError(f"{home}: has no setups to tie. Use tieup.reconcile")
    result = TiesResult(site, site.answer)
    if target is not None:
        result.write(target)
    return result


def surface(folder: str | Path, out: str | Path | None = None) -> SurfaceResult:
    """Make the surfaces of a job folder and say whether they drain.

    Those under ``surfaces:`` in job.yaml; without any, one of all that was shot. Parameters and
    errors as for `reconcile`.
    """
    from tieup.config import load_job
    from tieup.pipeline import run, with_surface

    home, target = job_folder(folder, "tieup.surface"), _target(out)
    result = SurfaceResult(run(with_surface(load_job(home))))
    if target is not None:
        result.write(target)
    return result


def audit(folder: str | Path, out: str | Path | None = None) -> AuditResult:
    """Check the raw rows of a job folder alone, no solution needed.

    Parameters
    ----------
    folder
        Job folder with its job.yaml.
    out
        Folder to write audit.csv and audit.json into; None writes nothing.

    Raises
    ------
    TieupError
        The job or its data cannot be read; the message says where and what to do.
    """
    home, target = job_folder(folder, "tieup.audit"), _target(out)
    result = AuditResult(*audited(home))
    if target is not None:
        result.write(target)
    return result


def plan(folder: str | Path, out: str | Path | None = None) -> PlanResult:
    """Predict what the sights of a job folder are worth: planned, shot already, or both.

    Parameters
    ----------
    folder
        Job folder with its job.yaml, which names the plan under ``plan:``.
    out
        Folder to write the files of the plan into; None writes nothing.

    Raises
    ------
    TieupError
        The job, its plan or its data is wrong; the message says where and what to do.
    """
    from tieup.config import load_job
    from tieup.planning import forecast

    home, target = job_folder(folder, "tieup.plan"), _target(out)
    result = PlanResult(forecast(load_job(home, planning=True)))
    if target is not None:
        result.write(target)
    return result


def _target(out: str | Path | None) -> Path | None:
    """Return the folder to write into, refused before the work where it is no name."""
    return None if out is None else out_folder(out)
