"""The experiments: one invented job each, and what came of it as plain numbers and words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.bench.days import SECOND, Day, draw_day
from tests.bench.grounds import FloatArray, Rng
from tests.bench.jobfolders import lines_of
from tests.bench.outcomes import SD, SPREAD, Outcome, inside_ellipse, reconciled
from tests.bench.plain import Linear, real_mdb
from tests.bench.spoils import (
    KINDS,
    READINGS,
    Spoil,
    draw_size,
    draw_spoil,
    lever,
    noticed,
    possible,
    rightly_named,
    spoiled,
)
from tests.bench.worlds import world_of
from tieup.errors import TieupError

Record = dict[str, Any]

LIMIT_PLAN, LIMIT_HEIGHT = 0.006, 0.003  # m, the tolerances of the job
PROBE = 0.005  # m, a mistake to measure strength with
HOPELESS = 0.2  # m; a mistake of a larger real mdb is drawn again where sizes go by the mdb
TRIALS = 50
TOO_MANY_SDS = 5.0
SD_FLOOR = 1e-5  # m
SALT = 1  # the mistake's own stream of random numbers


@dataclass(frozen=True)
class Order:
    """What to run: experiment, setting, seed, and the mistakes: kinds, sizes in m.

    ``size`` is a given one, else drawn between ``low`` and ``high``, log-even if ``log``;
    ``real_mdb`` and ``printed_mdb`` are multiples instead.
    """

    experiment: str
    setting: str
    seed: int
    kinds: tuple[str, ...] = KINDS
    size: float | None = None
    low: float = 0.002
    high: float = 0.030
    log: bool = False
    real_mdb: float | None = None
    printed_mdb: float | None = None


def one_job(order: Order, job: int) -> Record:
    """Run one job of an experiment; one that cannot be solved, or spoiled so, says so."""
    day = draw_day(world_of(order.setting), order.seed, job)
    about = {"experiment": order.experiment, "setting": order.setting, "job": job}
    if not possible(day, order.kinds):
        return {**about, "skipped": True}
    try:
        record = EXPERIMENTS[order.experiment](order, day, job)
    except TieupError as error:
        record = {"error": str(error)}
    return {**about, **record}


def _clean(order: Order, day: Day, job: int) -> Record:
    outcome = reconciled(day)
    return {
        "word": outcome.result.verdict.word,
        "reason": (*outcome.result.verdict.reasons, "")[0],
        "stop": [(found.kind, found.setup) for found in outcome.stops],
        "noticed": [(found.kind, found.setup) for found in outcome.noticed],
        **_coverage(outcome),
    }


def _coverage(outcome: Outcome) -> Record:
    """Count the points whose true place lies in the printed ellipse and interval."""
    columns = [outcome.column(name) for name in SPREAD]
    proof, marks = outcome.column("proof"), set(outcome.day.ground.marks)
    count: Counter[str] = Counter()
    for name, off in outcome.errors().items():
        major, minor, azimuth, interval = (float(column[name]) for column in columns)
        if proof[name] == "held" or not np.isfinite([major, minor, interval]).all():
            continue
        kind = "mark" if name in marks else "side"
        count[f"{kind} n"] += 1
        count[f"{kind} plan"] += inside_ellipse(off, major, minor, azimuth)
        count[f"{kind} height"] += bool(abs(off[2]) <= interval)
    return dict(count)


def _mistake(order: Order, day: Day, job: int) -> tuple[Spoil, float]:
    """Draw the mistake of a job and its size."""
    rng = np.random.default_rng([order.seed, job, SALT])
    if order.printed_mdb is not None:
        return _printed(rng, order, day)
    spoil = draw_spoil(rng, day, order.kinds)
    if order.real_mdb is not None:
        linear = Linear(day)
        for _ in range(TRIALS):
            real = real_mdb(linear, spoiled(day, spoil, PROBE), PROBE)
            if real < HOPELESS:
                break
            spoil = draw_spoil(rng, day, order.kinds)
        return spoil, draw_size(rng, 1.0, 1.0) * order.real_mdb * min(real, HOPELESS)
    if order.size is not None:
        return spoil, draw_size(rng, order.size, order.size)
    return spoil, draw_size(rng, order.low, order.high, order.log)


def _printed(rng: Rng, order: Order, day: Day) -> tuple[Spoil, float]:
    """Draw a reading, and so many times the mdb that is printed for it without the mistake."""
    printed, lines = reconciled(day).mdb(), lines_of(day)
    while True:
        spoil = draw_spoil(rng, day, ("reading",))
        row = spoil.rows[0]
        mdb = printed.get((*lines[row], READINGS[spoil.component]))
        if mdb is not None:
            unit = 1e-3 if spoil.component == 2 else SECOND
            size = mdb * unit * lever(day, day.rows[row])[spoil.component]
            return spoil, draw_size(rng, 1.0, 1.0) * float(order.printed_mdb or 1.0) * size


def _about(day: Day, spoil: Spoil, size: float, outcome: Outcome) -> Record:
    """Say what the mistake was and what was said about it."""
    own = [found for found in outcome.stops if noticed(found, day, spoil)]
    right = [found for found in own if rightly_named(found, day, spoil)]
    best = (right or own)[:1]
    return {
        "mistake": spoil.name,
        "size": size,
        "word": outcome.result.verdict.word,
        "any": bool(outcome.noticed),
        "noticed": any(noticed(found, day, spoil) for found in outcome.noticed),
        "named": bool(own),
        "right": bool(right),
        "kinds": [found.kind for found in own],
        "extra": [(found.kind, found.setup) for found in outcome.stops if found not in best],
        "elsewhere": [(found.kind, found.setup) for found in outcome.stops if found not in own],
    }


def _single(order: Order, day: Day, job: int) -> Record:
    spoil, size = _mistake(order, day, job)
    wrong = spoiled(day, spoil, size)
    return _about(wrong, spoil, size, reconciled(wrong))


def _moved(order: Order, day: Day, job: int) -> Record:
    """Compare bays with and without the mistake: solved as it is, and as the program prints.

    ``moved``: some joint or farthest side shot is moved beyond a limit by the mistake in plain
    least squares; ``printed``: so are the side shots that the program prints.
    """
    spoil, size = _mistake(order, day, job)
    wrong = spoiled(day, spoil, size)
    outcome = reconciled(wrong)
    linear = Linear(day)
    plain = linear.poses(linear.model.effect(linear.change(wrong)))
    at_axis = np.array([bay.axis for bay in day.ground.bays])
    effect = _largest(day, plain, at_axis)
    printed = printed_poses(reconciled(day), outcome)
    return {
        **_about(wrong, spoil, size, outcome),
        "effect": effect,
        "moved": _beyond(effect),
        "printed": printed is not None and _beyond(_largest(day, printed, at_axis)),
    }


def _beyond(effect: tuple[float, float]) -> bool:
    return bool(effect[0] > LIMIT_PLAN or effect[1] > LIMIT_HEIGHT)


def printed_poses(clean: Outcome, wrong: Outcome) -> FloatArray | None:
    """Return shift (at the axis) and turn of each setup's side shots; None where some are gone."""
    before, after = clean.places(), wrong.places()
    poses = []
    for bay in clean.day.ground.bays:
        names = [name for name in bay.side if name in before and name in after]
        if len(names) < 2:
            return None
        here = np.array([before[name] for name in names]) - bay.axis
        off = np.array([after[name] - before[name] for name in names])
        middle = here.mean(axis=0)
        part = here - middle
        turn = (part[:, 0] * off[:, 1] - part[:, 1] * off[:, 0]).sum() / (part[:, :2] ** 2).sum()
        shift = off.mean(axis=0) - turn * np.array([-middle[1], middle[0], 0.0])
        poses.append([*shift, turn])
    return np.array(poses)


