"""The office's view: what went in, what was set, what was left out and why, what was decided."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tieup.model.arrays import IntArray
from tieup.model.decision import Decision
from tieup.model.reconciliation import FATES, Reconciliation, Table
from tieup.sentences import counted
from tieup.units import length_factor, length_word
from tieup.write.columns import OBSERVATIONS
from tieup.write.page.page_table import (
    CODE,
    NAME,
    NUMBER,
    POINT,
    TEXT,
    VERDICT,
    PageColumn,
    PageTable,
    cells,
    left_out,
    length,
    texts,
)
from tieup.write.page.plots import Plot, residual_plots
from tieup.write.page.strings_view import checks_table
from tieup.write.page.wording import Verdict, verdict_of

MOST_UNUSED, MOST_RULES, MOST_DECISIONS, MOST_FILES = 500, 500, 200, 300
GRAVITY = {fate: rank for rank, fate in enumerate(("unused", "excluded", "used", *FATES[3:]))}
STATES = ("fail", "warn", "not checked", "pass")


@dataclass(frozen=True)
class Office:
    """Everything on the office's view; None for tables that the run does not have.

    ``rules_count`` holds how often each result of a rule came up, worst first.
    """

    inputs: PageTable
    rows: tuple[tuple[str, int], ...]
    total: int
    settings: tuple[tuple[str, str], ...]
    unknown_columns: tuple[str, ...]
    rules: PageTable | None
    rules_count: tuple[tuple[Verdict, int], ...]
    falls: PageTable | None
    decisions: PageTable | None
    unused: PageTable | None
    points: PageTable
    plots: tuple[Plot, ...]


def office_view(site: Reconciliation, starts: IntArray) -> Office:
    """Return the office's view of a site.

    ``starts`` says where each raw row begins in the observations.
    """
    raw_rows = _raw_rows(site.observations, starts)
    fates = site.summary.rows
    return Office(
        inputs=_inputs(site, raw_rows),
        rows=tuple((fate, fates.get(fate, 0)) for fate in FATES),
        total=sum(fates.values()),
        settings=tuple(_flat(site.run.get("settings") or site.job.resolved)),
        unknown_columns=tuple(map(str, site.run.get("unknown_columns") or ())),
        rules=_rules(site.rules) if length(site.rules) else None,
        rules_count=tuple(_rules_count(site.rules)),
        falls=checks_table(site),
        decisions=_decisions(site),
        unused=_unused(site),
        points=_points(site.coordinates),
        plots=residual_plots(site.observations, starts, length_word(site.job.length_unit)),
    )


def _raw_rows(observations: Table, starts: IntArray) -> Counter[tuple[str, str]]:
    """Count the raw rows by file and fate.

    A row counts as used where any of its components is, as in run.json.
    """
    status = np.asarray(observations["status"], dtype=object)
    rank = np.zeros(len(status), dtype=np.int64)
    for fate, gravity in GRAVITY.items():
        rank[status == fate] = gravity
    worst = np.maximum.reduceat(rank, starts) if len(starts) else rank
    fates = np.array(list(GRAVITY), dtype=object)[worst]
    return Counter(zip(np.asarray(observations["file"])[starts], fates, strict=True))


def _inputs(site: Reconciliation, raw_rows: Counter[tuple[str, str]]) -> PageTable:
    hashes = _hashes(site.run.get("inputs"))
    raw = dict.fromkeys(file for file, _ in raw_rows)
    files = list(dict.fromkeys([*hashes, *raw]))
    declared = {str(file.get("name")): file.get("rows") for file in site.run.get("raw_files") or ()}
    shown = files[:MOST_FILES]

    def counted(fate: str) -> list[str]:
        return [f"{raw_rows[file, fate]:,}" if file in raw else "" for file in shown]

    return PageTable(
        "Every file that went in, with what became of its rows. The sha256 tells whether a file "
        "is still the one that was used.",
        (
            PageColumn("File", NAME, shown),
            PageColumn("Rows", NUMBER, [_number(declared.get(file)) for file in shown]),
            *(PageColumn(fate.capitalize(), NUMBER, counted(fate)) for fate in FATES),
            PageColumn("sha256", CODE, [hashes.get(file, "") for file in shown]),
        ),
        left_out(len(shown), len(files), "files", "run.json"),
    )


def _hashes(inputs: Any) -> dict[str, str]:
    """Return sha256 by file name."""
    return {str(name): str(value) for name, value in dict(inputs or {}).items()}


def _number(value: Any) -> str:
    return "" if value is None else f"{value:,}"


def _flat(settings: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Return every setting as (path, value): ``instruments.default.direction``, ``2``."""
    if isinstance(settings, Mapping):
        for key, value in settings.items():
            yield from _flat(value, f"{path}.{key}" if path else str(key))
    elif isinstance(settings, list | tuple) and any(
        isinstance(entry, Mapping | list | tuple) for entry in settings
    ):
        for number, entry in enumerate(settings, 1):
            yield from _flat(entry, f"{path} {number}")
    elif isinstance(settings, list | tuple):
        yield path, ", ".join(map(str, settings)) or "none"
    elif path:
        words = {None: "not set", "": "not set", True: "yes", False: "no"}
        plain = settings is None or isinstance(settings, bool | str)
        yield path, words.get(settings, str(settings)) if plain else str(settings)


