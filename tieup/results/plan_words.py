"""The words of a plan: what is weak in it, and what a further sight would better."""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import confidence_factor
from tieup.model.settings import Tolerances
from tieup.preanalysis.nextshot import Improvement
from tieup.preanalysis.outlook import Outlook
from tieup.preanalysis.proof import passes_unsaid, state_proof
from tieup.preanalysis.standing import LACKING, UNCHECKED, UNPLACED, Standing
from tieup.ties.geometry import STRONG, WEAK, Geometry
from tieup.units import length_factor
from tieup.write.lengths import Lengths

NAMED = 3  # marks named in one gain
GAIN = 0.02  # a share of an sd that is worth naming
CIRCLE_WHY = "angles only, on the circle through its marks: nothing places it"
WHERE = ("in plan", "in height")


def mark_faults(
    outlook: Outlook, point: int, limits: Tolerances, lengths: Lengths
) -> tuple[str, ...]:
    """Say what is weak about one mark; lengths in the job's unit."""
    standing, name = outlook.state.standing, outlook.scheme.points[point]
    if standing.proof[point] == UNPLACED:
        return (f"{name} would not be placed by these sights",)
    faults = []
    for column, limit in enumerate((limits.horizontal, limits.elevation)):
        size = float(standing.spread[point, column])
        if size > limit:
            faults.append(
                f"{name} would be known to {_said(lengths, size)} {WHERE[column]}; "
                f"limit {_said(lengths, limit)}"
            )
    if outlook.proof[point] == UNCHECKED:
        passes = passes_unsaid(outlook.state, outlook.caught, outlook.caught_of_marks, point)
        if standing.proof[point] == UNCHECKED or passes.all():
            faults.append(f"{name}: nothing would catch a mistake in it")
        elif passes.any():
            where = WHERE[0] if passes[0] else WHERE[1]
            faults.append(f"{name}: nothing would catch a mistake in it {where}")
    return tuple(faults)


def setup_faults(
    outlook: Outlook, setup: int, limits: Tolerances, confidence: float, lengths: Lengths
) -> tuple[str, ...]:
    """Say in which way a mistake could pass in one setup, and what it gives to all it shoots."""
    state = outlook.state
    label = outlook.adjustment.problem.network.setup_labels[setup]
    lack = _lacks(outlook, setup, label) if state.standing.lacking[setup] else ()
    found = state.geometry[setup]
    sizes = setup_spread(found, confidence)
    return (
        *lack,
        *(
            f"{label} would put what it shoots up to {_said(lengths, size)} off {where}; "
            f"limit {_said(lengths, limit)}"
            for size, limit, where in zip(
                sizes, (limits.horizontal, limits.elevation), WHERE, strict=True
            )
            if size > limit
        ),
    )


def setup_spread(geometry: Geometry, confidence: float) -> tuple[float, float]:
    """Return the most (m) that a setup's own stance adds to what it shoots, plan and height."""
    return (
        geometry.sd_plan * confidence_factor(2, confidence),
        geometry.sd_height * confidence_factor(1, confidence),
    )


def _lacks(outlook: Outlook, setup: int, label: str) -> tuple[str, ...]:
    word, found = outlook.state.words[setup], outlook.state.geometry[setup]
    if word in LACKING:
        why = found.why if word == found.word else CIRCLE_WHY
        return (f"{label} would be {word}: {why}",)
    return (f"{label}: nothing would catch a mistake at its marks {_where_untested(found)}",)


def _where_untested(found: Geometry) -> str:
    return WHERE[0] if np.isinf(found.caught_plan) else WHERE[1]


def setup_note(outlook: Outlook, setup: int) -> str:
    """Say what is weak but passes, and where one more mark would help."""
    found, word = outlook.state.geometry[setup], outlook.state.words[setup]
    note = found.why if word not in (STRONG, *LACKING) else ""
    if word == WEAK and not note:
        note = f"nothing would catch a mistake at its marks {_where_untested(found)}"
    if found.sector is None:
        return note
    start, end = np.degrees([found.sector.start, found.sector.end])
    where = f"one more mark on a bearing between {start:.0f} and {end:.0f} degrees would help"
    return f"{note}; {where}" if note else where


def gains(outlook: Outlook, shot: Improvement, lengths: Lengths) -> tuple[str, ...]:
    """Say what one further sight would better, on top of those before it."""
    before, after = shot.before.standing, shot.after.standing
    labels = shot.after.adjustment.problem.network.setup_labels
    names, said = outlook.scheme.points, []
    tied = np.isnan(before.stance[:, 0]) & np.isfinite(after.stance[:, 0])
    said += [f"{labels[s]} tied" for s in np.flatnonzero(tied)]
    mended = np.flatnonzero(before.lacking & ~after.lacking & ~tied).tolist()
    said += [f"{labels[s]} no longer {_lack(shot, s)}" for s in mended]
    placed = before.wanted & (before.proof == UNPLACED) & (after.proof != UNPLACED)
    if placed.any():
        said.append(f"{_some([names[p] for p in np.flatnonzero(placed)])} placed")
    old, new = state_proof(shot.before), state_proof(shot.after)
    checked = before.wanted & (old == UNCHECKED) & (new != UNCHECKED)
    if checked.any():
        said.append(f"{_some([names[p] for p in np.flatnonzero(checked)])} checked")
    return (*said, *_largest_gain(before, after, (*names, *labels), lengths))


def _largest_gain(
    before: Standing, after: Standing, names: tuple[str, ...], lengths: Lengths
) -> tuple[str, ...]:
    """Say what becomes of the worst mark or instrument that is bettered by enough to name."""
    wanted = np.where(before.wanted[:, None], before.ratio, np.nan)
    ratio = np.concatenate([wanted, before.stance_ratio])
    left = np.concatenate([after.ratio, after.stance_ratio])
    better = np.nan_to_num(ratio - left) > GAIN * np.nan_to_num(ratio, nan=np.inf)
    if not better.any():
        return ()
    weight = np.where(better, ratio, -1.0)
    row, column = np.unravel_index(int(np.argmax(weight)), weight.shape)
    sizes = [np.concatenate([s.spread, s.stance])[row, column] for s in (before, after)]
    old, new = (_said(lengths, float(size)) for size in sizes)
    return (f"{names[row]} {old} to {new} {WHERE[column]}",) if old != new else ()


def _lack(shot: Improvement, setup: int) -> str:
    word = shot.before.words[setup]
    return word if word in LACKING else "without a check"


def _some(names: list[str]) -> str:
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _said(lengths: Lengths, metres: float) -> str:
    """Return a length given in m in the words of the job."""
    return lengths.said(metres / length_factor(lengths.unit))
