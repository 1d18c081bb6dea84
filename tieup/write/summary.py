"""The first screen: whether the site ties, how well it fits, what to settle, where the files are.

For a person in a truck: the answer stands in the first line, the words are the trade's, and
all of it fits a screen of 80 columns and 40 lines. The long lists are in the files.
"""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tieup.model.finding import Finding
from tieup.model.reconciliation import FATES, Fit, Reconciliation, Table
from tieup.write.cautions import CAUTIONS
from tieup.write.columns import COORDINATE, SETUPS, TIES
from tieup.write.documents import finding_record, significant
from tieup.write.folder import RUN_FILE, WRITERS
from tieup.write.tables import decimals

WIDTH = 80
HEIGHT = 40
MOST_SETUPS = 8
MOST_TITLE = 40
LABEL = 11  # width of the words in front of the facts
FACT_LINES, SAYS_LINES, CURE_LINES = 2, 3, 2


def summary_text(site: Reconciliation, out: Path, others: Sequence[str] = ()) -> str:
    """Return the first screen; ``out`` holds the files, ``others`` among them."""
    head = [*_wrapped(headline(site)), "", *_facts(site), "", *_setup_lines(site)]
    foot = ["", *_files(out, others), "", *_caution(site)]
    findings = _finding_lines(site.findings, HEIGHT - len(head) - len(foot) - 1)
    return "\n".join([*head, *([""] if findings else []), *findings, *foot]) + "\n"


def summary_record(site: Reconciliation, out: Path, others: Sequence[str] = ()) -> dict[str, Any]:
    """Return the first screen as data, for ``--json``: lengths in the job's unit."""
    summary = site.summary
    worst = worst_tie(site)
    return {
        "title": site.job.title,
        "ties": site.status == 0,
        "status": site.status,
        "headline": headline(site),
        "length_unit": site.job.length_unit,
        "angle_unit": site.job.angle_unit,
        "rows": {fate: summary.rows.get(fate, 0) for fate in FATES},
        "points": dict(Counter(site.coordinates["proof"])),
        "datum": summary.datum,
        "minimal": _fit_record(summary.minimal),
        "held": _fit_record(summary.held) if summary.held else None,
        "setups": [_record(site, site.setups, row) for row in range(len(site.setups["setup"]))],
        "worst_tie": _record(site, site.ties, worst) if worst is not None else None,
        "findings": [finding_record(finding) for finding in site.findings],
        "out": str(out),
        "files": [*WRITERS, *others, RUN_FILE],
        "cautions": list(CAUTIONS),
    }


def headline(site: Reconciliation) -> str:
    """Return the answer in one sentence."""
    setups, ties = len(site.setups["setup"]), Counter(site.ties["verdict"])
    title = _clipped(site.job.title or site.job.folder.name, MOST_TITLE)
    if site.status == 0:
        return f"{title}: THE SITE TIES. {_count(setups, 'setup')}, {_tested(ties)}."
    severities = Counter(finding.severity for finding in site.findings)
    beyond = _beyond_by_scatter(site.ties)
    if not ties["fails"] and not severities["stop"] and (beyond or not ties["ties"]):
        return f"{title}: NOT PROVED YET. {_unproved(beyond, ties)}."
    parts = [
        f"{ties['fails']} of {_count(ties.total(), 'tie')} fail" if ties["fails"] else "",
        f"{severities['stop']} to settle before use" if severities["stop"] else "",
        f"{severities['check']} to check" if severities["check"] else "",
    ]
    reasons = ", ".join(part for part in parts if part) or "something must be decided"
    return f"{title}: DOES NOT TIE YET. {reasons[0].upper()}{reasons[1:]}."


def _beyond_by_scatter(ties: Table) -> int:
    """Count the ties beyond their limit by no more than the scatter of the gear."""
    count = 0
    for row, verdict in enumerate(ties["verdict"]):
        plan = float(ties["d_horizontal"][row]) > float(ties["limit_horizontal"][row])
        rise = abs(float(ties["d_elevation"][row])) > float(ties["limit_elevation"][row])
        count += verdict == "untested" and (plan or rise)
    return count


