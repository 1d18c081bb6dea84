"""Words in the column ``role`` that are none: they say nothing of their rows, and that is said."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.diagnose.basis.row_lines import lines_of, some
from tieup.model.fieldbook import ROLES, Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import UNKNOWN_ROLE


def role_findings(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for all words that are no role."""
    role = fieldbook.shots.role
    rows = np.flatnonzero(~np.isin(role, ("", *ROLES)))
    if not len(rows):
        return
    words = list(dict.fromkeys(role[rows].tolist()))
    count = "1 row" if len(rows) == 1 else f"{len(rows)} rows"
    yield UNKNOWN_ROLE.found(
        lines=lines_of(fieldbook, rows),
        says=f"The role of {count} is {some(words)}, which is none of {', '.join(ROLES)}: what "
        "these rows were meant for is not known, and they are taken like rows without a role.",
        confirm="Ask the crew what the word means.",
        cure=f"Say so in job.yaml: words: {{role: {{{words[0]}: backsight}}}}, or the like.",
    )
