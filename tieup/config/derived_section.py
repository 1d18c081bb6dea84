"""Turn the entries of ``derived:`` into what is to be derived, and refuse malformed ones.

Whether the named marks and strings exist is known only when the raw data has been read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from tieup.config.yaml_nodes import YamlReading
from tieup.model.derived import (
    Crossing,
    Derived,
    Mean,
    OffsetString,
    Polar,
    ProjectedString,
    Typed,
)
from tieup.units import FULL_CIRCLE, parse_angles

# What tells a form of entry -> the keys that it needs, the keys that it may have. An entry is
# of the first form of which it has the telling key.
FORMS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "intersect": (("point", "intersect"), ()),
    "mean": (("point", "mean"), ()),
    "offset": (("string", "offset", "distance"), ("grade",)),
    "project": (("string", "project", "onto", "fall"), ()),
    "bearing": (("point", "from", "bearing", "distance"), ("grade",)),
    "elevation": (("point", "from", "elevation", "by", "reason"), ()),
}
PER_CENT = 100.0


def read_derived(
    entries: list[dict[str, Any]], angle_unit: str, factor: float, reading: YamlReading
) -> tuple[Derived, ...]:
    """Return what is to be derived, in the order in which it is written.

    Parameters
    ----------
    entries
        What the schema made of ``derived:``; only keys that were written.
    angle_unit
        The job's; bearings are in it.
    factor
        Metres in the job's length unit.
    """
    derived = []
    for number, entry in enumerate(entries, 1):
        path = f"derived {number}"
        if reading.sound(path):
            for key, problem in _problems(entry, angle_unit):
                reading.note_key(f"{path}.{key}" if key else path, problem)
        if reading.sound(path):
            line = reading.lines[path]
            derived.append(_derived(_form(entry), entry, line, angle_unit, factor))
    return tuple(derived)


def _form(entry: Mapping[str, Any]) -> str:
    return next((form for form in FORMS if form in entry), "")


def _problems(entry: Mapping[str, Any], angle_unit: str) -> Iterator[tuple[str, str]]:
    """Give what is wrong with an entry: the key (empty for all of it) and the problem."""
    form = _form(entry)
    if not form:
        forms = ", ".join(FORMS)
        yield "", f"says not how. Expected one of {forms}, as in {{point: D1, mean: [T1, T2]}}"
        return
    needed, possible = FORMS[form]
    for key in needed:
        if entry.get(key) in (None, ""):
            yield "", f"has no {key}. An entry with {form} needs {', '.join(needed)}"
    for key in entry:
        if key not in (*needed, *possible):
            yield key, f"has no place beside {form}. Expected {', '.join((*needed, *possible))}"
    yield from _lists(entry)
    if "bearing" in entry:
        yield from _bearing(str(entry["bearing"] or ""), angle_unit)
    if form == "project" and entry.get("project") == entry.get("onto"):
        yield "onto", "is the string itself. Expected another one"


def _bearing(text: str, angle_unit: str) -> Iterator[tuple[str, str]]:
    """Give what is wrong with a bearing: no angle of the job's unit, or not within one circle."""
    values, bad = parse_angles([text], angle_unit)
    if bad:
        yield "bearing", f'"{text}" {bad[0]} (units.angle)'
    elif not np.isnan(values[0]) and not 0.0 <= values[0] <= 2 * np.pi:
        circle = f"{FULL_CIRCLE[angle_unit]:g}"
        yield "bearing", f'"{text}" is outside one circle. Expected 0 to {circle} (units.angle)'


def _lists(entry: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Give what is wrong with lists of names."""
    if "mean" in entry:
        names = entry["mean"]
        if len(names) < 2 or not all(names):
            yield "mean", "needs two points or more, as in [T1, T2]"
        for name, times in Counter(names).items():
            if times > 1 and name:
                yield "mean", f"has {name} twice. Name every point once"
    if "intersect" in entry:
        lines = entry["intersect"]
        if len(lines) != 2 or any(len(line) != 2 or not all(line) for line in lines):
            yield "intersect", "needs two lines of two points, as in [[T1, T2], [T3, T4]]"
        elif any(first == second for first, second in lines):
            yield "intersect", "has a line from a point to itself. Name two points"


def _derived(
    form: str, entry: Mapping[str, Any], line: int, angle_unit: str, factor: float
) -> Derived:
    name = entry["point"] if "point" in entry else entry["string"]
    match form:
        case "intersect":
            first, second = (tuple(pair) for pair in entry["intersect"])
            return Crossing(name, line, (first[0], first[1]), (second[0], second[1]))
        case "mean":
            return Mean(name, line, tuple(entry["mean"]))
        case "offset":
            grade = entry.get("grade", 0.0) / PER_CENT
            return OffsetString(name, line, entry["offset"], entry["distance"] * factor, grade)
        case "project":
            fall = entry["fall"] / PER_CENT
            return ProjectedString(name, line, entry["project"], entry["onto"], fall)
        case "bearing":
            return _polar(name, entry, line, angle_unit, factor)
        case _:
            height = entry["elevation"] * factor
            return Typed(name, line, entry["from"], height, entry["by"], entry["reason"])


def _polar(name: str, entry: Mapping[str, Any], line: int, angle_unit: str, factor: float) -> Polar:
    bearing, _ = parse_angles([entry["bearing"]], angle_unit)
    grade = entry["grade"] / PER_CENT if "grade" in entry else None
    distance = entry["distance"] * factor
    return Polar(name, line, entry["from"], float(np.mod(bearing[0], 2 * np.pi)), distance, grade)
