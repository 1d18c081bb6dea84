"""The surveyor's view: the setups, the fit both ways, the findings, the ties."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import IntArray
from tieup.model.finding import Finding
from tieup.model.job import Job
from tieup.model.reconciliation import Fit, Reconciliation, Table
from tieup.sentences import counted
from tieup.write.columns import SETUPS
from tieup.write.page.disputed_view import disputed_table
from tieup.write.page.findings_view import FindingView, finding_view
from tieup.write.page.page_table import (
    JUDGED,
    LENGTH,
    NAME,
    NUMBER,
    PLACE,
    POINT,
    SPREADS,
    STEPS,
    TEXT,
    VERDICT,
    PageTable,
    columns_of,
    left_out,
    length,
    numbers,
    texts,
)
from tieup.write.page.poles import poles_table
from tieup.write.page.strings_view import falls_table, strings_table
from tieup.write.page.traverses_view import traverses_table
from tieup.write.page.wording import BAD, GOOD, OPEN, WARN, Verdict
from tieup.write.page.worked_view import derived_table, field_setups_table, field_table, typed_table

MOST_SETUPS, MOST_TIES, MOST_PAIRS, MOST_FINDINGS = 200, 300, 200, 100
FIRST_PAIRS = slice(MOST_PAIRS)
FIRST_FINDINGS = 5  # that stand open; notes never do
SETUP_HEADS = (
    ("Setup", POINT, "setup"),
    ("Over", NAME, "station"),
    ("Verdict", VERDICT, "verdict"),
    ("Ties", NUMBER, "ties"),
    *PLACE,
    *SPREADS,
    ("Orientation", NUMBER, "orientation"),
    ("±", NUMBER, "sd_orientation"),
    ("Redundancy", NUMBER, "redundancy"),
    ("Geometry", TEXT, "geometry"),
    ("Weakest sd (mm)", NUMBER, "geometry_sd"),
)
IN_WORDS = ("In words", TEXT, "judgement")
TIE_HEADS = (
    ("Mark", POINT, "point"),
    ("Setup", POINT, "setup"),
    ("Verdict", VERDICT, "verdict"),
    *STEPS,
    *JUDGED,
    IN_WORDS,
)
PAIR_HEADS = (
    ("First", POINT, "first"),
    ("Second", POINT, "second"),
    ("Verdict", VERDICT, "verdict"),
    ("Shared marks", NUMBER, "shared"),
    ("Turn (arc sec)", NUMBER, "turn"),
    ("Farthest shot", POINT, "far_point"),
    *STEPS,
    ("Plan, farthest", LENGTH, "d_horizontal"),
    *JUDGED[1:],
    IN_WORDS,
)
JOINT_HEADS = (
    ("String", TEXT, "string"),
    ("First", POINT, "first"),
    ("Second", POINT, "second"),
    ("At", POINT, "point"),
    ("Verdict", VERDICT, "verdict"),
    ("Gap", LENGTH, "d_horizontal"),
    ("± gap", LENGTH, "sd_horizontal"),
    ("Limit", LENGTH, "limit_horizontal"),
    ("Step", LENGTH, "d_elevation"),
    ("± step", LENGTH, "sd_elevation"),
    ("Limit", LENGTH, "limit_elevation"),
    IN_WORDS,
)
CONTROL_HEADS = (
    ("Mark", POINT, "point"),
    ("Verdict", VERDICT, "verdict"),
    *STEPS,
    ("Height", LENGTH, "d_elevation"),
    ("± N", LENGTH, "sd_northing"),
    ("± E", LENGTH, "sd_easting"),
    ("± height", LENGTH, "sd_elevation"),
    IN_WORDS,
)


@dataclass(frozen=True)
class FitView:
    """One of the two fits: what it tests, how it came out, and its numbers."""

    title: str
    tests: str
    verdict: Verdict
    numbers: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Survey:
    """Everything on the surveyor's view; None for tables that the run does not have.

    The first ``first_findings`` stand open, ``more_findings`` says what the others are.
    """

    datum: str
    fits: tuple[FitView, ...]
    control: PageTable | None
    findings: tuple[FindingView, ...]
    first_findings: int
    more_findings: str
    findings_note: str
    disputed: PageTable | None
    setups: PageTable
    traverses: PageTable | None
    poles: PageTable | None
    pairs: PageTable | None
    joints: PageTable | None
    ties: PageTable
    strings: PageTable | None
    falls: PageTable | None
    derived: PageTable | None
    typed: PageTable | None
    field_setups: PageTable | None
    field: PageTable | None


def survey_view(site: Reconciliation) -> Survey:
    """Return the surveyor's view of a site."""
    lengths = Lengths(site.job.length_unit)
    findings = site.findings[:MOST_FINDINGS]
    first = sum(finding.severity != "note" for finding in findings[:FIRST_FINDINGS])
    return Survey(
        datum=site.summary.datum,
        fits=tuple(_fits(site)),
        control=_control(site.control, site.job) if length(site.control) else None,
        findings=tuple(finding_view(finding) for finding in findings),
        first_findings=first,
        more_findings=_severities(findings[first:]),
        findings_note=left_out(
            MOST_FINDINGS, len(site.findings), "findings", "findings.json", "the worst"
        ),
        disputed=disputed_table(site),
        setups=_setups(site, lengths),
        traverses=traverses_table(site),
        poles=poles_table(site),
        pairs=_pairs(site.pairs, site.job) if length(site.pairs) else None,
        joints=_joints(site.joints, site.job) if length(site.joints) else None,
        ties=_ties(site, lengths),
        strings=strings_table(site),
        falls=falls_table(site),
        derived=derived_table(site),
        typed=typed_table(site),
        field_setups=field_setups_table(site),
        field=field_table(site),
    )


