"""A finished solution as a scheme: what was sighted from where, and where everything stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.solve import Solved, without_gross
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.network import Network
from tieup.preanalysis.scheme import Scheme


def scheme_of(solved: Solved) -> Scheme:
    """Return the scheme of a solution: what was found wrong is left out of it."""
    network, adjustment = without_gross(solved.network), solved.adjustment
    return Scheme(
        setups=_setups(solved, network),
        points=network.point_names,
        sights=network.sights,
        control=_control(solved.case.control, network),
        links=network.links,
        datum=solved.case.datum,
        precision=solved.case.precision,
        refraction=solved.case.refraction,
        axis=adjustment.axis + network.origin,
        orientation=adjustment.orientation,
        place=adjustment.position + network.origin,
    )


def _setups(solved: Solved, network: Network) -> tuple[Setup, ...]:
    """Return the setups; one whose mark was found wrong is free."""
    return tuple(
        replace(setup, station="", instrument_height=0.0)
        if setup.station and station < 0
        else replace(setup, instrument_height=height)
        for setup, station, height in zip(
            solved.case.setups,
            network.station.tolist(),
            network.instrument_height.tolist(),
            strict=True,
        )
    )


def _control(control: Control | None, network: Network) -> Control | None:
    """Return control without the coordinates that were found wrong."""
    if control is None:
        return None
    number = {name: i for i, name in enumerate(network.point_names)}
    kept = np.isfinite(network.control[[number[name] for name in control.names]].reshape(-1, 3))
    return replace(control, coordinates=np.where(kept, control.coordinates, np.nan))
