"""Marks whose target stands untouched all day: what job.yaml says of them, held to the job."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from tieup.config.value_shapes import EVERY
from tieup.config.yaml_nodes import YamlReading
from tieup.errors import ConfigError, did_you_mean
from tieup.model.job import Job


def read_standing(value: Any, reading: YamlReading) -> dict[str, Any]:
    """Turn ``standing:``, the word ``all`` or a list of marks, into what `Job` carries of it.

    A mark that is named twice, or an empty name, is noted.
    """
    names = value if isinstance(value, list) else []
    for number, name in enumerate(names, 1):
        if name == "":
            reading.note_key(f"standing {number}", "is empty. Expected the name of a mark")
        elif name in names[: number - 1] and name is not None:
            reading.note_key(f"standing {number}", f"is {name}, which is there already")
    return {
        "standing": frozenset(name for name in names if name),
        "standing_all": value == EVERY,
        "standing_line": reading.lines.get("standing", 1),
    }


def refuse_unknown_standing(job: Job, points: Collection[str]) -> None:
    """Raise ConfigError where a standing mark is none of the job's; every problem at once."""
    told = (
        f"job.yaml:{job.standing_line}: standing names {name}, and the job has no such mark. "
        f"{did_you_mean(name, points) or 'Look in the raw files and in control'}"
        for name in sorted(job.standing - {*points})
    )
    if problems := tuple(told):
        raise ConfigError(*problems)
