"""What a plan comes to, in the job's own units: four tables and the answer in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.adjust.ellipse import error_ellipse
from tieup.adjust.point_roles import point_roles
from tieup.lengths import Lengths
from tieup.model.arrays import BoolArray, FloatArray, TextArray
from tieup.model.job import Job
from tieup.model.link_kinds import of_kind
from tieup.model.plan import (
    BayForecast,
    Forecast,
    JointForecast,
    MarkForecast,
    NextShot,
    Plan,
    PlanAnswer,
    SetupForecast,
)
from tieup.model.point_words import SHOT, UNPLACED
from tieup.model.reconciliation import Table
from tieup.preanalysis.design_quality import sighted
from tieup.preanalysis.forecast import Outlook
from tieup.preanalysis.prospects import Bay
from tieup.preanalysis.reliability_class import UNPROVED, joint_word, setup_words
from tieup.preanalysis.scheme import places_of
from tieup.results.job_units import in_angle_unit, small_unit
from tieup.results.plan_words import gains, joint_faults, mark_faults, setup_faults, setup_note
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
        **_two("unnoticed", _where_level(hidden.before[rows], level) / length),
        **_two("hidden", _where_level(hidden.after[rows], level) / length),
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


def _where_level(values: FloatArray, level: BoolArray) -> FloatArray:
    """Return ``values`` (n, 2) in plan and height, the heights only where there is one."""
    return np.column_stack([values[:, 0], np.where(level, values[:, 1], np.nan)])


def _two(name: str, values: FloatArray) -> dict[str, FloatArray]:
    """Return the columns in plan and in height of ``values`` (n, 2)."""
    return {
        f"{name}_{part}": _defined(values[:, column])
        for column, part in enumerate(("horizontal", "elevation"))
    }


def answer_of(job: Job, outlook: Outlook, to_settle: int, doubled: tuple[str, ...]) -> PlanAnswer:
    """Return the answer: what holds, what is weak, what to shoot next."""
    standing = outlook.state.standing
    marks, setups, joints = _marks(job, outlook), _setups(job, outlook), _joints(job, outlook)
    length = length_factor(job.length_unit)
    planned = outlook.planned
    basis = "shot" if not planned.any() else "planned" if planned.all() else "shot and planned"
    known = sighted(outlook.adjustment) & (point_roles(outlook.adjustment.problem.network) == SHOT)
    vector = of_kind(outlook.scheme.links.kind, "is_vector")
    return PlanAnswer(
        title=job.title,
        length_unit=job.length_unit,
        basis=basis,
        limits=job.tolerances,
        confidence=job.confidence,
        marks=marks,
        setups=setups,
        joints=joints,
        faults=_worst_first(marks, (*setups, *joints)),
        shots=_shots(job, outlook),
        untied=_untied(outlook),
        sights=len(planned),
        links=int((~vector).sum()),
        baselines=len(np.unique(outlook.scheme.links.booked[vector])),
        details=int((known & ~standing.wanted).sum()),
        reach=outlook.reach / length,
        to_settle=to_settle,
        doubled=doubled,
    )


def _marks(job: Job, outlook: Outlook) -> tuple[MarkForecast, ...]:
    """Return the marks of the plan, the weakest against its limit first."""
    standing, length = outlook.state.standing, length_factor(job.length_unit)
    role, caught = point_roles(outlook.adjustment.problem.network), outlook.caught_of_marks / length
    hidden = outlook.prospects.marks
    worst = np.nan_to_num(standing.ratio, nan=0.0).max(axis=1)
    placed = standing.proof != UNPLACED
    level = np.isfinite(standing.spread[:, 1])
    before, after = _where_level(hidden.before, level), _where_level(hidden.after, level)
    rows = np.flatnonzero(standing.wanted)
    rows = rows[np.lexsort((rows, -worst[rows], placed[rows]))]
    return tuple(
        MarkForecast(
            point=outlook.scheme.points[p],
            role=str(role[p]),
            proof=str(outlook.proof[p]),
            plan=float(standing.spread[p, 0]) / length,
            height=float(standing.spread[p, 1]) / length,
            caught_plan=float(caught[p, 0]),
            caught_height=float(caught[p, 1]),
            unnoticed_plan=float(before[p, 0]) / length,
            unnoticed_height=float(before[p, 1]) / length,
            hides_plan=float(after[p, 0]) / length,
            hides_height=float(after[p, 1]) / length,
            checked=float(hidden.share[p]),
            over=float(worst[p]),
            faults=mark_faults(outlook, p, job.tolerances, Lengths(job.length_unit)),
        )
        for p in rows.tolist()
    )


def _setups(job: Job, outlook: Outlook) -> tuple[SetupForecast, ...]:
    network, lengths = outlook.adjustment.problem.network, Lengths(job.length_unit)
    names = (*network.point_names, "")
    words = setup_words(outlook.state, outlook.prospects)
    return tuple(
        SetupForecast(
            setup=label,
            station=names[station],
            geometry=outlook.state.words[s],
            bay=_bay(outlook, outlook.prospects.setups[s], words[s], lengths),
            note=setup_note(outlook, s),
            faults=setup_faults(outlook, s, job.tolerances, lengths),
        )
        for s, (label, station) in enumerate(
            zip(network.setup_labels, network.station.tolist(), strict=True)
        )
    )


def _joints(job: Job, outlook: Outlook) -> tuple[JointForecast, ...]:
    labels, lengths = outlook.adjustment.problem.network.setup_labels, Lengths(job.length_unit)
    return tuple(
        JointForecast(
            first=labels[pair[0]],
            second=labels[pair[1]],
            bay=_bay(outlook, bay, joint_word(outlook.state, outlook.prospects, pair), lengths),
            faults=joint_faults(outlook, pair, job.tolerances, lengths),
        )
        for pair, bay in sorted(outlook.prospects.joints.items())
    )


def _bay(outlook: Outlook, bay: Bay | None, word: str, lengths: Lengths) -> BayForecast:
    sizes, share, point = np.full((3, 2), np.nan), float("nan"), -1
    if bay is not None:
        sizes = np.array([bay.known, bay.before, bay.after]) / length_factor(lengths.unit)
        level = outlook.adjustment.problem.network.start.height_setup[list(bay.use.setups)]
        sizes[:, 1] = np.where(level.all(), sizes[:, 1], np.nan)
        share, point = bay.share, bay.use.point
    return BayForecast(
        point=outlook.scheme.points[point] if point >= 0 else "",
        plan=float(sizes[0, 0]),
        height=float(sizes[0, 1]),
        unnoticed_plan=float(sizes[1, 0]),
        unnoticed_height=float(sizes[1, 1]),
        hides_plan=float(sizes[2, 0]),
        hides_height=float(sizes[2, 1]),
        tie=share,
        verdict=word,
    )


def _worst_first(
    marks: tuple[MarkForecast, ...], bays: tuple[SetupForecast | JointForecast, ...]
) -> tuple[str, ...]:
    """Return all faults: marks beyond a limit, setups and joints, marks not placed, unchecked."""
    unplaced = [f for m in marks if m.proof == UNPLACED for f in m.faults]
    over = [f for m in marks if m.over > 1.0 for f in m.faults]
    ordered = sorted(bays, key=lambda one: one.bay.verdict != UNPROVED)
    standing = [fault for one in ordered for fault in one.faults]
    rest = [f for m in marks for f in m.faults]
    return tuple(dict.fromkeys([*over, *standing, *unplaced, *rest]))


def _untied(outlook: Outlook) -> tuple[str, ...]:
    labels = outlook.adjustment.problem.network.setup_labels
    axis = places_of(outlook.scheme, outlook.adjustment)[1]
    return tuple(label for label, here in zip(labels, axis, strict=True) if np.isnan(here[0]))


def _shots(job: Job, outlook: Outlook) -> tuple[NextShot, ...]:
    length, lengths = length_factor(job.length_unit), Lengths(job.length_unit)
    labels = outlook.adjustment.problem.network.setup_labels
    return tuple(
        NextShot(
            setup=labels[shot.setup],
            point=outlook.scheme.points[shot.point],
            distance=shot.away / length,
            gains=gains(outlook, shot, lengths),
        )
        for shot in outlook.shots
    )


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