def _severities(findings: Sequence[Finding]) -> str:
    """Say how many findings of each severity there are: 2 to settle before use, 1 note."""
    counts = Counter(finding.severity for finding in findings)
    said = {
        "stop": f"{counts['stop']:,} to settle before use",
        "check": f"{counts['check']:,} to check",
        "note": counted(counts["note"], "note"),
    }
    return ", ".join(said[severity] for severity in counts)


def _fits(site: Reconciliation) -> Iterator[FitView]:
    summary = site.summary
    yield _fit(
        "The site by itself",
        "Held by no more control than it takes to lay it down: tests the readings.",
        summary.minimal,
        summary.held,
    )
    if summary.held:
        yield _fit(
            "Held to control", "Readings and control together: tests the control.", summary.held
        )


def _fit(title: str, tests: str, fit: Fit, held: Fit | None = None) -> FitView:
    rows = (
        ("Redundancy (degrees of freedom)", f"{fit.dof:,}"),
        ("Scatter, times the stated (sigma0)", _figure(fit.sigma0)),
        ("Weighted sum of squares", _figure(fit.statistic)),
        ("Must lie between (chi-square)", f"{_figure(fit.lower)} and {_figure(fit.upper)}"),
        ("Iterations", str(fit.iterations)),
    )
    tested = fit.passed is not None
    return FitView(title, tests, _fit_verdict(fit, held), rows if tested else (rows[0], rows[-1]))


def _fit_verdict(fit: Fit, held: Fit | None) -> Verdict:
    if fit.passed is None and held is not None and held.passed is not None:
        return Verdict("only the known marks test the readings", OPEN)
    if fit.passed is None:
        return Verdict("nothing to test: no reading is checked by another", OPEN)
    if fit.passed:
        return Verdict("fits as well as the gear should", GOOD)
    if fit.statistic < fit.lower:
        return Verdict("fits better than the gear is stated to", WARN)
    return Verdict("fits worse than the gear should", BAD)


def _figure(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else ""


def _setups(site: Reconciliation, lengths: Lengths) -> PageTable:
    setups, unit = site.setups, site.job.angle_unit
    verdicts = texts(setups, "verdict")
    rank = [{"fails": 0, "unproved": 1, "untested": 1}.get(word, 2) for word in verdicts]
    total = length(setups)
    many = total > MOST_SETUPS
    rows = np.argsort(rank, kind="stable")[:MOST_SETUPS] if many else np.arange(total)
    return PageTable(
        f"Setups. Coordinates in {lengths.name}; ± are 1 sd in {lengths.small}, of the orientation "
        f"in {unit}.",
        tuple(columns_of(setups, SETUP_HEADS, site.job, rows, SETUPS)),
        left_out(len(rows), total, "setups", "setups.csv", "what does not tie"),
    )


def _ties(site: Reconciliation, lengths: Lengths) -> PageTable:
    ties = site.ties
    rows = _worst_ties(ties)[:MOST_TIES]
    return PageTable(
        f"Ties: where this setup alone puts the mark, minus where all the others put it, in "
        f"{lengths.small}; ± is 1 sd.",
        tuple(columns_of(ties, TIE_HEADS, site.job, rows)),
        left_out(len(rows), length(ties), "ties", "ties.csv", "the worst"),
    )


def _worst_ties(ties: Table) -> IntArray:
    """Return the rows of the ties: what fails first, then by the share of the limit used."""
    shares = np.zeros(length(ties))
    for part in ("horizontal", "elevation"):
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.abs(numbers(ties, f"d_{part}")) / numbers(ties, f"limit_{part}")
        shares = np.fmax(shares, np.nan_to_num(share, nan=0.0, posinf=0.0))
    fails = np.array([word == "fails" for word in texts(ties, "verdict")], dtype=bool)
    return np.lexsort((-shares, ~fails))


def _pairs(pairs: Table, job: Job) -> PageTable:
    return PageTable(
        f"Setup against setup, from the marks both have shot: first minus second, in "
        f"{Lengths(job.length_unit).small}; plan also at the farthest shot. ± is 1 sd.",
        tuple(columns_of(pairs, PAIR_HEADS, job, FIRST_PAIRS)),
        left_out(MOST_PAIRS, length(pairs), "pairs of setups"),
    )


def _joints(joints: Table, job: Job) -> PageTable:
    return PageTable(
        "Strings where they pass from one setup's shots to another's: second minus first, in "
        f"{Lengths(job.length_unit).small}; ± is 1 sd.",
        tuple(columns_of(joints, JOINT_HEADS, job, FIRST_PAIRS)),
        left_out(MOST_PAIRS, length(joints), "joints"),
    )


def _control(control: Table, job: Job) -> PageTable:
    return PageTable(
        "Control, mark by mark: where the survey without that mark's own coordinates puts it, "
        f"minus the list, in {Lengths(job.length_unit).small}; ± is 1 sd.",
        tuple(columns_of(control, CONTROL_HEADS, job, FIRST_PAIRS)),
        left_out(MOST_PAIRS, length(control), "control marks"),
    )
