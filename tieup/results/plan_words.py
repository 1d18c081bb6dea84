"""The words of a plan: what is weak in it, and what a further sight would better."""

from __future__ import annotations

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray
from tieup.model.geometry_words import LACKING, STRONG, WEAK
from tieup.model.point_words import CHECKED, UNCHECKED, UNPLACED
from tieup.model.settings import Tolerances
from tieup.preanalysis.design_quality import DesignQuality
from tieup.preanalysis.draws import USUALLY
from tieup.preanalysis.forecast import Outlook
from tieup.preanalysis.nextshot import Improvement
from tieup.preanalysis.prospects import Bay
from tieup.preanalysis.reliability_class import WOULD, joint_word, mark_proofs, setup_words
from tieup.sentences import listed
from tieup.ties.setup_geometry import Geometry
from tieup.units import length_factor

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
        faults += _unchecked(outlook, point, limits, lengths)
    return tuple(faults)


def _unchecked(outlook: Outlook, point: int, limits: Tolerances, lengths: Lengths) -> list[str]:
    """Say what could be wrong with a mark unseen."""
    name, hidden = outlook.scheme.points[point], outlook.prospects.marks
    passes = np.isinf(hidden.after[point])
    if passes.any():
        where = "" if passes.all() else f" {WHERE[0] if passes[0] else WHERE[1]}"
        return [f"{name}: nothing would catch a mistake in it{where}"]
    return [f"{name}: {_hides(hidden.after[point], hidden.share[point], limits, lengths)}"]


def _hides(after: FloatArray, share: float, limits: Tolerances, lengths: Lengths) -> str:
    """Say that the readings would seldom show that no mistake did more than the limit."""
    sizes = np.array([limits.horizontal, limits.elevation])
    part = int(np.argmax(after / sizes))
    if after[part] <= sizes[part]:
        return f"what a mistake could hide is within both limits {days(share)} only"
    return (
        f"a mistake could hide {_said(lengths, float(after[part]))} {WHERE[part]}, limit "
        f"{_said(lengths, float(sizes[part]))}; shown to keep it {days(share)}"
    )


def days(share: float) -> str:
    """Return a share of days in words.

    >>> days(0.62), days(0.004)
    ('on 62 days in 100', 'on hardly any day')
    """
    count = round(100.0 * share)
    return f"on {count} day{'s' if count > 1 else ''} in 100" if count else "on hardly any day"


def setup_faults(
    outlook: Outlook, setup: int, limits: Tolerances, lengths: Lengths
) -> tuple[str, ...]:
    """Say in which way a mistake could pass in one setup, and what it is where it is used."""
    state, bay = outlook.state, outlook.prospects.setups[setup]
    label = outlook.adjustment.problem.network.setup_labels[setup]
    if state.standing.lacking[setup]:
        return _lacks(outlook, setup, label)
    if bay is None:
        return ()
    return _bay_faults(outlook, label, bay, (limits, lengths))


def joint_faults(
    outlook: Outlook, pair: tuple[int, int], limits: Tolerances, lengths: Lengths
) -> tuple[str, ...]:
    """Say why a joint would not be shown to tie; not where one of its setups lacks proof itself."""
    if outlook.state.standing.lacking[list(pair)].any():
        return ()
    labels = outlook.adjustment.problem.network.setup_labels
    name = f"{labels[pair[0]]} to {labels[pair[1]]}"
    return _bay_faults(outlook, name, outlook.prospects.joints[pair], (limits, lengths))


