"""The first screen: whether the site ties, how well it fits, what to settle, where the files are.

For a person in a truck: the answer stands in the first line, the words are the trade's, and
all of it fits a screen of 80 columns and 40 lines, unless more must be settled before use than
that has room for. The long lists are in the files.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tieup.lengths import Lengths
from tieup.model.answer import TIED, UNPROVED, all_in_plan
from tieup.model.finding_kinds import UNREAD_FILE
from tieup.model.link_kinds import LEVEL, LINK_KINDS, lists_alone
from tieup.model.reconciliation import FATES, Fit, Reconciliation, Table
from tieup.sentences import counted, listed
from tieup.units import length_factor
from tieup.write.cautions import CAUTIONS, UNCHECKED_MEANS
from tieup.write.columns import COORDINATE, SETUPS, TIES
from tieup.write.documents import finding_record, significant
from tieup.write.finding_lines import finding_lines
from tieup.write.folder import RUN_FILE, WRITERS, writers_of
from tieup.write.rule_words import rule_words
from tieup.write.tables import decimals, of_rows
from tieup.write.terminal import HEIGHT, WIDTH, clipped, folded
from tieup.write.tie_words import beyond_words, tie_words

MOST_SETUPS = 8
MOST_REASONS = 4
LABEL = 11  # width of the words in front of the facts
FACT_LINES = 2


def summary_text(
    site: Reconciliation, out: Path, others: Sequence[str] = (), remark: str = ""
) -> str:
    """Return the first screen; ``out`` holds the files, ``others`` for other programs among them.

    ``remark`` is what must be known of those, or why there are none.
    """
    setups = ["", *_setup_lines(site), *_loose_line(site)] if len(site.setups["setup"]) else []
    head = [*folded(headline(site)), "", *_facts(site), *setups]
    said = folded(remark, label="  ") if remark else []
    foot = ["", *_files(site, out, others), *said, "", *_caution(site)]
    findings = finding_lines(site.findings, HEIGHT - len(head) - len(foot) - 1)
    return "\n".join([*head, *([""] if findings else []), *findings, *foot]) + "\n"


def summary_record(site: Reconciliation, out: Path, others: Sequence[str] = ()) -> dict[str, Any]:
    """Return the first screen as data, for ``--json``: lengths in the job's unit."""
    summary = site.summary
    worst = worst_tie(site)
    return {
        "title": site.job.title,
        "ties": site.verdict.word == TIED,
        "status": site.status,
        "verdict": site.verdict.word,
        "reasons": list(site.verdict.reasons),
        "failing_falls": list(site.verdict.falls),
        "untold_falls": list(site.verdict.untold),
        "failing_surfaces": list(site.verdict.surfaces),
        "untold_surfaces": list(site.verdict.untold_surfaces),
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
        "files": [*writers_of(site), *others, RUN_FILE],
        "cautions": list(CAUTIONS),
    }


def headline(site: Reconciliation) -> str:
    """Return the answer in one sentence."""
    setups, ties = len(site.setups["setup"]), Counter(site.ties["verdict"])
    title = clipped(site.job.title)
    beside = f", {site.verdict.beside.upper()}" if site.verdict.beside else ""
    why, falls = site.verdict.why(MOST_REASONS), f" {site.verdict.first_beside}".rstrip()
    look = f"; {why}" if site.verdict.word == TIED and why else ""
    if site.verdict.word == TIED and not setups:
        lists = lists_alone(site.run.get("lists") or ())
        checks = f"{counted(site.summary.minimal.dof, 'check')}, within what the {lists} are stated"
        return f"{title}: THE {lists.upper()} TIE{beside}. {checks} to hold{look}.{falls}"
    if site.verdict.word == TIED:
        tied = f"{counted(setups, 'setup')}, {_tested(ties)}"
        flat = " IN PLAN" if all_in_plan(site.answer) else ""
        return f"{title}: THE SITE TIES{flat}{beside}. {tied}{look}.{falls}"
    word = "NOT PROVED YET" if site.verdict.word == UNPROVED else "DOES NOT TIE YET"
    return f"{title}: {word}{beside}: {why}.{falls}"


def _tested(ties: Counter[Any]) -> str:
    """Say how many ties were judged; what was not tested is never called good."""
    untested = f", {ties['untested']} untested" if ties["untested"] else ""
    return f"{ties['ties']} of {counted(ties.total(), 'tie')} within the limits{untested}"


