"""The sites of the Monte-Carlo tests: every way to set up, to hold the frame, to point."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np

from tests.montecarlo.stack import Stack, adjust_draws
from tests.simulate import InstrumentFault, Site, random_site
from tests.simulate.scenery import ControlKind, Kind, Spread
from tieup.geometry import ARC_SECOND
from tieup.model.settings import Instrument, Precision

DRAWS = 3000
PRECISION = Precision(
    instruments={"default": Instrument(3.0 * ARC_SECOND, 4.0 * ARC_SECOND, 0.0015, 3.0)},
    centring_instrument=0.0008,
    centring_target=0.0011,
    height_instrument=0.0012,
    height_target=0.0009,
)
"""No two alike, and none negligible on sights of 10 to 40 m: a wrong one shows."""


@dataclass(frozen=True)
class Setting:
    """A kind of site, and whether its control holds the frame or only names its marks."""

    kind: Kind
    control: ControlKind
    free: bool = False
    spread: Spread = "strong"

    def __str__(self) -> str:
        frame = "minimal frame" if self.free else self.control
        return f"{self.kind} setups, {frame}" + (", weak" if self.spread == "weak" else "")


SETTINGS = (
    Setting("free", "held"),
    Setting("occupied", "held"),
    Setting("mixed", "weighted"),
    Setting("free", "weighted", spread="weak"),
    Setting("free", "none", free=True),
    Setting("occupied", "none", free=True),
    Setting("mixed", "held", free=True),
)


@cache
def site_of(setting: Setting) -> Site:
    """Return the site of a setting: three setups with four ties and three side shots each."""
    return random_site(
        np.random.default_rng(20),
        setups=3,
        kind=setting.kind,
        control=setting.control,
        spread=setting.spread,
        side_shots=3,
    )


@lru_cache(maxsize=1)
def draws_of(setting: Setting) -> tuple[Stack, ...]:
    """Return the adjusted draws of a setting, the last one asked for kept."""
    number = SETTINGS.index(setting)
    return tuple(adjust_draws(site_of(setting), PRECISION, number, DRAWS, free=setting.free))


def one_face(site: Site) -> Site:
    """Return the site with every mark shot in face 1 only."""
    setups = (
        replace(plan, aims=tuple(aim for aim in plan.aims if aim.face == 1)) for plan in site.setups
    )
    return replace(site, setups=tuple(setups))


def three_rounds(site: Site, turn: float) -> Site:
    """Return the site with its marks shot in three rounds, the circle turned by ``turn`` rad."""
    setups = []
    for plan in site.setups:
        marks = tuple(aim for aim in plan.aims if aim.role != "side")
        later = tuple(replace(aim, round=number) for number in (2, 3) for aim in marks)
        setups.append(replace(plan, aims=(*plan.aims, *later), circle_turn=turn))
    return replace(site, setups=tuple(setups))


def skewed(site: Site) -> Site:
    """Return the site shot with an instrument of 12" collimation and -9" vertical index."""
    fault = InstrumentFault(collimation=12.0 * ARC_SECOND, index=-9.0 * ARC_SECOND)
    return replace(site, faults={"default": fault})