def _bay_faults(
    outlook: Outlook, name: str, bay: Bay, said: tuple[Tolerances, Lengths]
) -> tuple[str, ...]:
    limits, lengths = said
    sizes = np.array([limits.horizontal, limits.elevation])
    at = f" at {outlook.scheme.points[bay.use.point]}" if bay.use.point >= 0 else ""
    over = np.flatnonzero(bay.known > sizes).tolist()
    if over:
        return tuple(
            f"{name} would be known to {_said(lengths, float(bay.known[part]))} {WHERE[part]}{at}; "
            f"limit {_said(lengths, float(sizes[part]))}"
            for part in over
        )
    if bay.share >= USUALLY:
        return ()
    if np.isinf(bay.after).any():
        part = int(np.argmax(np.isinf(bay.after)))
        what = f"a mistake in the {bay.worst[part]}" if bay.worst[part] else "one wrong shot"
        return (f"{name}: {what} would not show {WHERE[part]}{at}",)
    return (f"{name}{at}: {_hides(bay.after, bay.share, limits, lengths)}",)


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
        said.append(f"{listed([names[p] for p in np.flatnonzero(placed)], NAMED)} placed")
    old, new = (
        mark_proofs(state, proves)
        for state, proves in zip((shot.before, shot.after), shot.proves, strict=True)
    )
    checked = before.wanted & (old == UNCHECKED) & (new == CHECKED)
    if checked.any():
        said.append(f"{listed([names[p] for p in np.flatnonzero(checked)], NAMED)} checked")
    said += _ties(shot, labels)
    said += _hides_less(shot, (*names, *labels), lengths)
    return (*said, *_largest_gain(before, after, (*names, *labels), lengths))


def _ties(shot: Improvement, labels: tuple[str, ...]) -> list[str]:
    """Say which setups and joints would tie that would not have."""
    words = [
        setup_words(state, proves)
        for state, proves in zip((shot.before, shot.after), shot.proves, strict=True)
    ]
    found = [
        label
        for label, old, new in zip(labels, *words, strict=True)
        if new == WOULD and old != WOULD
    ]
    for pair in sorted(shot.proves[0].joints.keys() & shot.proves[1].joints.keys()):
        old, new = (
            joint_word(state, proves, pair)
            for state, proves in zip((shot.before, shot.after), shot.proves, strict=True)
        )
        if new == WOULD and old != WOULD:
            found.append(f"{labels[pair[0]]} to {labels[pair[1]]}")
    return [f"{listed(found, NAMED)} would tie"] if found else []


def _hides_less(shot: Improvement, names: tuple[str, ...], lengths: Lengths) -> list[str]:
    """Say how far a mark or a setup gets of those that would still not be proved."""
    old, new = (_hidden(shot, number) for number in (0, 1))
    asked = np.concatenate([shot.before.standing.wanted, np.ones(len(old) - _points(shot), bool)])
    share = _shares(shot, 1)
    better = asked[:, None] & np.isfinite(new) & (new < (1.0 - GAIN) * old)
    better &= (share < USUALLY)[:, None]
    if not better.any():
        return []
    with np.errstate(invalid="ignore"):
        gain = np.where(better, old / new, 0.0)
    row, part = np.unravel_index(int(np.argmax(gain)), gain.shape)
    before, after = (float(sizes[row, part]) for sizes in (old, new))
    was = "anything" if np.isinf(before) else _said(lengths, before)
    how = f"shown to keep the limit {days(float(share[row]))}"
    return [f"{names[row]} could hide {_said(lengths, after)} {WHERE[part]}, not {was}; {how}"]


def _points(shot: Improvement) -> int:
    return len(shot.proves[0].marks.share)


def _hidden(shot: Improvement, number: int) -> FloatArray:
    """Return what could be hidden in points and setups (P + S, 2) before or after a shot."""
    proves = shot.proves[number]
    open_ = np.full(2, np.inf)
    setups = [open_ if bay is None else bay.after for bay in proves.setups]
    return np.concatenate([proves.marks.after, np.array(setups).reshape(-1, 2)])


def _shares(shot: Improvement, number: int) -> FloatArray:
    proves = shot.proves[number]
    setups = [0.0 if bay is None else bay.share for bay in proves.setups]
    return np.concatenate([proves.marks.share, setups])


def _largest_gain(
    before: DesignQuality, after: DesignQuality, names: tuple[str, ...], lengths: Lengths
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


def _said(lengths: Lengths, metres: float) -> str:
    """Return a length given in m in the words of the job."""
    return lengths.said(metres / length_factor(lengths.unit))
