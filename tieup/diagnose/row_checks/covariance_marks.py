"""Marks of a covariance file that the control list does not have: they take no part."""

from __future__ import annotations

from collections.abc import Iterator

from tieup.model.control import Control
from tieup.model.finding import Finding
from tieup.model.finding_kinds import CONTROL_COVARIANCE
from tieup.sentences import counted, listed

NAMED = 5  # marks written out


def covariance_findings(control: Control | None) -> Iterator[Finding]:
    """Give one finding for all marks that are only in the covariance file."""
    if control is None or not control.unlisted:
        return
    count = counted(len(control.unlisted), "mark")
    yield CONTROL_COVARIANCE.found(
        points=control.unlisted,
        says=f"{control.from_file} speaks of {count} that {control.file} does not list "
        f"({listed(control.unlisted, NAMED)}): what it says of them is not used.",
        confirm="Look whether these marks were left out of the list on purpose.",
        cure=f"Nothing to do if so; else add them to {control.file}.",
    )
