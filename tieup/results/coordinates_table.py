"""coordinates.csv: every point and station of the site, with its proof."""

from __future__ import annotations

import numpy as np

from tieup.adjust.ellipse import error_ellipse
from tieup.adjust.point_roles import point_roles
from tieup.adjust.problem import levelled_only
from tieup.diagnose.basis.solve import setting_error, standing_marks
from tieup.diagnose.proof.certainty import ellipse_factor, interval_factor, spread_factor
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.job import Job
from tieup.model.point_words import CHECKED, DISPUTED, HELD, SHOT, STATION, UNCHECKED, UNPLACED
from tieup.model.reconciliation import Table
from tieup.model.strings import string_names
from tieup.results.job_units import in_angle_unit
from tieup.results.site import Site
from tieup.units import length_factor


def coordinates_table(site: Site) -> Table:
    """Return the coordinates table: marks and shot points first, then free stations."""
    points = np.arange(len(site.case.points))
    free = np.array(
        [s for s, setup in enumerate(site.case.setups) if not setup.station], dtype=np.int64
    )
    length = length_factor(site.job.length_unit)
    place = np.concatenate([site.position, site.axis[free]])
    covariance = np.concatenate(
        [
            site.adjustment.point_covariance,
            site.adjustment.setup_covariance[free][:, :3, :3],
        ]
    )
    certainty = site.proven.certainty
    freedom = np.concatenate([certainty.point, certainty.setup[free]])
    _set_down(site, place, covariance)
    _between(site, place, covariance)
    position = place / length
    hidden = _hidden(site, free)
    shown = np.where(np.isnan(place[:, [0, 2]]), np.nan, hidden) / length
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
        "role": np.concatenate(
            [point_roles(site.solved.network), np.full(len(free), STATION, dtype=object)]
        ),
        "proof": _proofs(site, free, hidden),
        "hidden_horizontal": np.where(np.isfinite(shown[:, 0]), shown[:, 0], np.nan),
        "hidden_elevation": np.where(np.isfinite(shown[:, 1]), shown[:, 1], np.nan),
        **spread_columns(place, covariance, site.job, freedom),
        "setups": np.concatenate([_setups(site), labels]),
        "flags": np.concatenate(
            [
                np.array([site.flags.get(name, "") for name in site.case.points], dtype=object),
                np.array([site.flags.get(name, "") for name in labels], dtype=object),
            ]
        ),
    }


def spread_columns(
    position: FloatArray, covariance: FloatArray, job: Job, freedom: FloatArray
) -> Table:
    """Return the columns of sds and ellipses of points, in the job's units.

    ``position`` (n, 3) in m; where a height is NaN so is what belongs to it. ``covariance``
    (n, 3, 3) in m^2, ``freedom`` (n, 2) the degrees to which its plan and its height are known.
    """
    length = length_factor(job.length_unit)
    covariance = covariance / (length * length)
    covariance[np.isnan(position[:, 2])] *= _plan_only()
    plan, height = freedom.T
    wider = np.column_stack([*[spread_factor(plan, 2)] * 2, spread_factor(height, 1)])
    covariance = covariance * wider[:, :, None] * wider[:, None, :]
    # The frame's own mark has a variance of 0, give or take rounding.
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    factor = ellipse_factor(plan, job.confidence)
    ellipse = error_ellipse(covariance[:, :2, :2], 1.0)
    return {
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "ellipse_major": ellipse.semi_major * factor,
        "ellipse_minor": ellipse.semi_minor * factor,
        "ellipse_azimuth": in_angle_unit(ellipse.azimuth, job.angle_unit),
        "elevation_interval": sd[:, 2] * interval_factor(height, job.confidence),
    }


def hidden_nothing(count: int) -> Table:
    """Return the columns of hidden mistakes for points of which nothing is known."""
    nothing = np.full(count, np.nan)
    return {"hidden_horizontal": nothing, "hidden_elevation": nothing}


