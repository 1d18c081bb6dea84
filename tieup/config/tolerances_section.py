"""Find the tolerances of a job: a class that ships with the package, or limits of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tieup.config.value_kinds import Choice, Number, TextValue
from tieup.config.value_shapes import Section
from tieup.config.yaml_nodes import YamlReading, parse_yaml
from tieup.data import data_path
from tieup.errors import ConfigError, did_you_mean
from tieup.model.settings import Tolerances

LARGEST = 1.0  # m; no limit of a site is as wide

_LIMIT = Section(
    {
        "limit": Number(low=0.0, open_low=True, unit="m"),
        "source": TextValue(),
        "source_in_feet": TextValue(),
    },
    required=("limit", "source"),
)
_CLASS = Section(
    {
        "name": TextValue(),
        "use": TextValue(),
        "unit": Choice(("m",)),
        "horizontal": _LIMIT,
        "elevation": _LIMIT,
    },
    required=("name", "use", "unit", "horizontal", "elevation"),
)


def tolerance_classes() -> dict[str, Path]:
    """Return the classes that ship with the package, by name."""
    folder = data_path("configs") / "tolerances"
    return {path.stem: path for path in sorted(folder.glob("*.yaml"))}


def find_tolerances(
    stated: str | dict[str, Any], factor: float, reading: YamlReading
) -> Tolerances:
    """Return the tolerances in metres; note a class that does not exist.

    Parameters
    ----------
    stated
        The name of a class, or its limits in the job's length unit.
    factor
        Metres in the job's length unit.
    """
    if isinstance(stated, dict):
        for key, value in stated.items():
            if value is not None and value * factor > LARGEST:
                reading.note_key(
                    f"tolerances.{key}",
                    f"is {value:g}, in the job's length unit: nothing is built to that. "
                    f"If it is in mm, write {value * 0.001 / factor:.4g}",
                )
        limits = {key: value * factor for key, value in stated.items() if value is not None}
        return Tolerances(name="job", source="stated in job.yaml", **limits)
    classes = tolerance_classes()
    if stated in classes:
        return read_class(classes[stated], feet=factor != 1.0)
    hint = did_you_mean(stated, classes.keys())
    known = f"Expected {', '.join(classes)}, or {{horizontal: ..., elevation: ...}}"
    reading.note_key("tolerances", f'is "{stated}". {known}. {hint}'.rstrip(". "))
    return Tolerances()


def read_class(path: Path, *, feet: bool = False) -> Tolerances:
    """Read one class of tolerances; ``feet``: where it comes from is said in feet.

    Raises
    ------
    ConfigError
        The file cannot be read as a class of tolerances.
    """
    values = _content(path)
    plan, height = values["horizontal"], values["elevation"]
    return Tolerances(
        name=values["name"],
        horizontal=plan["limit"],
        elevation=height["limit"],
        source=f"horizontal: {_source(plan, feet)}; elevation: {_source(height, feet)}",
    )


def use_of_class(path: Path) -> str:
    """Return what a class of tolerances is for; raises as `read_class`."""
    return str(_content(path)["use"])


def _content(path: Path) -> dict[str, Any]:
    reading = YamlReading(path.name)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read ({error})") from error
    values: dict[str, Any] = _CLASS.read(parse_yaml(text, reading), "", reading)
    reading.raise_problems()
    return values


def _source(limit: dict[str, Any], feet: bool) -> str:
    return str((feet and limit["source_in_feet"]) or limit["source"])