def _facts(site: Reconciliation) -> list[str]:
    """Return what was read and how it fits, one labelled line or two each."""
    facts = [
        *([("Read", _read(site))] if site.job.raw_files else []),
        *(_list_fact(name, counts) for name, counts in (site.run.get("lists") or {}).items()),
        ("Points", _points(site)),
        ("Datum", site.summary.datum),
        ("Fit", _fit_words(site.summary.minimal, "readings", site.summary.held)),
    ]
    if site.summary.held:
        facts.append(("Control", _fit_words(site.summary.held, "readings and control together")))
    if turns := site.run.get("azimuth_turns"):
        facts.append(("Azimuths", "; ".join(map(_turn_words, turns))))
    if site.traverses:
        facts.append(("Closure", closure_words(site)))
    worst = worst_tie(site)
    if worst is not None:
        facts.append(("Worst tie", tie_words(site, worst)))
    if rules := rule_words(site):
        facts.append(("Rules", rules))
    return [
        line
        for label, words in facts
        for line in folded(words, label=f"{label:<{LABEL}}", most=FACT_LINES)
    ]


def _turn_words(turn: Mapping[str, Any]) -> str:
    """Say by how much the azimuths of one basis of bearings are turned onto the grid."""
    files = listed(turn["files"], 2)
    if turn["turn"] is None:
        return f"{files}: nothing shows their turn, none is used"
    angle, sd = (
        value if isinstance(value, str) else f"{value:.5f}" for value in (turn["turn"], turn["sd"])
    )
    return f"{files}: {counted(turn['azimuths'], 'azimuth')} turned by {angle} (sd {sd})"


def closure_words(site: Reconciliation) -> str:
    """Say how the traverse of azimuths and distances closes that closes worst for its length."""
    table, unit = site.traverses, site.job.length_unit
    gap, length = (np.asarray(table[name]) for name in ("misclosure", "length"))
    row = int(np.argmax(gap / length))
    north, east = (float(table[name][row]) for name in ("d_northing", "d_easting"))
    places = 3 if unit == "m" else 2
    ratio = table["precision"][row]
    worst = f"worst of {len(gap)}: " if len(gap) > 1 else ""
    precision = f" (1:{ratio:.0f})" if ratio == ratio else ""
    name = clipped(str(table["traverse"][row]))
    way = f"{length[row]:.2f} {unit}{precision}"
    return (
        f"{worst}{name}: northing {north:+.{places}f}, easting {east:+.{places}f}, "
        f"misclosure {gap[row]:.{places}f} in {way}"
    )


def _read(site: Reconciliation) -> str:
    rows = site.summary.rows
    some = _used_in_part(of_rows(site.observations))
    part = {"used": f" ({some:,} in part)" if some else ""}
    fates = [f"{rows[fate]:,} {fate}{part.get(fate, '')}" for fate in FATES if rows.get(fate)]
    files = counted(len(site.job.raw_files), "raw file")
    told = f"{files}, {counted(sum(rows.values()), 'row')}: {', '.join(fates) or 'none'}"
    beside = [finding.says for finding in site.findings if finding.kind == UNREAD_FILE.name]
    return " ".join([f"{told}.", *beside]) if beside else told


def _used_in_part(observations: Table) -> int:
    """Count the rows of which some readings are used and some are not."""
    file, line = np.asarray(observations["file"]), np.asarray(observations["line"])
    if not len(file):
        return 0
    starts = np.flatnonzero(np.append(True, (file[1:] != file[:-1]) | (line[1:] != line[:-1])))
    used = np.asarray(observations["status"]) == "used"
    some, every = np.logical_or.reduceat(used, starts), np.logical_and.reduceat(used, starts)
    return int((some & ~every).sum())


def _list_fact(name: str, counts: Mapping[str, int]) -> tuple[str, str]:
    """Say what was read of one list of links."""
    noun = next(kind.noun for kind in LINK_KINDS.values() if kind.listed == name)
    fates = ", ".join(f"{number:,} {fate}" for fate, number in counts.items() if number)
    return name.capitalize(), f"{counted(sum(counts.values()), noun)}: {fates}"


def _points(site: Reconciliation) -> str:
    roles, proofs = Counter(site.coordinates["role"]), Counter(site.coordinates["proof"])
    noun, words_of = "point", {role: role for role in roles}
    if not site.job.raw_files:
        noun = "mark"
        if lists_alone(site.run.get("lists") or ()) == LEVEL.listed:
            words_of = {"control": "benchmark", "tie": "levelled"}
    kinds = ", ".join(f"{n:,} {words_of.get(role, role)}" for role, n in roles.items() if role)
    words = f"{counted(roles.total(), noun)} ({kinds})" if kinds else "none"
    if proofs["unchecked"]:
        words += f"; {proofs['unchecked']:,} unchecked: {UNCHECKED_MEANS} them"
    return words


