"""A mistake in a clause: what else the readings could mean, and what a bay is guarded against."""

from __future__ import annotations

from collections.abc import Sequence

from tieup.diagnose.hypotheses import Hypothesis
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.observations import KINDS

READINGS = {"direction": "direction", "zenith": "zenith angle", "distance": "distance"}


def clause(kind: str, setup: str, points: Sequence[str]) -> str:
    """Return what happened, as a clause.

    >>> clause("mark-moved", "", ("CP5",)), clause("target-height", "S2", ("CP4",))
    ('CP5 moved', 'the pole height from S2 to CP4 is wrong')
    """
    at, seen = _names(points), f"from {setup} to {_names(points)}"
    if kind in KINDS:
        return f"the {READINGS[kind]} {seen} is off"
    if kind in LINK_KINDS:
        return f"the {LINK_KINDS[kind].brief} {' to '.join(points)} is wrong"
    clauses = {
        "target-height": f"the pole height {seen} is wrong",
        "point-name": f"{setup} shot another mark than {at}",
        "backsight": f"{setup} shot another mark than {at}",
        "mark-moved": f"{at} moved",
        "control-coordinate": f"the listed coordinates of {at} are wrong",
        "instrument-height": f"the instrument height of {setup} is wrong",
        "station-name": f"{setup} stood beside {at}",
        "instrument-moved": f"{setup} was knocked",
        "instrument-settled": f"{setup} sank or turned",
        "setup-reused": f"{setup} was set up twice",
        "prism-constant": f"a prism constant{_in(setup)} is wrong",
        "distance-scale": f"the distances{_in(setup)} are off by a scale",
        "distance-unit": f"the distances{_in(setup)} are in another unit",
        "vertical-index": f"the vertical index{_in(setup)} is off",
        "swapped-names": f"{_names(points)} were swapped{_in(setup)}",
    }
    return clauses.get(kind, f"{kind.replace('-', ' ')}{_in(setup)}{f' at {at}' if at else ''}")


def thing(hypothesis: Hypothesis) -> str:
    """Return what could be wrong, as a noun with its place, for "a mistake in the ..."."""
    kind, setup, points = hypothesis.kind, hypothesis.setup, hypothesis.points
    seen = f"from {setup} to {_names(points)}"
    if kind in KINDS:
        return f"{READINGS[kind]} {seen}"
    if kind in LINK_KINDS:
        return f"{LINK_KINDS[kind].brief} {' to '.join(points)}"
    things = {
        "target-height": f"pole height {seen}",
        "point-name": f"shot {seen}",
        "mark-moved": f"place of {_names(points)}",
        "control-coordinate": f"listed coordinates of {_names(points)}",
        "instrument-height": f"instrument height of {setup}",
        "station-name": f"centring of {setup} over {_names(points)}",
        "instrument-moved": f"stand of {setup} (a knock)",
        "instrument-settled": f"stand of {setup} (legs that sink or turn)",
        "prism-constant": f"prism constant{_in(setup)}",
        "distance-scale": f"scale of the distances{_in(setup)}",
        "vertical-index": f"vertical index{_in(setup)}",
    }
    return things.get(kind, f"{kind.replace('-', ' ')}{_in(setup)}")


def _in(setup: str) -> str:
    return f" in {setup}" if setup else ""


def _names(points: Sequence[str]) -> str:
    if len(points) > 3:
        return f"{points[0]}, ..., {points[-1]}"
    return " and ".join(points)
