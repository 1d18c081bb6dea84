"""The whole answer of one run: what a library caller gets and every writer reads.

Tables hold the job's own units already, so that no writer converts anything and a
frame, a CSV file and a page show the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from numpy.typing import NDArray

from tieup.model.answer import SiteVerdict, TieAnswer
from tieup.model.finding import Finding
from tieup.model.job import Job
from tieup.model.surface_drawn import SiteSurface

Table: TypeAlias = Mapping[str, NDArray[Any] | Sequence[Any]]
"""Column name -> column, all of one length, in the order they are to be shown.

NaN in a column of numbers and an empty text both mean "undefined". A column of
angles is text where the job's angle unit is dms or dms-packed, else numbers.
"""

FATES = ("used", "unused", "excluded", "repeated", "invalid")
"""What can become of a raw row; raw rows = the sum over all of them."""


@dataclass(frozen=True)
class Fit:
    """How one fit of the site came out, without units.

    ``statistic`` is the weighted sum of squared residuals, ``lower`` and ``upper`` its
    two-sided chi-square bounds, ``sigma0`` its root mean square over ``dof``. With no
    redundancy (``dof`` 0) all four are NaN and ``passed`` is None: nothing was tested.
    """

    dof: int
    sigma0: float
    statistic: float
    lower: float
    upper: float
    passed: bool | None
    iterations: int


@dataclass(frozen=True)
class Summary:
    """The facts of the first screen that no table holds.

    ``datum`` says in words what holds the frame ("held to control CP1, CP2, CP3").
    ``minimal`` is the minimally constrained fit, which tests the observations; ``held``
    the fit held to control, which tests the control, None in a frame without control.
    ``rows`` counts the raw rows by fate, keys as in `FATES`.
    """

    datum: str
    minimal: Fit
    held: Fit | None
    rows: Mapping[str, int]


@dataclass(frozen=True)
class Reconciliation:
    """One site reconciled; writers need nothing else.

    The four tables have the columns of `tieup.write.tables` and perhaps more behind
    them. ``findings`` are worst first. ``run`` is what run.json holds besides the time
    it was written: version, inputs with their sha256, settings, statistics, counts.
    ``verdict`` is the one answer of the run: the exit status and every headline follow it.

    ``joints``, ``pairs``, ``control``, ``rules`` and what stands behind ``answer`` are further
    tables, empty where the job has none of the kind; ``answer`` is the crew lead's.
    """

    job: Job
    coordinates: Table
    observations: Table
    setups: Table
    ties: Table
    findings: tuple[Finding, ...]
    summary: Summary
    run: Mapping[str, Any]
    verdict: SiteVerdict
    joints: Table = field(default_factory=dict)
    pairs: Table = field(default_factory=dict)
    control: Table = field(default_factory=dict)
    rules: Table = field(default_factory=dict)
    answer: TieAnswer | None = None
    strings: Table = field(default_factory=dict)
    falls: Table = field(default_factory=dict)
    derived: Table = field(default_factory=dict)
    field_rows: Table = field(default_factory=dict)
    field_setups: Table = field(default_factory=dict)
    surfaces: tuple[SiteSurface, ...] = ()
    traverses: Table = field(default_factory=dict)
    poles: Table = field(default_factory=dict)
    covariance: Table = field(default_factory=dict)

    @property
    def asked_rules(self) -> Table:
        """Return what came of the rules where job.yaml asks for rule sets, else nothing."""
        return self.rules if self.job.resolved.get("rules") else {}

    @property
    def status(self) -> int:
        """Return 0 when the site ties and its falls and surfaces pass, 1 when not, or unproved."""
        return self.verdict.status

    @property
    def todo(self) -> tuple[str, ...] | None:
        """Return what to shoot again, first things first; None where nobody asked."""
        return None if self.answer is None else tuple(e.said for e in self.answer.todo)
