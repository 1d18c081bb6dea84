"""The answer of a plan in the job's own units: what holds, what is weak, what to shoot next."""

from __future__ import annotations

import numpy as np

from tieup.adjust.point_roles import point_roles
from tieup.lengths import Lengths
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.job import Job
from tieup.model.link_kinds import of_kind
from tieup.model.plan import (
    BayForecast,
    JointForecast,
    MarkForecast,
    NextShot,
    PlanAnswer,
    SetupForecast,
)
from tieup.model.point_words import SHOT, UNPLACED
from tieup.preanalysis.design_quality import sighted
from tieup.preanalysis.forecast import Outlook
from tieup.preanalysis.prospects import Bay
from tieup.preanalysis.reliability_class import UNPROVED, joint_word, setup_words
from tieup.preanalysis.scheme import places_of
from tieup.results.plan_words import gains, joint_faults, mark_faults, setup_faults, setup_note
from tieup.units import length_factor


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
    before, after = where_level(hidden.before, level), where_level(hidden.after, level)
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


def where_level(values: FloatArray, level: BoolArray) -> FloatArray:
    """Return ``values`` (n, 2) in plan and height, the heights only where there is one."""
    return np.column_stack([values[:, 0], np.where(level, values[:, 1], np.nan)])
