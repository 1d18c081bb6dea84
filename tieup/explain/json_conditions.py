"""Which keys of job.yaml go together, and which sets ship, as conditions of a JSON Schema.

What a section of `tieup.config` refuses whatever the job holds is refused here too; a test runs
both over good and bad entries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from tieup.config.decisions_section import SETUP_WIDE, VERBS
from tieup.config.derived_section import FORMS
from tieup.config.files import rule_sets
from tieup.config.grade_sets import grade_sets, read_grade_set
from tieup.config.schema import DERIVED, WHERE
from tieup.config.tolerances_section import tolerance_classes
from tieup.model.surfaces import ANY

Json = dict[str, Any]
OWN_FILE: Json = {"type": "string", "pattern": r"\.yaml$"}


def written(key: str) -> Json:
    """Return what asks for a key with a value."""
    return {"required": [key], "properties": {key: {"not": {"type": "null"}}}}


def _filled(key: str) -> Json:
    """Return what asks for a key with a value that is no blank text."""
    blank = {"type": "string", "pattern": r"^\s*$"}
    return {"required": [key], "properties": {key: {"not": {"anyOf": [{"type": "null"}, blank]}}}}


def _absent(keys: Iterable[str]) -> list[Json]:
    return [{"not": written(key)} for key in keys]


@cache
def shipped(path: str) -> Json | None:
    """Return what a key may name that takes sets which ship; None for any other key."""
    match path:
        case "tolerances":
            return {"enum": [*tolerance_classes()]}
        case "rules" | "audit":
            return {"anyOf": [{"enum": [*rule_sets(path)]}, OWN_FILE]}
        case "surfaces.*.limits.set":
            return {"enum": [*grade_sets()]}
        case _:
            return None


def conditions(path: str) -> list[Json]:
    """Return what a mapping at a path must meet beside the kinds of its values."""
    return CONDITIONS[path]() if path in CONDITIONS else []


def _job() -> list[Json]:
    local = {"required": ["datum"], "properties": {"datum": {"const": "local"}}}
    return [{"if": local, "then": written("local")}]


def _decision() -> list[Json]:
    """One verb, its reason, and the name that `rename` gives."""
    return [
        {"oneOf": [written(verb) for verb in VERBS]},
        _filled("reason"),
        *({"if": written(verb), "then": _filled(verb)} for verb in ("accept", "keep")),
        {"if": written("rename"), "then": _filled("to"), "else": {"not": written("to")}},
    ]


def _rows() -> list[Json]:
    """What names rows by file and line."""
    return [{"properties": {"line": {"type": ["string", "null"], "pattern": "^.+:[0-9]+$"}}}]


def _renamed() -> list[Json]:
    return [*_rows(), {"anyOf": [written("point"), written("line")]}]


def _values() -> list[Json]:
    """What belongs to a whole setup stands beside the setup alone; a circle has two faces."""
    whole = {"anyOf": [written(key) for key in SETUP_WIDE]}
    alone = {"allOf": [written("setup"), *_absent(key for key in WHERE if key != "setup")]}
    two = {"face": {"maximum": 2}, "station": {"not": {"type": "string", "pattern": r"^\s*$"}}}
    return [*_rows(), {"if": whole, "then": alone}, {"properties": two}]


def _derived() -> list[Json]:
    """One of the forms, with the keys that it needs and no others."""
    pair = {"minItems": 2, "maxItems": 2}
    lists = {"mean": {"minItems": 2, "uniqueItems": True}, "intersect": {**pair, "items": pair}}
    return [
        {"anyOf": [_form(needed, possible) for needed, possible in FORMS.values()]},
        {"properties": lists},
    ]


def _form(needed: tuple[str, ...], possible: tuple[str, ...]) -> Json:
    others = (key for key in DERIVED.keys if key not in (*needed, *possible))
    return {"allOf": [*map(_filled, needed), *_absent(others)]}


def _fall() -> list[Json]:
    """From one place to another or along a string, with a limit or two."""
    legs = {"allOf": [_filled("along"), *_absent(("from", "to"))]}
    ends = {"allOf": [_filled("from"), _filled("to"), *_absent(("along",))]}
    return [{"anyOf": [legs, ends]}, {"anyOf": [written("minimum"), written("maximum")]}]


def _limits() -> list[Json]:
    """A set for a route needs the route."""
    routed = [
        name
        for name, path in grade_sets().items()
        if any(limit.of != ANY for limit in read_grade_set(path).limits)
    ]
    of_route = {"required": ["set"], "properties": {"set": {"enum": routed}}}
    return [{"if": of_route, "then": written("along")}]


def _against() -> list[Json]:
    """A surface or a file, and no tolerance without a thickness; nothing at all is nothing."""
    other = {"oneOf": [_filled("surface"), _filled("file")]}
    thick = {"if": written("tolerance"), "then": written("thickness")}
    keys = ("surface", "file", "thickness", "tolerance")
    return [{"anyOf": [{"allOf": _absent(keys)}, {"allOf": [other, thick]}]}]


def _grid() -> list[Json]:
    return [{"not": {"allOf": [written("crs"), written("scale")]}}]


def _reference() -> list[Json]:
    air = {"allOf": [written("temperature"), written("pressure")]}
    return [{"anyOf": [written("refractivity"), air]}]


CONDITIONS: Mapping[str, Callable[[], list[Json]]] = {
    "": _job,
    "decisions": _decision,
    "decisions.exclude": _rows,
    "decisions.rename": _renamed,
    "decisions.set": _values,
    "derived": _derived,
    "falls": _fall,
    "surfaces.*.limits": _limits,
    "surfaces.*.against": _against,
    "grid": _grid,
    "instruments.*.reference": _reference,
}
"""Path of a mapping -> what makes its conditions."""