def _fit_words(fit: Fit, what: str, held: Fit | None = None) -> str:
    """Say in the trade's words how a fit came out; ``held`` is that of the same with control."""
    if fit.passed is None and held is not None and held.passed is not None:
        return f"{what}: only the known marks test them, none is checked by another"
    if fit.passed is None:
        return f"{what}: nothing to test, no reading is checked by another"
    scatter = f"scatter {fit.sigma0:.2f} times the stated, {counted(fit.dof, 'check')}"
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


def _setup_lines(site: Reconciliation) -> list[str]:
    """Return the table of setups, what does not tie first where not all of them fit in."""
    setups = site.setups
    rows = list(range(len(setups["setup"])))
    if len(rows) > MOST_SETUPS:
        rows.sort(key=lambda row: setups["verdict"][row] == "ties")
    plan, height = _worst_by_setup(site.ties)
    lengths = Lengths(site.job.length_unit)
    more = len(lengths.small) - len("mm")
    over_width, plan_width, height_width = 10 - more, 9 + more, 14 + more
    judged = {one.setup: one.judged for one in site.answer.setups} if site.answer else {}
    lines = [
        f"{'Setup':<14} {'Over':<{over_width}} {'Ties':>4} {'Plan':>{plan_width}} "
        f"{'Height':>{height_width}}  Geometry, verdict"
    ]
    for row in rows[:MOST_SETUPS]:
        name = str(setups["setup"][row])
        over = str(setups["station"][row]) or "free"
        line = (
            f"{clipped(name, 14):<14} {clipped(over, over_width):<{over_width}} "
            f"{setups['ties'][row]:>4} "
            f"{lengths.said(plan.get(name, math.nan)) or '-':>{plan_width}} "
            f"{lengths.height(height.get(name, math.nan)) or '-':>{height_width}}  "
            f"{setups['geometry'][row]}, {judged.get(name, setups['verdict'][row])}"
        )
        lines.append(clipped(line, WIDTH))
    hidden = rows[MOST_SETUPS:]
    if hidden:
        good = sum(setups["verdict"][row] == "ties" for row in hidden)
        lines.append(f"and {len(hidden):,} more in setups.csv, {good:,} of them tie")
    return lines


def _loose_line(site: Reconciliation) -> list[str]:
    """Say which setups tie though a mark of them is beyond the limits."""
    limits, factor = site.job.tolerances, length_factor(site.job.length_unit)
    plan, height = _worst_by_setup(site.ties)
    most = (limits.horizontal / factor, limits.elevation / factor)
    unused = {one.setup for one in site.answer.setups if one.unused} if site.answer else set()
    loose = [
        str(name)
        for name, verdict in zip(site.setups["setup"], site.setups["verdict"], strict=True)
        if verdict == "ties"
        and name not in unused
        and (plan.get(name, 0.0) > most[0] or abs(height.get(name, 0.0)) > most[1])
    ]
    return folded(beyond_words(loose))


def _worst_by_setup(ties: Table) -> tuple[dict[str, float], dict[str, float]]:
    """Return the largest differences of each setup in plan and in height."""
    plan: dict[str, float] = {}
    height: dict[str, float] = {}
    for worst, column in ((plan, "d_horizontal"), (height, "d_elevation")):
        for setup, value in zip(ties["setup"], ties[column], strict=True):
            if math.isfinite(value) and abs(value) >= abs(worst.get(setup, 0.0)):
                worst[setup] = float(value)
    return plan, height


def _files(site: Reconciliation, out: Path, others: Sequence[str]) -> list[str]:
    written = list(writers_of(site))
    names = ", ".join([*written, *others, RUN_FILE])
    more = bool(others) or len(written) > len(WRITERS)
    return [f"Written to {out}:", *folded(names, label="  ", most=FACT_LINES + more)]


def _caution(site: Reconciliation) -> list[str]:
    limits = site.job.tolerances
    plan, height = Lengths(site.job.length_unit).limits(limits.horizontal, limits.elevation)
    source = f"Limits {limits.name} (plan {plan}, height {height}): {limits.source}."
    return folded(" ".join([*CAUTIONS[:-1], source]))


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
