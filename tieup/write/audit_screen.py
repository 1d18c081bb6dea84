"""What an audit prints: one job on one screen, many jobs in one table, and both as data.

Rules that are broken come first, then what wants a look, then what could not be checked: for
want of data nothing ever counts as passed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tieup.model.audit import Audit
from tieup.model.fieldbook import AbsentColumn
from tieup.model.reconciliation import Table
from tieup.model.rules import FAIL, NOT_CHECKED, PASS, WARN, RuleResult
from tieup.sentences import counted, listed
from tieup.write.cautions import CAUTIONS
from tieup.write.terminal import WIDTH, clipped, folded, table_lines

MOST_SETUPS, MOST_SUBJECTS = 20, 6
UNREADABLE = "not read"
DECIMALS = {"mm": 1, "m": 3, "ft": 3, "arcsec": 1, "deg": 1, "ppm": 0, "ratio": 4, "sd": 1}
ORDER = (FAIL, UNREADABLE, WARN, PASS, NOT_CHECKED)
HEADLINES = {
    FAIL: "RAW DATA NOT IN ORDER.",
    WARN: "LOOK AT THE RAW DATA.",
    PASS: "RAW DATA IN ORDER.",
    NOT_CHECKED: "NO RAW ROWS TO CHECK.",
}


@dataclass(frozen=True)
class Audited:
    """One audited job: its folder as it was called, its title, and its audit.

    ``problems`` says why there is none (``audit`` None).
    """

    job: str
    title: str
    length_unit: str
    audit: Audit | None
    problems: tuple[str, ...] = ()

    @property
    def state(self) -> str:
        """Return pass, warn, fail, or that the job could not be read."""
        return self.audit.state if self.audit else UNREADABLE


def audit_text(job: Audited) -> str:
    """Return the screen of one job."""
    if job.audit is None:
        return "\n".join(job.problems) + "\n"
    audit = job.audit
    lines = [*folded(_headline(job)), "", *_facts(audit), "", *_setups(audit.setups), ""]
    for result in _worst_first(audit.results):
        lines += _result_lines(result)
    lines += [*_not_checked(audit.results), "", *folded(CAUTIONS[0])]
    return "\n".join(lines) + "\n"


def summary_text(jobs: Sequence[Audited]) -> str:
    """Return a table of many jobs, the worst first, and under it the rules that each breaks."""
    jobs = sorted(jobs, key=lambda job: ORDER.index(job.state))
    head = ("Job", "Rows", "Left out", "Setups", "Marks", "Broken", "Look", "Unchecked", "Result")
    rows = [_summary_row(job) for job in jobs]
    broken = [line for job in jobs for line in _broken_lines(job)]
    total = Counter(job.state for job in jobs)
    states = ", ".join(f"{total[s]} {s}" for s in ORDER if total[s])
    lines = [*table_lines(head, rows), "", f"{len(jobs)} jobs: {states}"]
    return "\n".join([*lines, *([""] if broken else []), *broken]) + "\n"


def audits_record(jobs: Sequence[Audited], status: int) -> dict[str, object]:
    """Return audits as data, for ``--json`` and audit.json."""
    return {"status": status, "jobs": [_record(job) for job in jobs], "cautions": list(CAUTIONS)}


def results_table(jobs: Sequence[Audited]) -> Table:
    """Return one row for each job and rule, values and limits in the rule's unit."""
    rows = [{"job": job.job, **_result_record(result)}
            for job in jobs if job.audit for result in job.audit.results]  # fmt: skip
    rows += [{"job": job.job, "rule": "readable", "result": UNREADABLE,
              "reason": "; ".join(job.problems)} for job in jobs if not job.audit]  # fmt: skip
    names = ["job", "rule", "says", "result", "subject", "value", "limit", "unit", "failing",
             "warned", "checked", "missing", "reason", "source"]  # fmt: skip
    return {name: [_cell(row.get(name)) for row in rows] for name in names}


