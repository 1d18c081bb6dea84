"""A job: what job.yaml says, resolved and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any

from tieup.model.decision import Decision
from tieup.model.derived import Derived
from tieup.model.falls import FallCheck
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.settings import Datum, GridWish, Precision, Tolerances
from tieup.model.surfaces import SurfaceWish

# What turn observed azimuths have: none, or one for each setup, for each file or for the job.
GRID_NORTH, BY_SETUP, BY_FILE, BY_JOB = AZIMUTHS = ("grid", "setup", "file", "job")


def readable(name: str) -> str:
    r"""Return the name of a file or folder as text; bytes in it that are none are spelled out.

    >>> readable("M\udce4rz.csv")
    'M\\udce4rz.csv'
    """
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


@dataclass(frozen=True)
class Job:
    """Everything a run needs to know beside the observations.

    ``title`` is that of job.yaml, else the name of the folder. ``angle_unit`` is deg, dms,
    dms-packed, gon, rad or mil; ``length_unit`` m, ft or ftUS. ``raw_files`` are absolute paths
    inside ``folder``, sorted. ``control_sd`` is in metres, ``levels_sd`` in metres for a run of
    1 km (None where not stated). ``table`` says how raw tables are written, by the keys of
    job.yaml: columns (native column to column, unit or value), words (what those of a column
    mean), delimiter, skip_rows, decimal, encoding, header; a missing key has its default.
    ``control_table`` says the same of the list of known marks, and which ``marks`` of it are
    taken; empty for the native list. ``rules`` are the
    files of the rule sets that the site is held to, ``audit_rules`` that of the rules for raw rows.
    ``control_job`` says that the control file is the covariance.csv of another job,
    ``covariance_file`` is one that belongs to the list. ``azimuths``, one of `AZIMUTHS`, says
    what turn observed azimuths have. ``resolved`` is the
    whole of job.yaml with every default filled in, in the job's own units,
    for run.json. ``plan_places`` and ``plan_sights`` are the lists of places and of sights of a
    plan before the field, None where the job names none. ``standing`` are the marks whose
    target stands untouched all day, with ``standing_all`` every mark's; ``standing_line`` is
    the line of job.yaml that says so. ``sha256`` is that of job.yaml as it was read.
    """

    folder: Path
    title: str
    angle_unit: str
    length_unit: str
    raw_files: tuple[Path, ...]
    control_file: Path | None
    control_sd: float
    datum: Datum
    precision: Precision
    refraction: float
    tolerances: Tolerances
    confidence: float
    decisions: tuple[Decision, ...]
    table: Mapping[str, Any]
    resolved: Mapping[str, Any]
    levels_file: Path | None = None
    levels_sd: float | None = None
    tapes_file: Path | None = None
    baselines_file: Path | None = None
    control_job: bool = False
    covariance_file: Path | None = None
    grid: GridWish | None = None
    rules: tuple[Path, ...] = ()
    audit_rules: Path | None = None
    derived: tuple[Derived, ...] = ()
    falls: tuple[FallCheck, ...] = ()
    surfaces: tuple[SurfaceWish, ...] = ()
    control_table: Mapping[str, Any] = field(default_factory=dict)
    plan_places: Path | None = None
    plan_sights: Path | None = None
    azimuths: str = GRID_NORTH
    standing: frozenset[str] = frozenset()
    standing_all: bool = False
    standing_line: int = 1
    sha256: str = ""

    def name_of(self, path: Path) -> str:
        """Return what messages and tables call a file: its path as seen from the folder."""
        here, there = self.folder.parts, path.parts
        if here == there[: len(here)]:
            return readable(path.relative_to(self.folder).as_posix())
        pairs = zip(here, there, strict=False)
        common = sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
        return readable("/".join([".."] * (len(here) - common) + [*there[common:]]))

    @property
    def link_files(self) -> Mapping[str, Path]:
        """Return the lists of observations between marks, by their key of job.yaml."""
        named = {kind.listed: getattr(self, f"{kind.listed}_file") for kind in LINK_KINDS.values()}
        return {listed: path for listed, path in named.items() if path is not None}
