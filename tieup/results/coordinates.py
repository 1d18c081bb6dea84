"""coordinates.csv: every point and station of the site, with its proof."""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.adjust.ellipse import error_ellipse
from tieup.adjust.problem import levelled_only
from tieup.adjust.solution import UNCHECKED
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.job import Job
from tieup.model.reconciliation import Table
from tieup.results.levels import checked_by_links
from tieup.results.site import Site
from tieup.results.units import in_angle_unit
from tieup.units import length_factor

PROVED = 0.02  # share of a mistake that must show in the residuals to call a point checked


def coordinates_table(site: Site) -> Table:
    """Return the coordinates table: marks and shot points first, then free stations."""
    points = np.arange(len(site.case.points))
    free = np.array(
        [s for s, setup in enumerate(site.case.setups) if not setup.station], dtype=np.int64
    )
    length = length_factor(site.job.length_unit)
    place = np.concatenate([site.position, site.axis[free]])
    position = place / length
    covariance = np.concatenate(
        [
            site.adjustment.point_covariance,
            site.adjustment.setup_covariance[free][:, :3, :3],
        ]
    )
    code, string = _codes(site)
    blank = np.full(len(free), "", dtype=object)
    labels = np.array([site.case.setups[s].label for s in free], dtype=object)
    return {
        "point": np.concatenate([np.array(site.case.points, dtype=object)[points], labels]),
        "northing": position[:, 0],
        "easting": position[:, 1],
        "elevation": position[:, 2],
        "code": np.concatenate([code, blank]),
        "string": np.concatenate([string, blank]),
        "role": np.concatenate([_roles(site), np.full(len(free), "station", dtype=object)]),
        "proof": np.concatenate([_proofs(site), _station_proofs(site, free)]),
        **spread_columns(place, covariance, site.job),
        "setups": np.concatenate([_setups(site), labels]),
        "flags": np.concatenate(
            [
                np.array([site.flags.get(name, "") for name in site.case.points], dtype=object),
                np.array([site.flags.get(name, "") for name in labels], dtype=object),
            ]
        ),
    }


def spread_columns(position: FloatArray, covariance: FloatArray, job: Job) -> Table:
    """Return the columns of sds and ellipses of points, in the job's units.

    ``position`` (n, 3) in m; where a height is NaN so is what belongs to it. ``covariance``
    (n, 3, 3) in m^2.
    """
    length = length_factor(job.length_unit)
    covariance = covariance / (length * length)
    covariance[np.isnan(position[:, 2])] *= _plan_only()
    # The frame's own mark has a variance of 0, give or take rounding.
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    ellipse = error_ellipse(covariance[:, :2, :2], confidence_factor(2, job.confidence))
    return {
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "ellipse_major": ellipse.semi_major,
        "ellipse_minor": ellipse.semi_minor,
        "ellipse_azimuth": in_angle_unit(ellipse.azimuth, job.angle_unit),
        "elevation_interval": sd[:, 2] * confidence_factor(1, job.confidence),
    }


def _plan_only() -> FloatArray:
    """Return a mask that makes every height term undefined."""
    mask = np.ones((3, 3))
    mask[2, :] = mask[:, 2] = np.nan
    return mask


def _codes(site: Site) -> tuple[TextArray, TextArray]:
    """Return code and string of each point: those of its first shot that has one."""
    shots = site.case.shots
    columns = []
    for texts in (shots.code, shots.string):
        value = np.full(len(site.case.points), "", dtype=object)
        given = np.flatnonzero(texts != "")[::-1]
        value[shots.point[given]] = texts[given]
        columns.append(value)
    return columns[0], columns[1]


def _roles(site: Site) -> TextArray:
    network = site.solved.network
    role = np.full(len(network.point_names), "shot", dtype=object)
    role[np.bincount(site.visits[:, 0], minlength=len(role)) > 1] = "tie"
    occupied = network.station[network.station >= 0]
    role[occupied] = "station"
    role[levelled_only(network)] = "tie"
    role[np.isfinite(network.control).any(axis=1)] = "control"
    return role


def _proofs(site: Site) -> TextArray:
    """Say of each point whether it is held, checked, or nothing would catch a mistake in it."""
    network, adjustment = site.solved.network, site.adjustment
    held = adjustment.problem.held_point & np.isfinite(adjustment.problem.frame.control)
    proof = np.full(len(network.point_names), "unchecked", dtype=object)
    proof[_checked(site)] = "checked"
    proof[held.any(axis=1)] = "held"
    proof[np.isnan(adjustment.position).all(axis=1)] = ""
    return proof


def _checked(site: Site) -> BoolArray:
    """Return the mask (P,) of points where a wrong sight would show in plan and in height."""
    adjustment = site.adjustment
    checked = np.zeros(len(adjustment.position), dtype=bool)
    connections = adjustment.connections
    observed = np.isfinite(adjustment.redundancy)
    plan = np.where(observed, adjustment.redundancy, 0.0)[:, [0, 2]].max(axis=1)
    height = np.where(observed[:, 1], adjustment.redundancy[:, 1], np.inf)
    weighted = np.nan_to_num(adjustment.control_redundancy).max(axis=1) > PROVED
    good = (plan > PROVED) & (height > PROVED) & ~connections.plumb
    checked[connections.point[good]] = True
    return np.asarray(checked | weighted | checked_by_links(site, PROVED))


def _station_proofs(site: Site, free: IntArray) -> TextArray:
    """Return the proof of free stations: checked where more is sighted than it needs."""
    adjustment = site.adjustment
    spare = np.zeros(len(site.case.setups))
    np.add.at(spare, adjustment.connections.setup, np.nansum(adjustment.redundancy, axis=1))
    proof = np.where(spare > max(PROVED, UNCHECKED), "checked", "unchecked").astype(object)
    proof[np.isnan(adjustment.axis[:, 0])] = ""
    return proof[free]


def _setups(site: Site) -> TextArray:
    labels = np.array([setup.label for setup in site.case.setups], dtype=object)
    point, setup = site.visits.T
    first = np.searchsorted(point, np.arange(len(site.case.points) + 1))
    several = np.flatnonzero(np.diff(first) > 1)
    texts = np.full(len(site.case.points), "", dtype=object)
    texts[point] = labels[setup]
    for p in several.tolist():
        texts[p] = " ".join(labels[setup[first[p] : first[p + 1]]])
    return texts