def rows_text(table: Table, absent: Sequence[AbsentColumn] = ()) -> str:
    """Return the first rows as they were understood, one block for each file."""
    names = [
        name for name, column in table.items() if name not in ("file", "reason") and any(column)
    ]
    lines = []
    for file in dict.fromkeys(table["file"]):
        own = [row for row, name in enumerate(table["file"]) if name == file]
        cells = [[str(table[name][row]) for name in names] for row in own]
        lines += [file, *table_lines([n.replace("_", " ") for n in names], cells)]
        lines += [f"line {table['line'][r]}: {table['reason'][r]}" for r in own if
                  table["reason"][r]]  # fmt: skip
        lines.append("")
    return "\n".join([*lines, *_meant(absent)])


def _headline(job: Audited) -> str:
    assert job.audit is not None
    states = Counter(result.state for result in job.audit.results)
    parts = [f"{counted(states[FAIL], 'rule')} broken", f"{states[WARN]} to look at"]
    parts += [f"{states[PASS]} kept", f"{states[NOT_CHECKED]} not checked"]
    return f"{job.title or job.job}: {HEADLINES[job.state]} {', '.join(parts)}."


def _facts(audit: Audit) -> list[str]:
    counts = audit.counts
    fates = [f"{counts[fate]:,} {fate}" for fate in ("read", "repeated", "unused", "invalid")]
    kinds = [f"{counts[kind]:,} {kind}" for kind in ("directions", "zeniths", "distances")]
    places = [f"{counts[name]:,} {name}" for name in ("setups", "points", "marks in common",
                                                      "control marks sighted")]  # fmt: skip
    facts = [
        f"Rows     {counts['rows']:,} in {counted(counts['files'], 'file')}: {', '.join(fates)}",
        f"Read     {', '.join(kinds)}",
        f"Site     {', '.join(places)}",
    ]
    if audit.unknown_columns:
        facts.append(f"Not used {', '.join(audit.unknown_columns)}")
    return [*(line for fact in facts for line in folded(fact, indent=9)), *_meant(audit.absent)]


def _meant(absent: Sequence[AbsentColumn]) -> list[str]:
    """Say which column a heading that is not used may be meant for, and how it is taken."""
    places: dict[tuple[str, str], AbsentColumn] = {}
    for column in absent:
        if column.heading:
            places.setdefault((column.heading, column.column), column)
    texts = [
        f"{one.file}:{one.line}: {one.heading} is not used. If it is meant for {one.column}, "
        f"rename it, or in job.yaml {one.entry}"
        for one in places.values()
    ]
    texts += [f"{file}: {told}" for file, told in _lacking(absent).items()]
    return [line for text in texts for line in folded(text, indent=9)]


def _lacking(absent: Sequence[AbsentColumn]) -> dict[str, str]:
    """Say of each file which columns it lacks that no heading may be meant for."""
    found: dict[str, list[str]] = {}
    for one in absent:
        if not one.heading:
            word = f"{one.column} (it is empty)" if one.empty else one.column
            found.setdefault(f"{one.file}:{one.line}", []).append(word)
    return {file: f"no column {' and no '.join(names)}" for file, names in found.items()}


def _setups(table: Table) -> list[str]:
    head = ("Setup", "Over", "Height", "Rows", "Points", "Marks", "Pairs", "Closing", "Pole")
    rows = []
    for row in range(min(len(table["setup"]), MOST_SETUPS)):
        height = float(table["instrument_height"][row])
        counts = [str(table[name][row]) for name in ("rows", "points", "marks", "face_pairs",
                                                     "closing")]  # fmt: skip
        rows.append([
            str(table["setup"][row]),
            str(table["station"][row]) or "free",
            "" if height != height else f"{height:.3f}",
            *counts,
            str(table["target_heights"][row]),
        ])  # fmt: skip
    more = len(table["setup"]) - len(rows)
    lines = [clipped(line, WIDTH) for line in table_lines(head, rows)]
    return [*lines, *([f"and {more:,} more setups (--json)"] if more > 0 else [])]


