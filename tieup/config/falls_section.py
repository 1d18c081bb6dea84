"""Turn the entries of ``falls:`` into checks of slopes, and refuse malformed ones.

Whether the named points and strings exist is known only when the raw data has been read.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from typing import Any

from tieup.config.yaml_nodes import YamlReading
from tieup.errors import ConfigError, did_you_mean
from tieup.model.falls import FallCheck

PER_CENT = 0.01
PLACES = ("from", "to", "along")


def read_falls(entries: list[dict[str, Any]], reading: YamlReading) -> tuple[FallCheck, ...]:
    """Return the checks in the order in which they are written.

    ``entries`` are what the schema made of ``falls:``; only keys that were written.
    """
    checks = []
    for number, entry in enumerate(entries, 1):
        path = f"falls {number}"
        if reading.sound(path):
            for key, problem in _problems(entry):
                reading.note_key(f"{path}.{key}" if key else path, problem)
        if reading.sound(path):
            checks.append(_check(entry, path, reading))
    return tuple(checks)


def _problems(entry: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Give what is wrong with an entry: the key (empty for all of it) and the problem."""
    for key in PLACES:
        if key in entry and not entry[key]:
            yield key, "is empty. Expected the name of a point or a string"
    if "along" in entry:
        for key in ("from", "to"):
            if key in entry:
                yield key, "stands beside along, which takes every leg of a string. Give one"
    else:
        for key in ("from", "to"):
            if key not in entry:
                yield "", f"has no {key}. Expected from: and to:, or along: a string"
        if entry.get("from") and entry.get("from") == entry.get("to"):
            yield "to", f"is {entry['to']}, as from is. Expected two different places"
    minimum, maximum = entry.get("minimum"), entry.get("maximum")
    if minimum is None and maximum is None:
        yield "", "has no limit. Expected minimum: or maximum: or both, in per cent"
    elif minimum is not None and maximum is not None and minimum > maximum:
        yield "minimum", f"is {minimum:g}, above the maximum {maximum:g}"


def _check(entry: dict[str, Any], path: str, reading: YamlReading) -> FallCheck:
    start, end, along = (str(entry.get(key) or "") for key in PLACES)
    lines = {key: reading.lines.get(f"{path}.{key}", reading.lines[path]) for key in PLACES}
    return FallCheck(
        name=entry.get("name") or (f"along {along}" if along else f"{start} to {end}"),
        start=start,
        end=end,
        along=along,
        minimum=entry.get("minimum", -math.inf) * PER_CENT,
        maximum=entry.get("maximum", math.inf) * PER_CENT,
        path=path,
        lines={"": reading.lines[path], **lines},
    )


def refuse_unknown(
    checks: Sequence[FallCheck], points: Collection[str], strings: Collection[str]
) -> None:
    """Raise ConfigError where a check names what the job does not have; every problem at once.

    A name that is both a point and a string says nothing, but for ``along``.
    """
    problems = []
    both = {*points} & {*strings}
    for check in checks:
        for key, name in zip(PLACES, (check.start, check.end, check.along), strict=True):
            if key != "along" and name in both:
                problems.append(
                    f"job.yaml:{check.lines[key]}: {check.path}.{key} is {name}, which is both a "
                    "point and a string. Rename one of them"
                )
            known = strings if key == "along" else [*points, *strings]
            if name and name not in known:
                near = did_you_mean(name, known)
                what = "string" if key == "along" else "point or string"
                problems.append(
                    f"job.yaml:{check.lines[key]}: {check.path}.{key} is {name}, and the job has "
                    f"no such {what}. {near or 'Look in the raw files'}".rstrip()
                )
    if problems:
        raise ConfigError(*problems)
