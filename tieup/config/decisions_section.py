"""Turn the entries of ``decisions:`` into decisions, and refuse malformed ones."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from tieup.config.schema import SETTABLE
from tieup.config.yaml_nodes import YamlReading
from tieup.model.decision import Decision
from tieup.units import length_factor

VERBS = ("accept", "exclude", "set", "rename", "keep")
SETUP_WIDE = ("instrument_height", "station")  # these belong to a setup, not to a shot
_LINE = re.compile(r".+:[0-9]+")


def read_decisions(
    entries: list[dict[str, Any]], factor: float, reading: YamlReading
) -> tuple[Decision, ...]:
    """Return the decisions in the order in which they are written.

    Parameters
    ----------
    entries
        What the schema made of ``decisions:``; only keys that were written.
    factor
        Metres in the job's length unit.
    """
    decisions: list[Decision] = []
    for number, entry in enumerate(entries, 1):
        path = f"decisions {number}"
        if reading.sound(path):
            for problem in _problems(entry):
                reading.note_key(path, problem)
        if reading.sound(path):
            decision = _decision(entry, factor, reading.lines[path])
            for problem in _conflicts(decision, decisions):
                reading.note_key(path, problem)
            decisions.append(decision)
    return tuple(decisions)


def _problems(entry: dict[str, Any]) -> Iterator[str]:
    verbs = [verb for verb in VERBS if verb in entry]
    if len(verbs) != 1:
        found = " and ".join(verbs) or "none"
        yield f"needs exactly one of {', '.join(VERBS)}; found {found}"
        return
    verb = verbs[0]
    if not (entry.get("reason") or "").strip():
        yield (
            f'{verb} has no reason. Add reason: and why, as in reason: "book says 1.400"; it '
            "stands in the report"
        )
    if verb in ("accept", "keep"):
        if not entry[verb]:
            yield f"{verb} names no finding. Expected its id, as in F-7c1e"
    else:
        yield from _where_problems(verb, entry[verb])
    if verb == "rename" and not entry.get("to"):
        yield "renames to nothing. Expected to: and the right name"
    if verb != "rename" and "to" in entry:
        yield f"has to:, which only rename takes, beside {verb}"


def _conflicts(decision: Decision, before: list[Decision]) -> Iterator[str]:
    """Say which earlier decision says something else about the same."""
    for other in before:
        both = f"{decision.verb} on line {decision.line} and {other.verb} on line {other.line}"
        if decision.finding and decision.finding == other.finding:
            yield f"{both} are about the same finding {decision.finding}. Leave one of them"
            continue
        same = decision.verb == other.verb and decision.where == other.where
        if not same or decision.finding:
            continue
        if decision.to != other.to:
            yield f'{both} give the same shots two names, "{other.to}" and "{decision.to}"'
        for key in (k for k in decision.settings if k in other.settings):
            if decision.settings[key] != other.settings[key]:
                yield f"{both} give {key} two values for {_about(decision)}. Leave one of them"


def _about(decision: Decision) -> str:
    return ", ".join(f"{key} {text}" for key, text in decision.where.items())


def _where_problems(verb: str, body: dict[str, Any]) -> Iterator[str]:
    where = [key for key in body if key not in SETTABLE]
    values = [key for key in body if key in SETTABLE]
    if not where:
        yield f"{verb} says not where. Expected setup, point, string, line or kind"
    if "line" in body and not _LINE.fullmatch(body["line"] or ""):
        yield f'line is "{body["line"]}". Expected file and line, as in raw/s2.csv:14'
    if verb == "rename" and "point" not in body and "line" not in body:
        yield "rename needs the point, as it is named in the raw data, or its line"
    if verb == "set":
        yield from _value_problems(where, values, body)


def _value_problems(where: list[str], values: list[str], body: dict[str, Any]) -> Iterator[str]:
    if not values:
        yield f"set sets nothing. Expected one or more of {', '.join(SETTABLE)}"
    for key in (key for key in values if key in SETUP_WIDE):
        if where != ["setup"]:
            yield f"{key} belongs to a whole setup. Name the setup and nothing else"
    if body.get("face", 1) not in (1, 2):
        yield f"face is {body['face']}. Expected 1 or 2"
    if "station" in body and not body["station"]:
        yield "station is empty. Expected the name of the mark under the instrument"


def _decision(entry: dict[str, Any], factor: float, line: int) -> Decision:
    verb = next(verb for verb in VERBS if verb in entry)
    body = entry[verb] if isinstance(entry[verb], dict) else {}
    return Decision(
        verb=verb,
        finding="" if body else entry[verb],
        where={key: text for key, text in body.items() if key not in SETTABLE},
        values=_values(body, factor),
        to=entry.get("to") or "",
        by=entry.get("by") or "",
        reason=entry.get("reason") or "",
        line=line,
        texts={"station": body["station"]} if "station" in body else {},
    )


def _values(body: dict[str, Any], factor: float) -> dict[str, float]:
    scale = {
        "instrument_height": factor,
        "target_height": factor,
        "prism_constant": length_factor("mm"),
        "face": 1.0,
    }
    return {key: body[key] * scale[key] for key in scale if key in body}