def _largest(day: Day, poses: FloatArray, axis: FloatArray) -> tuple[float, float]:
    """Return the largest movement in plan and height, m, at joints and farthest side shots."""
    ground = day.ground
    far = [_farthest(day, k) for k in range(len(ground.bays))]
    moves = []
    for i, j in ground.pairs:
        joint = np.mean([ground.places[name] for name in ground.shared(i, j)], axis=0)
        moves.append(_move(poses[i], axis[i], joint) - _move(poses[j], axis[j], joint))
        if day.free:
            moves += [
                _move(poses[i], axis[i], far[k]) - _move(poses[j], axis[j], far[k]) for k in (i, j)
            ]
    if not day.free:
        moves += [_move(poses[k], axis[k], place) for k, place in enumerate(far)]
    every = np.array(moves)
    return float(np.hypot(every[:, 0], every[:, 1]).max()), float(np.abs(every[:, 2]).max())


def _farthest(day: Day, number: int) -> FloatArray:
    bay = day.ground.bays[number]
    places = [day.ground.places[name] for name in bay.side]
    return max(places, key=lambda place: float(np.hypot(*(place - bay.axis)[:2])))


def _move(pose: FloatArray, axis: FloatArray, place: FloatArray) -> FloatArray:
    """Return how far a setup's shot at a place moves with its pose."""
    away = place - axis
    return pose[:3] + pose[3] * np.array([-away[1], away[0], 0.0])


def _checked(order: Order, day: Day, job: int) -> Record:
    """Count points that are called checked or held and lie far off the truth."""
    spoil, size = _mistake(order, day, job)
    wrong = spoiled(day, spoil, size)
    outcome = reconciled(wrong)
    proof = outcome.column("proof")
    columns = [outcome.column(name) for name in SD]
    count: Counter[str] = Counter()
    bad = []
    for name, off in outcome.errors(leave=(spoil.point,)).items():
        word = str(proof[name])
        count[f"proof {word}"] += 1
        sd = np.maximum([float(column[name]) for column in columns], SD_FLOOR)
        if word in ("checked", "held") and (np.abs(off) > TOO_MANY_SDS * sd).any():
            count[f"wrong {word}"] += 1
            count["wrong itself"] += name == spoil.point
            bad.append((name, [round(float(value), 4) for value in off]))
    return {**_about(wrong, spoil, size, outcome), **count, "bad": bad, "point": spoil.point}


EXPERIMENTS: Mapping[str, Callable[[Order, Day, int], Record]] = {
    "clean": _clean,
    "single": _single,
    "mdb": _single,
    "moved": _moved,
    "checked": _checked,
}