def _unproved(beyond: int, ties: Counter[Any]) -> str:
    """Say why nothing is proved though nothing is wrong."""
    if beyond:
        return (
            f"{beyond} of {_count(ties.total(), 'tie')} beyond the limit, by no more than the gear "
            "scatters: shoot again to prove it"
        )
    return f"None of {_count(ties.total(), 'tie')} can be proved within the limits with this gear"


def _tested(ties: Counter[Any]) -> str:
    """Say how many ties were judged; what was not tested is never called good."""
    untested = f", {ties['untested']} untested" if ties["untested"] else ""
    return f"{ties['ties']} of {_count(ties.total(), 'tie')} within the limits{untested}"


def _facts(site: Reconciliation) -> list[str]:
    """Return what was read and how it fits, one labelled line or two each."""
    facts = [
        ("Read", _read(site)),
        ("Points", _points(site.coordinates)),
        ("Datum", site.summary.datum),
        ("Fit", _fit_words(site.summary.minimal, "readings")),
    ]
    if site.summary.held:
        facts.append(("Control", _fit_words(site.summary.held, "readings and control together")))
    worst = worst_tie(site)
    if worst is not None:
        facts.append(("Worst tie", _tie_words(site, worst)))
    return [
        line for label, words in facts for line in _wrapped(words, f"{label:<{LABEL}}", FACT_LINES)
    ]


def _read(site: Reconciliation) -> str:
    rows = site.summary.rows
    fates = ", ".join(f"{rows[fate]:,} {fate}" for fate in FATES if rows.get(fate))
    total = sum(rows.values())
    files = _count(len(site.job.raw_files), "raw file")
    return f"{files}, {_count(total, 'row')}: {fates or 'none'}"


def _points(coordinates: Table) -> str:
    roles, proofs = Counter(coordinates["role"]), Counter(coordinates["proof"])
    kinds = ", ".join(f"{count:,} {role}" for role, count in roles.items() if role)
    words = f"{_count(roles.total(), 'point')} ({kinds})" if kinds else "none"
    if proofs["unchecked"]:
        words += f"; {proofs['unchecked']:,} unchecked: nothing would catch a mistake in them"
    return words


def _fit_words(fit: Fit, what: str) -> str:
    """Say in the trade's words how a fit came out."""
    if fit.passed is None:
        return f"{what}: nothing to test, no reading is checked by another"
    scatter = f"scatter {fit.sigma0:.2f} times the stated, {_count(fit.dof, 'check')}"
    if fit.passed:
        return f"{what} fit as well as the gear should ({scatter})"
    if fit.statistic < fit.lower:
        return f"{what} fit better than the gear is stated to ({scatter})"
    return f"{what} fit worse than the gear should ({scatter})"


def worst_tie(site: Reconciliation) -> int | None:
    """Return the row of the tie that uses most of its limit, None where none was tested."""
    ties = site.ties
    best, worst = 0.0, None
    pairs = (("d_horizontal", "limit_horizontal"), ("d_elevation", "limit_elevation"))
    for row in range(len(ties["point"])):
        for difference, limit in pairs:
            share = abs(float(ties[difference][row])) / float(ties[limit][row] or math.nan)
            if share > best:
                best, worst = share, row
    return worst


def _tie_words(site: Reconciliation, row: int) -> str:
    """Say where a setup puts a mark: "S2 puts CP4 2 mm off in plan, 12 mm low"."""
    ties, unit = site.ties, site.job.length_unit
    plan, rise = float(ties["d_horizontal"][row]), float(ties["d_elevation"][row])
    sides = {
        "limit_horizontal": f"{_length(plan, unit)} off in plan",
        "limit_elevation": _height(rise, unit),
    }
    words = [
        f"{side} (limit {_length(ties[limit][row], unit)})"
        for (limit, side), value in zip(sides.items(), (plan, rise), strict=True)
        if math.isfinite(value)
    ]
    return f"{ties['setup'][row]} puts {ties['point'][row]} {', '.join(words)}"


