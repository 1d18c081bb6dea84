"""setups.csv and ties.csv: how each setup stands and whether its marks tie."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.proof.certainty import spread_factor
from tieup.geometry import wrap_full
from tieup.model.answer import TieAnswer
from tieup.model.arrays import FloatArray
from tieup.model.reconciliation import Table
from tieup.results.job_units import in_angle_unit
from tieup.results.site import Site
from tieup.units import length_factor


def ties_table(site: Site) -> Table:
    """Return the ties table, by point and setup."""
    ties, length = site.ties, length_factor(site.job.length_unit)
    names = np.array(site.case.points, dtype=object)
    labels = np.array([setup.label for setup in site.case.setups], dtype=object)
    d, sd = ties.difference / length, ties.sd / length
    limits = site.job.tolerances
    count = len(ties.point)
    return {
        "point": names[ties.point],
        "setup": labels[ties.setup],
        "d_northing": d[:, 0],
        "d_easting": d[:, 1],
        "d_elevation": d[:, 2],
        "d_horizontal": ties.plan / length,
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "sd_horizontal": ties.plan_sd / length,
        "limit_horizontal": np.full(count, limits.horizontal / length),
        "limit_elevation": np.full(count, limits.elevation / length),
        "verdict": site.judgement.verdict,
        "judgement": site.judgement.words,
    }


def setups_table(site: Site, answer: TieAnswer) -> Table:
    """Return the setups table in the order of the field books, with the verdicts of ``answer``."""
    length, unit = length_factor(site.job.length_unit), site.job.angle_unit
    place = _place(site) / length
    variance = _variance(site)
    sd = np.sqrt(np.maximum(variance, 0.0))  # 0 give or take rounding where the frame holds it
    freedom = site.proven.certainty.setup
    plan, up = spread_factor(freedom[:, 0], 2), spread_factor(freedom[:, 1], 1)
    sd *= np.column_stack([plan, plan, up, plan])
    height_open = np.isnan(place[:, 2])
    no_circle = ~site.adjustment.problem.turned
    sd[no_circle, 3] = np.nan
    counts = np.bincount(site.ties.setup, minlength=len(site.case.setups))
    return {
        "setup": np.array([setup.label for setup in site.case.setups], dtype=object),
        "station": np.array([setup.station for setup in site.case.setups], dtype=object),
        "northing": place[:, 0],
        "easting": place[:, 1],
        "elevation": place[:, 2],
        "orientation": in_angle_unit(
            wrapped(np.where(no_circle, np.nan, site.adjustment.orientation)), unit
        ),
        "sd_northing": sd[:, 0] / length,
        "sd_easting": sd[:, 1] / length,
        "sd_elevation": np.where(height_open, np.nan, sd[:, 2] / length),
        "sd_orientation": in_angle_unit(sd[:, 3], unit),
        "ties": counts,
        "redundancy": _redundancy(site),
        "geometry": np.array([g.word for g in site.geometry], dtype=object),
        "geometry_sd": np.array([g.sd for g in site.geometry]) * 1000.0,
        "verdict": np.array([part.verdict for part in answer.setups], dtype=object),
    }


def _place(site: Site) -> FloatArray:
    """Return the trunnion axis of free setups, the mark below of occupied ones (S, 3)."""
    place = site.axis
    station = site.solved.network.station
    over = np.flatnonzero(station >= 0)
    place[over] = site.position[station[over]]
    return place


def _variance(site: Site) -> FloatArray:
    """Return the variances (S, 4) of what stands in the row: the mark's where one is occupied."""
    variance = np.diagonal(site.adjustment.setup_covariance, axis1=1, axis2=2).copy()
    station = site.solved.network.station
    over = np.flatnonzero(station >= 0)
    marks = np.diagonal(site.adjustment.point_covariance, axis1=1, axis2=2)
    variance[over, :3] = marks[station[over]]
    return variance


def _redundancy(site: Site) -> FloatArray:
    """Return the sum of redundancy numbers of each setup's observations, plumb line included."""
    total = np.zeros(len(site.case.setups))
    adjustment = site.adjustment
    np.add.at(total, adjustment.connections.setup, np.nansum(adjustment.redundancy, axis=1))
    return np.where(np.isnan(adjustment.axis[:, 0]), np.nan, total)


def wrapped(angle: FloatArray) -> FloatArray:
    """Bring angles (rad) into the full circle, keeping NaN."""
    return np.where(np.isnan(angle), np.nan, wrap_full(np.nan_to_num(angle)))