def _unused(site: Reconciliation) -> PageTable | None:
    """Return every raw row of which something is not used, with the reason."""
    table = site.observations
    entries: dict[tuple[str, ...], list[str]] = {}
    rows = np.flatnonzero(np.asarray(table["status"]) != "used")
    keys = ["file", "line", "setup", "point", "status", "reason"]
    columns = [cells(table, key, OBSERVATIONS, site.job.angle_unit, rows) for key in keys]
    kinds = cells(table, "kind", OBSERVATIONS, site.job.angle_unit, rows)
    for kind, *entry in zip(kinds, *columns, strict=True):
        entries.setdefault(tuple(entry), []).append(kind)
    if not entries:
        return None
    shown = list(entries)[:MOST_UNUSED]
    file, line, setup, point, status, reason = (list(column) for column in zip(*shown, strict=True))
    return PageTable(
        "Every row of which something is not used, and why.",
        (
            PageColumn("Row", NAME, [f"{f}:{n}" for f, n in zip(file, line, strict=True)]),
            PageColumn("Setup", NAME, setup),
            PageColumn("Point", POINT, point),
            PageColumn("What", TEXT, [", ".join(filter(None, entries[entry])) for entry in shown]),
            PageColumn("Fate", TEXT, status),
            PageColumn("Why", TEXT, reason),
        ),
        left_out(len(shown), len(entries), "rows", "observations.csv"),
    )


def _decisions(site: Reconciliation) -> PageTable | None:
    """Return what people decided and what it changed."""
    decisions, unit = site.job.decisions[:MOST_DECISIONS], site.job.length_unit
    if not decisions:
        return None
    effects = {effect.get("line"): effect for effect in site.run.get("decisions") or ()}
    columns = [
        PageColumn("job.yaml line", NUMBER, [str(decision.line) for decision in decisions]),
        PageColumn("Decision", TEXT, [_decision(decision, unit) for decision in decisions]),
        PageColumn("By", TEXT, [decision.by or "not named" for decision in decisions]),
        PageColumn("Reason", TEXT, [decision.reason or "none given" for decision in decisions]),
        PageColumn("Effect", TEXT, [_effect(effects.get(decision.line)) for decision in decisions]),
    ]
    return PageTable(
        "What people decided about the raw data, as written in job.yaml, and the scatter of the "
        "whole site, times the stated, before and after. The raw files are unchanged.",
        tuple(columns),
        left_out(len(decisions), len(site.job.decisions), "decisions", "job.yaml"),
    )