def _setup_lines(site: Reconciliation) -> list[str]:
    """Return the table of setups, what does not tie first where not all of them fit in."""
    setups = site.setups
    rows = list(range(len(setups["setup"])))
    if len(rows) > MOST_SETUPS:
        rows.sort(key=lambda row: setups["verdict"][row] == "ties")
    plan, height = _worst_by_setup(site.ties)
    unit = site.job.length_unit
    lines = [
        f"{'Setup':<14} {'Over':<10} {'Ties':>4} {'Plan':>9} {'Height':>14}  Geometry, verdict"
    ]
    for row in rows[:MOST_SETUPS]:
        name = str(setups["setup"][row])
        over = str(setups["station"][row]) or "free"
        line = (
            f"{_clipped(name, 14):<14} {_clipped(over, 10):<10} {setups['ties'][row]:>4} "
            f"{_length(plan.get(name, math.nan), unit) or '-':>9} "
            f"{_height(height.get(name, math.nan), unit) or '-':>14}  "
            f"{setups['geometry'][row]}, {setups['verdict'][row]}"
        )
        lines.append(_clipped(line, WIDTH))
    hidden = rows[MOST_SETUPS:]
    if hidden:
        good = sum(setups["verdict"][row] == "ties" for row in hidden)
        lines.append(f"and {len(hidden):,} more in setups.csv, {good:,} of them tie")
    return lines


def _worst_by_setup(ties: Table) -> tuple[dict[str, float], dict[str, float]]:
    """Return the largest differences of each setup in plan and in height."""
    plan: dict[str, float] = {}
    height: dict[str, float] = {}
    for worst, column in ((plan, "d_horizontal"), (height, "d_elevation")):
        for setup, value in zip(ties["setup"], ties[column], strict=True):
            if math.isfinite(value) and abs(value) >= abs(worst.get(setup, 0.0)):
                worst[setup] = float(value)
    return plan, height


def _finding_lines(findings: Sequence[Finding], room: int) -> list[str]:
    """Return the worst findings with their cures, as many as there is room for."""
    lines: list[str] = []
    for number, finding in enumerate(findings):
        label = f"{finding.severity.upper():<6}{finding.id}  "
        block = _wrapped(finding.says, label, SAYS_LINES)
        if finding.cure:
            block += _wrapped(finding.cure, " " * 6 + "cure: ", CURE_LINES)
        rest = len(findings) - number
        if len(lines) + len(block) > room - (rest > 1):
            lines.append(f"{'and' if lines else 'See'} {rest:,} more in findings.json")
            break
        lines += block
    return lines


def _files(out: Path, others: Sequence[str]) -> list[str]:
    names = ", ".join([*WRITERS, *others, RUN_FILE])
    return [f"Written to {out}:", *_wrapped(names, "  ", FACT_LINES + (len(others) > 0))]


def _caution(site: Reconciliation) -> list[str]:
    limits = site.job.tolerances
    source = f"Limits {limits.name}: {limits.source}."
    return _wrapped(" ".join([*CAUTIONS[:-1], source]))


def _length(value: float, unit: str) -> str:
    """Return a small length without sign: mm on a metric job, else thousandths of a foot."""
    if not math.isfinite(value):
        return ""
    if unit != "m":
        return f"{abs(value):.3f} ft"
    if abs(value) >= 1.0:
        return f"{abs(value):.3f} m"
    return f"{abs(value) * 1000:.1f}".removesuffix(".0") + " mm"


def _height(value: float, unit: str) -> str:
    """Return a height difference as a crew says it: 12 mm low."""
    length = _length(value, unit)
    return length and f"{length} {'low' if value < 0 else 'high'}"


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def _clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def _wrapped(text: str, label: str = "", most: int | None = None) -> list[str]:
    """Fold a text to the screen, hanging behind its label, cut after ``most`` lines."""
    indent = " " * len(label)
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=label,
        subsequent_indent=indent,
        max_lines=most,
        placeholder=" ...",
        break_on_hyphens=False,
    )


def _fit_record(fit: Fit) -> dict[str, Any]:
    return {
        "dof": fit.dof,
        "sigma0": significant(fit.sigma0, 6),
        "statistic": significant(fit.statistic, 6),
        "lower": significant(fit.lower, 6),
        "upper": significant(fit.upper, 6),
        "passed": fit.passed,
        "iterations": fit.iterations,
    }


def _record(site: Reconciliation, table: Table, row: int) -> dict[str, Any]:
    """Return a row of the setups or the ties, numbers rounded as in the files."""
    record = {name: column[row] for name, column in table.items()}
    for name, value in record.items():
        if isinstance(value, float):
            kind = SETUPS.get(name) or TIES.get(name, COORDINATE)
            record[name] = round(value, decimals(kind, site.job.angle_unit))
    return record
