"""What a person decided about the raw data, as written in job.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Decision:
    """One entry of ``decisions:``.

    ``verb`` is accept, exclude, set, rename or keep. ``finding`` is the id that
    accept and keep name. ``where`` selects rows by setup, point, line or kind
    (text as written); ``values`` holds what ``set`` sets (metres), ``to`` the new name
    of ``rename``. ``line`` is the entry's line in job.yaml.
    """

    verb: str
    finding: str
    where: Mapping[str, str]
    values: Mapping[str, float]
    to: str
    by: str
    reason: str
    line: int
