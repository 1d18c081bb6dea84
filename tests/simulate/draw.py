"""Draw raw rows from a true site with the noise model of the handbook, section 1.

Errors drawn, each normal with the stated sd:

- one per setup over a mark: centring of the instrument (N, E) and its booked height;
- one per sight (setup x mark x booked target height), shared by all its pointings: centring
  of the target (N, E) and its booked height;
- one per pointing: direction, zenith angle, distance (a + b ppm);
- one per control coordinate.

Curvature and refraction: observed zenith = straight zenith + (1 - k) D / 2R. The formulas
are written out here, apart from those of the package they test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulate.layout import Layout
from tests.simulate.site import Site
from tests.simulate.survey import Survey, Truth
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.settings import Precision

EARTH_RADIUS = 6_371_000.0  # m
ARCSEC = np.pi / (180.0 * 3600.0)


def polar(sightline: FloatArray, refraction: float) -> FloatArray:
    """Return azimuth, observed zenith angle (rad), slope distance (m) of vectors (m, 3)."""
    north, east, up = sightline.T
    plan = np.hypot(north, east)
    bend = (1.0 - refraction) * plan / (2.0 * EARTH_RADIUS)
    return np.stack(
        [np.arctan2(east, north), np.arctan2(plan, up) + bend, np.hypot(plan, up)], axis=1
    )


def _axis(layout: Layout, precision: Precision, rng: np.random.Generator) -> FloatArray:
    sd = [precision.centring_instrument, precision.centring_instrument, precision.height_instrument]
    errors = rng.standard_normal(layout.axis.shape) * sd
    return layout.axis + np.where(layout.occupied[:, None], errors, 0.0)


def _prism(layout: Layout, precision: Precision, rng: np.random.Generator) -> FloatArray:
    sd = [precision.centring_target, precision.centring_target, precision.height_target]
    prism = layout.position[layout.sight_mark]
    prism[:, 2] += layout.sight_height
    return np.asarray(prism + rng.standard_normal(prism.shape) * sd)


def _pointing_noise(
    layout: Layout, precision: Precision, distance: FloatArray, rng: np.random.Generator
) -> FloatArray:
    gear = [precision.instruments[setup.instrument] for setup in layout.setups]
    sd = np.array([(g.direction, g.zenith, g.distance_constant, g.distance_ppm) for g in gear])
    sd = sd[layout.blank.setup]
    sd[:, 2] += sd[:, 3] * 1e-6 * distance
    return np.asarray(rng.standard_normal((len(distance), 3)) * sd[:, :3])


def _readings(layout: Layout, seen: FloatArray) -> FloatArray:
    """Turn azimuth, zenith angle, distance into what circle and instrument show in each face."""
    setup, reverse = layout.blank.setup, layout.blank.face == 2
    azimuth, zenith, distance = seen.T
    face = np.where(reverse, 1.0, -1.0)
    collimation = face * layout.collimation[setup] / np.sin(zenith)
    direction = azimuth - layout.orientation + np.where(reverse, np.pi, 0.0) + collimation
    circle = np.where(reverse, 2.0 * np.pi - zenith, zenith) + layout.index[setup]
    shown = distance - layout.blank.prism_constant
    return np.stack([direction, circle, shown], axis=1)


def _control(site: Site, rng: np.random.Generator) -> Control | None:
    layout = site.layout
    if not len(layout.control):
        return None
    errors = rng.standard_normal(layout.control_sd.shape) * layout.control_sd
    marks = [site.marks[i] for i in layout.control]
    return Control(
        file="control.csv",
        names=tuple(mark.name for mark in marks),
        coordinates=layout.position[layout.control] + errors,
        sd=layout.control_sd,
        line=np.arange(len(marks)) + 2,
        notes=tuple(mark.note for mark in marks),
    )


def simulate(site: Site, precision: Precision, rng: np.random.Generator) -> Survey:
    """Draw one survey of a site; the same generator state gives the same rows."""
    layout = site.layout
    control = _control(site, rng)
    axis = _axis(layout, precision, rng)
    prism = _prism(layout, precision, rng)
    sightline = prism[layout.sight] - axis[layout.blank.setup]
    seen = polar(sightline, site.refraction)
    shown = _readings(layout, seen) + _pointing_noise(layout, precision, seen[:, 2], rng)
    shown[:, :2] %= 2.0 * np.pi
    shown = np.where(layout.observed, shown, np.nan)
    return Survey(
        files=tuple(file.name for file in layout.files),
        setups=layout.setups,
        points=layout.points,
        shots=replace(
            layout.blank, direction=shown[:, 0], zenith=shown[:, 1], distance=shown[:, 2]
        ),
        aimed=layout.mark,
        sightline=sightline,
        control=control,
        truth=Truth(
            points=tuple(mark.name for mark in site.marks),
            position=layout.position,
            setups=tuple(setup.label for setup in layout.setups),
            axis=axis,
            orientation=layout.circle_zero,
        ),
        precision=precision,
        refraction=site.refraction,
    )
