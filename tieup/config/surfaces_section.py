"""Turn the entries of ``surfaces:`` into wishes, with the limits of grades they name.

Whether the named points and strings exist is known only when the raw data has been read.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

from tieup.config.files import find_file
from tieup.config.grade_sets import grade_sets, read_grade_set
from tieup.config.yaml_nodes import YamlReading
from tieup.errors import ConfigError, did_you_mean
from tieup.model.surfaces import (
    ALONG,
    ANY,
    Against,
    GradeLimits,
    SurfaceWish,
)

LISTS = ("strings", "points_only", "codes", "points", "roles", "proofs", "holes", "inlets")
STRINGS = ("strings", "points_only", "boundary", "holes")


def read_surfaces(
    entries: dict[str, dict[str, Any]], home: Path, factor: float, reading: YamlReading
) -> tuple[SurfaceWish, ...]:
    """Return the wished surfaces; ``factor`` is metres in the job's length unit."""
    wishes = []
    for name, entry in entries.items():
        path = f"surfaces.{name}"
        if not reading.sound(path):
            continue
        _note_name(name, path, reading)
        limits = tuple(_limits(entry.get("limits", []), path, reading))
        against = _against(entry.get("against"), entries, home, (path, factor), reading)
        lists = {key: tuple(entry[key]) for key in LISTS if key in entry}
        wishes.append(
            SurfaceWish(
                name=name,
                boundary=entry.get("boundary", ""),
                longest=entry.get("longest_edge", math.inf) * factor,
                limits=limits,
                against=against,
                lines={key: reading.lines.get(f"{path}.{key}", 1) for key in (*LISTS, "boundary")}
                | {"": reading.lines.get(path, 1)},
                **lists,
            )
        )
    return tuple(wishes)


def _note_name(name: str, path: str, reading: YamlReading) -> None:
    """Note a name that cannot be a part of names of files."""
    if not name or not all(c.isalnum() or c in "-_" for c in name) or len(name) > 60:
        told = "is no name for a file. Expected letters, digits, - and _, as in surfaces: {yard: }"
        reading.note_key(path, told)


def _limits(
    entries: Sequence[dict[str, Any]], path: str, reading: YamlReading
) -> Iterator[GradeLimits]:
    sets = grade_sets()
    for number, entry in enumerate(entries, 1):
        own = f"{path}.limits {number}"
        name = entry.get("set", "")
        if name not in sets:
            hint = did_you_mean(name, list(sets))
            reading.note_key(
                f"{own}.set", f'is "{name}". Expected {", ".join(sets)}. {hint}'.rstrip()
            )
            continue
        limits = read_grade_set(sets[name]).limits
        routed = any(limit.of != ANY for limit in limits)
        if routed and "along" not in entry:
            reading.note_key(own, f"{name} is for a route. Expected along: the string of the route")
        yield GradeLimits(name, limits, entry.get("within", ""), entry.get(ALONG, ""))


def _against(
    entry: dict[str, Any] | None,
    others: Collection[str],
    home: Path,
    at: tuple[str, float],
    reading: YamlReading,
) -> Against | None:
    if not entry:
        return None
    path, factor = f"{at[0]}.against", at[1]
    surface, file = entry.get("surface", ""), entry.get("file")
    if bool(surface) == bool(file):
        reading.note_key(path, "Expected one of surface: NAME of this job, or file: a surface")
    elif surface and surface not in (known := {*others} - {at[0].removeprefix("surfaces.")}):
        hint = did_you_mean(surface, known)
        reading.note_key(
            f"{path}.surface",
            f"is {surface}, and the job has no other surface of that name. {hint}".rstrip(),
        )
    if "tolerance" in entry and "thickness" not in entry:
        reading.note_key(path, "has a tolerance of a thickness that is not there. Give both")
    return Against(
        surface=surface,
        file=find_file(home, file, f"{path}.file", reading) if file else None,
        thickness=entry.get("thickness", math.nan) * factor,
        tolerance=entry.get("tolerance", math.nan) * factor,
    )


def refuse_unknown_parts(
    wishes: Sequence[SurfaceWish],
    points: Collection[str],
    codes: Collection[str],
    strings: Collection[str],
) -> None:
    """Raise ConfigError where a surface names what the job does not have; every problem at once."""
    problems = []
    known = {
        **dict.fromkeys(STRINGS, (strings, "string")),
        "codes": (codes, "code"),
        "points": (points, "point"),
        "inlets": ([*points, *codes], "point or code"),
    }
    for wish in wishes:
        limits = [name for own in wish.limits for name in (own.within, own.along)]
        asked = {**{key: getattr(wish, key) for key in known}, "limits": limits}
        asked["boundary"] = [wish.boundary]
        for key, names in asked.items():
            of, what = known.get(key, (strings, "string"))
            for name in names:
                if name and name not in of:
                    near = did_you_mean(name, of)
                    problems.append(
                        f"job.yaml:{wish.lines.get(key, wish.lines.get('', 1))}: surfaces."
                        f"{wish.name}.{key} is {name}, and the job has no such {what}. "
                        f"{near or 'Look in the raw files'}".rstrip()
                    )
    if problems:
        raise ConfigError(*problems)