def _set_down(site: Site, place: FloatArray, covariance: FloatArray) -> None:
    """Bring targets that stand all day down to their marks: one setting error more.

    A mark with held coordinates keeps them.
    """
    network, precision = site.solved.network, site.case.precision
    stands = np.flatnonzero(standing_marks(network, precision))
    if not len(stands):
        return
    own = np.diag(setting_error(precision) ** 2)
    covariance[stands] += own
    control = site.case.control
    for number in stands.tolist() if control is not None else ():
        name = network.point_names[number]
        if control is None or name not in control.names:
            continue
        row = control.names.index(name)
        held = np.isfinite(control.coordinates[row]) & (control.sd[row] == 0)
        place[number, held] = control.coordinates[row, held]
        covariance[number][held] = covariance[number][:, held] = 0.0


def _between(site: Site, place: FloatArray, covariance: FloatArray) -> None:
    """Put disputed points in the middle of their stories, with sds that cover them all.

    What one of the stories leaves untold has no value: by that one it is wrong, and nobody knows
    by how much.
    """
    for dispute in site.disputes:
        number = site.case.points.index(dispute.point)
        middle, variance = dispute.middle()
        place[number] = middle
        covariance[number] = np.diag(variance)


def _hidden(site: Site, free: IntArray) -> FloatArray:
    """Return what an unnoticed mistake could do to points and free stations (n, 2) in m."""
    points = len(site.case.points)
    rows = np.concatenate([np.arange(points), points + free])
    hidden: FloatArray = site.proven.hidden[rows].copy()
    hidden[:points][levelled_only(site.solved.network), 0] = 0.0
    flat = ~site.solved.network.start.height_point
    hidden[:points][flat, 1] = 0.0
    return hidden


def _plan_only() -> FloatArray:
    """Return a mask that makes every height term undefined."""
    mask = np.ones((3, 3))
    mask[2, :] = mask[:, 2] = np.nan
    return mask


def _codes(site: Site) -> tuple[TextArray, TextArray]:
    """Return code and name of the string of each point: those of its first shot that has one."""
    shots = site.case.shots
    columns = []
    for texts in (shots.code, string_names(shots)):
        value = np.full(len(site.case.points), "", dtype=object)
        given = np.flatnonzero(texts != "")[::-1]
        value[shots.point[given]] = texts[given]
        columns.append(value)
    return columns[0], columns[1]


def lasting_marks(site: Site) -> IntArray:
    """Return the marks that are more than shot points: control, ties, stations."""
    return np.flatnonzero(point_roles(site.solved.network) != SHOT)


def _proofs(site: Site, free: IntArray, hidden: FloatArray) -> TextArray:
    """Say of each point whether it is held, checked, unchecked or disputed.

    Checked is what no unnoticed mistake could have moved by more than the tolerance.
    """
    network, adjustment = site.solved.network, site.adjustment
    limits = site.job.tolerances
    points = len(network.point_names)
    within = (hidden[:, 0] <= limits.horizontal) & (hidden[:, 1] <= limits.elevation)
    proof = np.full(len(within), UNCHECKED, dtype=object)
    proof[within] = CHECKED
    given = np.isfinite(adjustment.problem.frame.control)
    stands = standing_marks(network, site.case.precision)
    held = (adjustment.problem.held_point | stands[:, None]) & given
    proof[:points][held.any(axis=1)] = HELD
    proof[:points][np.isnan(adjustment.position).all(axis=1)] = UNPLACED
    proof[points:][np.isnan(adjustment.axis[free, 0])] = UNPLACED
    proof[_carried_over(site)] = UNCHECKED
    if site.job.datum.kind == "control" and site.case.datum.kind == "local":
        proof[proof == CHECKED] = UNCHECKED  # laid on two marks of which one is doubted
    disputed = [site.case.points.index(name) for name in site.disputed]
    proof[disputed] = DISPUTED
    return proof


def _carried_over(site: Site) -> list[int]:
    """Return the marks of another job that nothing checked there, and that nothing here sights."""
    control, shots, network = site.case.given, site.case.shots, site.solved.network
    if control is None:
        return []
    seen = {*shots.point[site.case.use.any(axis=1)].tolist(), *network.station.tolist()}
    seen |= {*network.links.start.tolist(), *network.links.end.tolist()}
    numbers = {name: number for number, name in enumerate(network.point_names)}
    return [numbers[mark] for mark in control.unproved if numbers[mark] not in seen]


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
