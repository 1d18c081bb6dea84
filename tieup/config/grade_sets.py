"""Read the sets of limits of grades that ship with the package, a source behind every number."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from tieup.config.value_kinds import Choice, Number, TextValue
from tieup.config.value_shapes import ListOf, Section
from tieup.config.yaml_nodes import YamlReading, parse_yaml
from tieup.data import data_path
from tieup.model.surfaces import GRADES_OF, GradeLimit

PER_CENT = 0.01
_PER_CENT = Number(low=0.0, high=1000.0, unit="per cent")
_SET = Section(
    {
        "name": TextValue(),
        "use": TextValue(),
        "limits": ListOf(
            Section(
                {
                    "id": TextValue(),
                    "of": Choice(GRADES_OF),
                    "minimum": _PER_CENT,
                    "maximum": _PER_CENT,
                    "source": TextValue(),
                },
                required=("id", "of", "source"),
                sparse=True,
            )
        ),
    },
    required=("name", "use", "limits"),
)


@dataclass(frozen=True)
class GradeSet:
    """A set of limits: its ``name``, what it is for, and the limits as ratios."""

    name: str
    use: str
    limits: tuple[GradeLimit, ...]


def grade_sets() -> dict[str, Path]:
    """Return the sets that ship with the package, by name."""
    return {path.stem: path for path in sorted((data_path("configs") / "grades").glob("*.yaml"))}


def read_grade_set(path: Path) -> GradeSet:
    """Read one set of limits of grades.

    Raises
    ------
    ConfigError
        The file cannot be read as one.
    """
    reading = YamlReading(path.name)
    values = _SET.read(parse_yaml(path.read_text(encoding="utf-8"), reading), "", reading)
    reading.raise_problems()
    limits = tuple(
        GradeLimit(
            id=limit["id"],
            of=limit["of"],
            minimum=limit.get("minimum", -math.inf) * PER_CENT,
            maximum=limit.get("maximum", math.inf) * PER_CENT,
            source=limit["source"],
        )
        for limit in values["limits"]
    )
    return GradeSet(values["name"], values["use"], limits)
