"""Read rule sets: the rules that work is held to, as data with a source behind every number."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from tieup.audit.raw_measures import MEASURES as RAW_MEASURES
from tieup.config.value_kinds import Choice, Number, TextValue
from tieup.config.value_shapes import Either, ListOf, Section
from tieup.config.yaml_nodes import YamlReading, parse_yaml
from tieup.data import data_path
from tieup.errors import ConfigError
from tieup.model.rules import Limit, Rule, RuleSet
from tieup.ties.rule_measures import MEASURES
from tieup.units import angle_factor, length_factor

UNITS = {
    "mm": length_factor("mm"),
    "m": 1.0,
    "ft": length_factor("ft"),
    "arcsec": angle_factor("deg") / 3600.0,
    "deg": angle_factor("deg"),
    "ppm": 1e-6,
    "ratio": 1.0,
    "sd": 1.0,
    "marks": 1.0,
    "pairs": 1.0,
    "count": 1.0,
}
AT_MOST, AT_LEAST = "at most", "at least"
_FROM_ZERO = Number(low=0.0)
_LIMIT = Either(
    _FROM_ZERO,
    Section(
        {
            "limit": _FROM_ZERO,
            "or_mm": Number(default=0.0, low=0.0, unit="mm at the target"),
            "plus_ppm": Number(default=0.0, low=0.0, unit="ppm of the distance"),
            "per_root": Choice(("stations",)),
        },
        required=("limit",),
    ),
)
RAW_DATA = "raw-data"


def _set(measures: Iterable[str]) -> Section:
    """Return what a rule set may hold whose rules name one of ``measures``."""
    rule = Section(
        {
            "id": TextValue(),
            "says": TextValue(),
            "measures": Choice(tuple(measures)),
            "held": Choice((AT_MOST, AT_LEAST), default=AT_MOST),
            "unit": Choice(tuple(UNITS)),
            "warn": _LIMIT,
            "fail": _LIMIT,
            "source": TextValue(),
        },
        required=("id", "says", "measures", "unit", "source"),
    )
    return Section(
        {"name": TextValue(), "use": TextValue(), "rules": ListOf(rule)},
        required=("name", "use", "rules"),
    )


def rules_of(paths: Iterable[Path]) -> tuple[Rule, ...]:
    """Return the rules of every set that a job is held to.

    Raises
    ------
    ConfigError
        A file cannot be read as a rule set.
    """
    shipped, sets = data_path("configs"), []
    names: dict[str, Path] = {}
    for path in paths:
        if path.is_relative_to(shipped):
            sets.append(_shipped(path))
            continue
        own = read_rules(path)
        # Reading all that ship takes its time, and few jobs have rules of their own.
        names = names or {_shipped(p).name: p for p in sorted((shipped / "rules").glob("*.yaml"))}
        if (other := names.setdefault(own.name, path)) != path:
            raise ConfigError(
                f'{path.name}: name "{own.name}" is that of the rules in {other.name}. Give these '
                "a name of their own"
            )
        sets.append(own)
    return tuple(rule for found in sets for rule in found.rules)


@cache
def _shipped(path: Path) -> RuleSet:
    """Return a rule set that ships with the package; it is read once."""
    return read_rules(path)


def raw_data_rules(path: Path | None = None) -> RuleSet:
    """Return the rules that raw rows are held to, without a solution; by default those shipped.

    Raises
    ------
    ConfigError
        The file cannot be read as rules of raw rows.
    """
    shipped = data_path("configs") / "audit" / f"{RAW_DATA}.yaml"
    return read_rules(path or shipped, RAW_MEASURES)


def read_rules(path: Path, measures: Iterable[str] = MEASURES) -> RuleSet:
    """Read one rule set whose rules name one of ``measures``.

    Raises
    ------
    ConfigError
        The file cannot be read as a rule set; every problem of the file at once.
    """
    reading = YamlReading(path.name)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read ({error})") from error
    values = _set(measures).read(parse_yaml(text, reading), "", reading)
    seen: set[str] = set()
    for number, rule in enumerate(values["rules"], 1):
        place = f"rules {number}"
        if rule["warn"] is None and rule["fail"] is None:
            reading.note_key(place, "has neither warn nor fail. Expected one of them or both")
        if rule["id"] in seen:
            reading.note_key(place, f"has the id {rule['id']} of another rule. Expected a new one")
        seen.add(rule["id"])
    reading.raise_problems()
    rules = tuple(_rule(rule, values["name"]) for rule in values["rules"])
    return RuleSet(values["name"], values["use"], rules)


def _rule(values: dict[str, Any], of: str) -> Rule:
    factor = UNITS[values["unit"]]
    return Rule(
        id=values["id"],
        says=values["says"],
        measures=values["measures"],
        unit=values["unit"],
        factor=factor,
        at_least=values["held"] == AT_LEAST,
        warn=_limit(values["warn"], factor),
        fail=_limit(values["fail"], factor),
        source=values["source"],
        of=of,
    )


def _limit(value: float | dict[str, Any] | None, factor: float) -> Limit | None:
    """Return a limit in SI."""
    if value is None:
        return None
    if not isinstance(value, dict):
        return Limit(value * factor)
    return Limit(
        value["limit"] * factor,
        per_distance=value["plus_ppm"] * 1e-6,
        over_distance=value["or_mm"] * length_factor("mm"),
        per_root=value["per_root"] is not None,
    )
