"""The settings of the invented days by name; several are joined by a plus: small+gear-2."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tests.bench.days import World

SETTINGS: Mapping[str, Mapping[str, Any]] = {
    "stated": {},
    "carried": {"layout": "carried"},
    "small": {"layout": "small"},
    "large": {"layout": "large"},
    "three-marks": {"layout": "three-marks"},
    "100-m": {"layout": "100-m"},
    "500-m": {"layout": "500-m"},
    "2-km": {"layout": "2-km"},
    "5-km": {"layout": "5-km"},
    "fine": {"fine": 3.0},
    "closing-reset": {"looks": "closing"},
    "closing-standing": {"looks": "closing", "standing": True},
    "closing-far-reset": {"looks": "closing-far"},
    "closing-far-standing": {"looks": "closing-far", "standing": True},
    "rounds-reset": {"looks": "rounds"},
    "rounds-standing": {"looks": "rounds", "standing": True},
    "faces-reset": {"looks": "faces"},
    "faces-one-visit": {"looks": "faces", "standing": True},
    "tripods": {"tripods": True},
    "gear-1.5": {"gear": 1.5},
    "gear-2": {"gear": 2.0},
    "gear-3": {"gear": 3.0},
    "pole-3": {"pole": 3.0},
    "t4": {"heavy": True},
    "ppm-12": {"ppm": 12.0},
    "index-8": {"index": 8.0},
    "lean-1.5": {"lean": 1.5e-3},
    "rounded": {"rounded": True},
    "refraction-0": {"refraction": 0.0},
    "refraction-0.25": {"refraction": 0.25},
    "free": {"free": True},
    "control": {"free": False},
    "said": {"said": True},
}


def world_of(name: str) -> World:
    """Return the world of a setting, or of several joined by a plus.

    >>> world_of("small+gear-2").gear
    2.0
    """
    switches: dict[str, Any] = {}
    for part in name.split("+"):
        if part not in SETTINGS:
            raise KeyError(f"{part}: not one of {', '.join(SETTINGS)}")
        switches |= SETTINGS[part]
    return World(**switches)
