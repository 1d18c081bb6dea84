"""The schema of job.yaml as a JSON Schema (draft 2020-12), for editors and other programs.

It knows what each key may hold, which sets ship, and which keys of a section go together
(`tieup.explain.json_conditions`). Whether the files and marks that are named exist, only a run can
say.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache

from tieup.config.schema import SCHEMA
from tieup.config.value_kinds import (
    FLAGS,
    Choice,
    ColumnPlace,
    Count,
    Flag,
    Number,
    TextValue,
    ValueKind,
)
from tieup.config.value_shapes import EVERY, AllOr, Either, ListOf, Named, NumberList, Section
from tieup.explain.json_conditions import Json, conditions, shipped, written
from tieup.explain.pages import KEYS, named, rows
from tieup.explain.schema_keys import BY_COLUMN

DRAFT = "https://json-schema.org/draft/2020-12/schema"
SCALAR = ["string", "number", "boolean"]  # a point 101 is a name, and `yes` may be one


def job_schema() -> Json:
    """Return the schema; every key says what `tieup explain` says of it."""
    return {"$schema": DRAFT, "title": "job.yaml of tieup", **_section(SCHEMA, "")}


@cache
def _meanings() -> Mapping[str, str]:
    return {key: row[-1] for row in rows(KEYS) for key in named(row[0])}


def _section(section: Section, path: str) -> Json:
    """Return a mapping; a key that is written without a value counts as not written."""
    properties = {}
    for name, kind in section.keys.items():
        below = f"{path}.{'*' if path in BY_COLUMN else name}" if path else name
        held = _held(kind, below)
        if name not in section.required:
            held = {"anyOf": [held, {"type": "null"}]}
        says = _meanings().get(below)
        properties[name] = {**({"description": says} if says else {}), **held, **_default(kind)}
    found: Json = {"type": "object", "properties": properties, "additionalProperties": False}
    some = [{"anyOf": [written(key) for key in keys]} for keys in section.some_of]
    if together := [*some, *conditions(path)]:
        found["allOf"] = together
    return {**found, "required": list(section.required)} if section.required else found


def _default(kind: ValueKind) -> Json:
    value = kind.default if isinstance(kind, Number | Count | Flag | TextValue | Choice) else None
    return {} if value is None else {"default": value}


def _held(kind: ValueKind, path: str) -> Json:
    """Return what a value of a kind may be."""
    match kind:
        case Section():
            return _section(kind, path)
        case Named():
            return {"type": "object", "additionalProperties": _held(kind.section, f"{path}.*")}
        case ListOf():
            return {"type": "array", "items": _held(kind.kind, path)}
        case AllOr():
            return {"anyOf": [{"const": EVERY}, _held(kind.some, path)]}
        case Either():
            return {"anyOf": [_held(kind.short, path), _held(kind.long, path)]}
        case NumberList():
            parts = [_held(part, path) for part in kind.parts]
            return {"type": "array", "prefixItems": parts, "items": False, "minItems": len(parts)}
        case _:
            return shipped(path) or _scalar(kind)


def _scalar(kind: ValueKind) -> Json:
    match kind:
        case Number():
            ends = {
                "exclusiveMinimum" if kind.open_low else "minimum": kind.low,
                "exclusiveMaximum" if kind.open_high else "maximum": kind.high,
            }
            return {"type": "number", **{k: v for k, v in ends.items() if math.isfinite(v)}}
        case Count():
            return {"type": "integer", "minimum": kind.low, "maximum": kind.high}
        case Flag():
            return {"enum": [True, False, *FLAGS]}
        case Choice():
            words = list(kind.options)
            return {"enum": [*words, *(int(word) for word in words if word.isdigit())]}
        case ColumnPlace():
            return {"anyOf": [{"type": "string"}, {"type": "integer", "minimum": 1}]}
        case _:
            return {"type": SCALAR}