def _worst_first(results: Sequence[RuleResult]) -> Iterator[RuleResult]:
    for state in (FAIL, WARN):
        yield from (result for result in results if result.state == state)


def _result_lines(result: RuleResult) -> list[str]:
    """Return a broken rule in two or three lines: what, how much, where."""
    rule = result.rule
    held = "at least" if rule.at_least else "limit"
    others = [name for name in (*result.failing, *result.warned) if name != result.subject]
    also = f"; also {listed(others, MOST_SUBJECTS)}" if others else ""
    value = f"{_value(result, result.value)} at {result.subject}"
    text = f"{rule.id}: {rule.says}: {value}, {held} {_value(result, result.limit)}{also}"
    return folded(f"{result.state:<6}{text}", indent=6)


def _value(result: RuleResult, value: float | None) -> str:
    if value is None:
        return ""
    unit = result.rule.unit
    number = f"{value / result.rule.factor:.{DECIMALS.get(unit, 0)}f}"
    if unit == "arcsec":
        return f'{number}"'
    word = "" if unit in ("count", "ratio") else unit
    return f"{number} {word.removesuffix('s') if number == '1' else word}".rstrip()


def _not_checked(results: Sequence[RuleResult]) -> list[str]:
    """Say what was not checked and why, one line for each reason."""
    reasons: dict[str, list[str]] = {}
    for result in results:
        if result.state == NOT_CHECKED:
            reasons.setdefault(result.reason, []).append(result.rule.id)
    return [
        line
        for reason, ids in reasons.items()
        for line in folded(f"not checked: {', '.join(ids)} ({reason})", indent=13)
    ]


def _summary_row(job: Audited) -> list[str]:
    if job.audit is None:
        return [job.job, *[""] * 7, UNREADABLE]
    counts = job.audit.counts
    states = Counter(result.state for result in job.audit.results)
    numbers = [counts["rows"], counts["rows"] - counts["read"], counts["setups"],
               counts["marks in common"], states[FAIL], states[WARN],
               states[NOT_CHECKED]]  # fmt: skip
    return [job.job, *(f"{number:,}" for number in numbers), job.state]


def _broken_lines(job: Audited) -> list[str]:
    if job.audit is None:
        return [
            line for problem in job.problems for line in folded(f"{job.job}: {problem}", indent=2)
        ]
    failing = [result.rule.id for result in job.audit.results if result.state == FAIL]
    return folded(f"{job.job}: {', '.join(failing)}", indent=2) if failing else []


def _record(job: Audited) -> dict[str, object]:
    head: dict[str, object] = {"job": job.job, "title": job.title, "result": job.state}
    if job.audit is None:
        return {**head, "problems": list(job.problems)}
    audit, setups = job.audit, job.audit.setups
    return {
        **head,
        "length_unit": job.length_unit,
        "files": [vars(file) for file in audit.files],
        "counts": dict(audit.counts),
        "unknown_columns": {name: list(files) for name, files in audit.unknown_columns.items()},
        "absent_columns": [vars(column) for column in audit.absent],
        "setups": [
            {name: column[row] for name, column in setups.items()}
            for row in range(len(setups["setup"]))
        ],
        "rules": [_result_record(result) for result in audit.results],
    }


def _result_record(result: RuleResult) -> dict[str, object]:
    rule = result.rule

    def own(value: float | None) -> float | None:
        return None if value is None else float(f"{value / rule.factor:.6g}")

    return {
        "rule": rule.id,
        "says": rule.says,
        "result": result.state,
        "subject": result.subject,
        "value": own(result.value),
        "limit": own(result.limit),
        "unit": rule.unit,
        "failing": list(result.failing),
        "warned": list(result.warned),
        "checked": result.checked,
        "missing": list(result.missing),
        "reason": result.reason,
        "source": rule.source,
    }


def _cell(value: object) -> str:
    if value is None:
        return ""
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


RESULT_COLUMNS: Mapping[str, str] = dict.fromkeys(("job", "rule", "result"), "text")