def _decision(decision: Decision, unit: str) -> str:
    """Return a decision in words, lengths in the job's unit."""
    where = [f"{key} {value}" for key, value in decision.where.items()]
    values = [_set_value(name, value, unit) for name, value in decision.values.items()]
    names = [f"{name} {value}" for name, value in decision.texts.items()]
    to = [f"to {decision.to}"] if decision.to else []
    parts = [decision.verb, decision.finding, *where, *to, *values, *names]
    return ", ".join(filter(None, [" ".join(filter(None, parts[:2])), *parts[2:]]))


def _set_value(name: str, value: float, unit: str) -> str:
    words = name.replace("_", " ")
    if name == "face":
        return f"{words} {value:.0f}"
    if name == "prism_constant":
        return f"{words} {value / length_factor('mm'):.2f} mm"
    return f"{words} {value / length_factor(unit):.4f} {length_word(unit)}"


def _effect(effect: Mapping[str, Any] | None) -> str:
    """Say what a decision changed: the rows it touched, the scatter before and after."""
    if effect is None:
        return "not recorded"
    rows = counted(int(effect.get("rows") or 0), "row")
    before, after = effect.get("sigma0_before"), effect.get("sigma0_after")
    if before is None or after is None or before != before or after != after:
        return f"{rows}; nothing tests the scatter"
    return f"{rows}; scatter {before:.3g} before, {after:.3g} after"


def _rules(rules: Table) -> PageTable:
    state = texts(rules, "state")
    rank = {word: number for number, word in enumerate(STATES)}
    order = sorted(range(len(state)), key=lambda row: rank.get(state[row], 0))[:MOST_RULES]
    places = {"mm": 1, "ft": 4, "US ft": 4}  # decimals, as of the ties beside them
    units = texts(rules, "unit")

    def cells_of(name: str) -> list[str]:
        column = texts(rules, name)
        if name not in ("value", "limit"):
            return column
        values = zip(np.asarray(rules[name], dtype=np.float64), units, column, strict=True)
        return [
            f"{value:.{places[unit]}f}" if text and unit in places else text
            for value, unit, text in values
        ]

    columns = [
        PageColumn(title, look, [column[row] for row in order])
        for title, look, name in (
            ("Set", TEXT, "set"),
            ("Rule", NAME, "rule"),
            ("What it asks", TEXT, "says"),
            ("Result", VERDICT, "state"),
            ("Worst at", TEXT, "subject"),
            ("Worst value", NUMBER, "value"),
            ("Limit", NUMBER, "limit"),
            ("Unit", TEXT, "unit"),
            ("Checked", NUMBER, "checked"),
            ("Why", TEXT, "reason"),
            ("Source", TEXT, "source"),
        )
        if any(column := cells_of(name))
    ]
    return PageTable(
        "Rules, what does not pass first. A rule without the data it needs is not checked, and "
        "never a pass.",
        tuple(columns),
        left_out(len(order), length(rules), "results of rules"),
    )


def _rules_count(rules: Table) -> Iterator[tuple[Verdict, int]]:
    counts = Counter(texts(rules, "state"))
    for word in STATES:
        if counts[word]:
            yield verdict_of(word), counts[word]


def _points(coordinates: Table) -> PageTable:
    """Count the points by role and proof."""
    roles, proofs = texts(coordinates, "role"), texts(coordinates, "proof")
    counts = Counter(zip(roles, proofs, strict=True))
    names = list(dict.fromkeys(roles))
    words = {
        "held": "Held",
        "checked": "Checked",
        "unchecked": "Nothing checks it",
        "disputed": "Two places",
        "": "No place",
    }
    kinds = [proof for proof in dict.fromkeys([*words, *proofs]) if proof in set(proofs)]
    return PageTable(
        "Points in coordinates.csv by role, and whether a mistake in them would show.",
        (
            PageColumn("Role", TEXT, names),
            *(
                PageColumn(
                    words.get(proof, proof),
                    NUMBER,
                    [f"{counts[role, proof]:,}" for role in names],
                )
                for proof in kinds
            ),
        ),
    )
