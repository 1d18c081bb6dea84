"""What a person decided about the raw data, as written in job.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Decision:
    """One entry of ``decisions:``.

    ``verb`` is accept, exclude, set, rename or keep. ``finding`` is the id that
    accept and keep name. ``where`` selects rows by setup, point, string, line or
    kind (text as written); ``values`` holds the numbers that ``set`` sets (instrument_height,
    target_height and prism_constant in metres, face 1 or 2), ``texts`` the names it sets
    (station). ``to`` is the new name of ``rename``, ``line`` the entry's line in job.yaml.
    """

    verb: str
    finding: str
    where: Mapping[str, str]
    values: Mapping[str, float]
    to: str
    by: str
    reason: str
    line: int
    texts: Mapping[str, str] = field(default_factory=dict)

    @property
    def settings(self) -> Mapping[str, float | str]:
        """Return everything that ``set`` sets, numbers and names."""
        return {**self.values, **self.texts}
