"""What a plan comes to, in the job's own units: four tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.adjust.ellipse import error_ellipse
from tieup.adjust.point_roles import point_roles
from tieup.model.arrays import FloatArray, TextArray
from tieup.model.job import Job
from tieup.model.plan import (
    Forecast,
    Plan,
)
from tieup.model.point_words import UNPLACED
from tieup.model.reconciliation import Table
from tieup.preanalysis.design_quality import sighted
from tieup.preanalysis.forecast import Outlook
from tieup.preanalysis.prospects import Bay
from tieup.preanalysis.reliability_class import joint_word, setup_words
from tieup.preanalysis.scheme import places_of
from tieup.results.job_units import in_angle_unit, small_unit
from tieup.results.plan_answer import answer_of, where_level
from tieup.units import length_factor


def forecast_of(
    job: Job, outlook: Outlook, run: Mapping[str, Any], to_settle: int, plan: Plan | None
) -> Forecast:
    """Return the forecast of a plan; ``run`` holds version and inputs.

    ``to_settle`` counts the findings to settle in what was shot; ``plan`` is None without one.
    """
    settings = {
        "tolerances": job.resolved.get("tolerances"),
        "confidence": job.confidence,
        "datum": job.datum.kind,
        "instruments": job.resolved.get("instruments"),
        "centring": job.resolved.get("centring"),
        "heights": job.resolved.get("heights"),
    }
    return Forecast(
        job=job,
        points=points_table(job, outlook),
        sights=sights_table(job, outlook),
        setups=setups_table(job, outlook),
        joints=joints_table(job, outlook),
        answer=answer_of(job, outlook, to_settle, plan.doubled if plan else ()),
        run={**run, "settings": settings},
    )


def points_table(job: Job, outlook: Outlook) -> Table:
    """Return every point that is sighted or occupied: how well it would be known."""
    length, adjustment, standing = (
        length_factor(job.length_unit),
        outlook.adjustment,
        outlook.state.standing,
    )
    rows = np.flatnonzero(sighted(adjustment) | standing.wanted)
    place = places_of(outlook.scheme, adjustment)[0][rows] / length
    covariance = adjustment.point_covariance[rows] / length**2
    level = np.isfinite(standing.spread[rows, 1])
    sd = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    ellipse = error_ellipse(covariance[:, :2, :2], confidence_factor(2, job.confidence))
    caught, hidden = outlook.caught_of_marks[rows] / length, outlook.prospects.marks
    names, limits = np.array(outlook.scheme.points, dtype=object)[rows], job.tolerances
    over = np.nan_to_num(standing.ratio[rows], nan=0.0).max(axis=1) > 1.0
    placed = standing.proof[rows] != UNPLACED
    return {
        "point": names,
        "northing": place[:, 0],
        "easting": place[:, 1],
        "elevation": place[:, 2],
        "role": point_roles(adjustment.problem.network)[rows],
        "proof": outlook.proof[rows],
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": np.where(level, sd[:, 2], np.nan),
        "ellipse_major": ellipse.semi_major,
        "ellipse_minor": ellipse.semi_minor,
        "ellipse_azimuth": in_angle_unit(ellipse.azimuth, job.angle_unit),
        "elevation_interval": standing.spread[rows, 1] / length,
        "limit_horizontal": np.full(len(rows), limits.horizontal / length),
        "limit_elevation": np.full(len(rows), limits.elevation / length),
        "caught_plan": _defined(caught[:, 0]),
        "caught_height": _defined(caught[:, 1]),
        **_two("unnoticed", where_level(hidden.before[rows], level) / length),
        **_two("hidden", where_level(hidden.after[rows], level) / length),
        "checked_share": np.where(placed, hidden.share[rows], np.nan),
        "setups": _setups_of(outlook)[rows],
        "verdict": np.where(over, "over", np.where(placed, "within", "")),
    }


def sights_table(job: Job, outlook: Outlook) -> Table:
    """Return every sight: precision, what mistake in it would be caught, what one would do."""
    length, network = length_factor(job.length_unit), outlook.adjustment.problem.network
    sights, found = network.sights, outlook.sights
    small, labels = small_unit(3), np.array(network.setup_labels, dtype=object)
    names = np.array(network.point_names, dtype=object)
    place, axis = places_of(outlook.scheme, outlook.adjustment)
    offset = place[sights.point, :2] - axis[sights.setup, :2]
    stations = np.array([*network.point_names, ""], dtype=object)[network.station]
    tie = {
        pair: number
        for number, pair in enumerate(
            zip(outlook.state.ties.setup.tolist(), outlook.state.ties.point.tolist(), strict=True)
        )
    }
    ends = zip(sights.setup.tolist(), sights.point.tolist(), strict=True)
    caught = np.vstack([outlook.caught, np.full((1, 2), np.inf)])
    caught = caught[[tie.get(pair, -1) for pair in ends]] / length
    table: dict[str, Any] = {
        "setup": labels[sights.setup],
        "station": stations[sights.setup],
        "point": names[sights.point],
        "source": np.where(outlook.planned, "planned", "shot").astype(object),
        "distance": np.hypot(offset[:, 0], offset[:, 1]) / length,
        "pointings": sights.count.max(axis=1, initial=0),
    }
    for prefix, values in (("sd", found.sd / small), ("redundancy", found.redundancy)):
        table |= _by_kind(prefix, values)
    table |= _by_kind("mdb", found.bias / small) | _by_kind("mdb_at_mark", found.at_mark * 1e3)
    return {
        **table,
        "moves_plan": found.moves[:, 0] * 1e3,
        "moves_height": found.moves[:, 1] * 1e3,
        "caught_plan": _defined(caught[:, 0]),
        "caught_height": _defined(caught[:, 1]),
    }


def _by_kind(prefix: str, values: FloatArray) -> dict[str, FloatArray]:
    return {
        f"{prefix}_{kind}": values[:, number]
        for number, kind in enumerate(("direction", "zenith", "distance"))
    }


def setups_table(job: Job, outlook: Outlook) -> Table:
    """Return every setup: where it stands, how well, and what it would catch."""
    length, network = length_factor(job.length_unit), outlook.adjustment.problem.network
    adjustment, geometry = outlook.adjustment, outlook.state.geometry
    axis = places_of(outlook.scheme, adjustment)[1] / length
    variance = np.diagonal(adjustment.setup_covariance, axis1=1, axis2=2)
    sd = np.sqrt(np.maximum(variance, 0.0))
    level = network.start.height_setup
    redundancy = np.zeros(len(axis))
    np.add.at(redundancy, adjustment.connections.setup, np.nansum(adjustment.redundancy, axis=1))
    bays, words = outlook.prospects.setups, setup_words(outlook.state, outlook.prospects)
    return {
        "setup": np.array(network.setup_labels, dtype=object),
        "station": np.array([*network.point_names, ""], dtype=object)[network.station],
        "northing": axis[:, 0],
        "easting": axis[:, 1],
        "elevation": axis[:, 2],
        "sd_northing": sd[:, 0] / length,
        "sd_easting": sd[:, 1] / length,
        "sd_elevation": np.where(level, sd[:, 2] / length, np.nan),
        "sd_orientation": in_angle_unit(sd[:, 3], job.angle_unit),
        "ties": np.bincount(outlook.state.ties.setup, minlength=len(axis)),
        "redundancy": redundancy,
        "geometry": np.array(outlook.state.words, dtype=object),
        "geometry_sd": np.array([g.sd for g in geometry]) * 1e3,
        **_bay_columns(outlook, bays, words, length),
    }


def joints_table(job: Job, outlook: Outlook) -> Table:
    """Return every joint between two setups: how well they would be known to each other there."""
    labels = np.array(outlook.adjustment.problem.network.setup_labels, dtype=object)
    found = outlook.prospects.joints
    pairs = np.array(sorted(found), dtype=np.int64).reshape(-1, 2)
    words = [joint_word(outlook.state, outlook.prospects, pair) for pair in sorted(found)]
    bays = [found[pair] for pair in sorted(found)]
    columns = _bay_columns(outlook, bays, words, length_factor(job.length_unit))
    del columns["used_at"]
    return {"first": labels[pairs[:, 0]], "second": labels[pairs[:, 1]], **columns}


def _bay_columns(
    outlook: Outlook, bays: Sequence[Bay | None], words: Sequence[str], length: float
) -> dict[str, Any]:
    """Return the columns of what setups or joints would prove where they are used."""
    places = [
        outlook.scheme.points[bay.use.point] if bay is not None and bay.use.point >= 0 else ""
        for bay in bays
    ]
    nothing = np.full(2, np.nan)
    sizes = {
        name: np.array([nothing if b is None else getattr(b, part) for b in bays]).reshape(-1, 2)
        for name, part in (("known", "known"), ("unnoticed", "before"), ("hidden", "after"))
    }
    columns: dict[str, Any] = {"used_at": np.array(places, dtype=object)}
    for name, values in sizes.items():
        columns |= _two(name, values / length)
    columns["tie_share"] = np.array([np.nan if bay is None else bay.share for bay in bays])
    columns["verdict"] = np.array(words, dtype=object)
    return columns


def _two(name: str, values: FloatArray) -> dict[str, FloatArray]:
    """Return the columns in plan and in height of ``values`` (n, 2)."""
    return {
        f"{name}_{part}": _defined(values[:, column])
        for column, part in enumerate(("horizontal", "elevation"))
    }


def _setups_of(outlook: Outlook) -> TextArray:
    """Return the labels of the setups that sight each point (P,)."""
    network = outlook.adjustment.problem.network
    labels: list[dict[str, None]] = [{} for _ in network.point_names]
    for setup, point in zip(
        network.sights.setup.tolist(), network.sights.point.tolist(), strict=True
    ):
        labels[point].setdefault(network.setup_labels[setup])
    return np.array([" ".join(sorted(names)) for names in labels], dtype=object)


def _defined(values: FloatArray) -> FloatArray:
    """Return values with NaN in place of infinity: nothing would be caught."""
    return np.where(np.isfinite(values), values, np.nan)
