"""field.csv and field_setups.csv: what the field stored, against where the points are."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from tieup.derive.stored_coordinates import MOVED, SAME, FieldComparison, Stored, compare_field
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import lines_of
from tieup.geometry import ARC_SECOND
from tieup.model.arrays import BoolArray, IntArray, TextArray, text_array
from tieup.model.finding import Finding
from tieup.model.finding_kinds import FIELD_FRAME
from tieup.model.reconciliation import Table
from tieup.results.field_words import SetupStory, setup_words
from tieup.results.site import Site
from tieup.results.stored_points import stored_point_findings
from tieup.units import length_factor

# What a code or a note says of a shot of something set out; common practice, no source.
STAKED = re.compile(r"\bstak(e|ed|ing|eout)\b|\bstake[ -]?outs?\b|\bset(ting)?[ -]?out\b", re.I)


def field_comparison(site: Site) -> FieldComparison | None:
    """Compare what the field stored with the reconciled coordinates; None where nothing was."""
    shots = site.case.shots
    kept = np.where(shots.repeated[:, None], np.nan, shots.field_coordinates)
    if np.isnan(kept).all():
        return None
    return compare_field(
        Stored(shots.setup, shots.point, kept),
        site.position,
        site.adjustment.point_covariance,
        site.axis,
        tolerances=site.job.tolerances,
        confidence=site.job.confidence,
        own_frame=site.case.control is None,
    )


def field_table(site: Site, field: FieldComparison | None) -> Table:
    """Return every raw row with stored coordinates: stored minus reconciled, and the verdict."""
    if field is None:
        return {}
    shots, length = site.case.shots, length_factor(site.job.length_unit)
    count, limits = len(field.row), site.job.tolerances
    files = text_array([file.name for file in site.fieldbook.files])
    difference, sd = field.difference / length, field.sd / length
    return {
        "file": files[shots.file[field.row]],
        "line": shots.line[field.row],
        "setup": _labels(site)[field.setup],
        "point": text_array(site.case.points)[field.point],
        "d_northing": difference[:, 0],
        "d_easting": difference[:, 1],
        "d_elevation": difference[:, 2],
        "d_horizontal": field.plan / length,
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "sd_horizontal": field.plan_sd / length,
        "limit_horizontal": np.full(count, limits.horizontal / length),
        "limit_elevation": np.full(count, limits.elevation / length),
        "verdict": field.verdict,
        "cause": _causes(field),
        "stake_out": np.where(staked(site, field), "yes", "").astype(object),
    }


def _causes(field: FieldComparison) -> TextArray:
    """Say of each moved row whether it moved with its setup or on its own."""
    cause = np.full(len(field.row), "", dtype=object)
    moved = field.verdict == MOVED
    cause[moved & field.follows] = "with its setup"
    cause[moved & ~field.follows] = "on its own"
    return cause


def staked(site: Site, field: FieldComparison) -> BoolArray:
    """Return the mask (n,) of rows whose code or note says that something was staked out."""
    shots = site.case.shots
    texts = list(zip(shots.code[field.row], shots.note[field.row], strict=True))
    says = {text: bool(STAKED.search(" ".join(text))) for text in set(texts)}
    return np.array([says[text] for text in texts], dtype=bool)


def field_setups_table(site: Site, field: FieldComparison | None) -> Table:
    """Return every setup that stored coordinates: how its frame lies, and what that touches."""
    if field is None:
        return {}
    stories = [*_stories(site, field)]
    length = length_factor(site.job.length_unit)
    shifts = np.array([story.frame.shift for story in stories]) / length
    phrases = _phrases(site)
    return {
        "setup": text_array([story.setup for story in stories]),
        "points": np.array([story.points for story in stories], dtype=np.int64),
        "moved": np.array([story.moved for story in stories], dtype=np.int64),
        "d_northing": shifts[:, 0],
        "d_easting": shifts[:, 1],
        "d_elevation": shifts[:, 2],
        "turn": np.array([story.frame.turn for story in stories]) / ARC_SECOND,
        "d_horizontal": np.array([story.far for story in stories]) / length,
        "far_point": text_array([story.far_point for story in stories]),
        "verdict": text_array([story.verdict for story in stories]),
        "stake_outs": np.array([story.staked for story in stories], dtype=np.int64),
        "first": text_array([story.first for story in stories]),
        "first_time": text_array([story.clock for story in stories]),
        "says": text_array([setup_words(story, site.job.tolerances, phrases) for story in stories]),
    }


def field_findings(
    site: Site, field: FieldComparison | None, known: Sequence[Finding] = ()
) -> Iterator[Finding]:
    """Give the setups whose stored coordinates lie off as a whole, then single stored points.

    Something was set out by them: a person must look again. Else it is worth knowing. Rows
    that a typed elevation in ``known`` is about are not named twice.
    """
    if field is None:
        return
    yield from _frame_findings(site, field)
    told = frozenset(line for f in known if f.kind == "hand-typed" for line in f.lines)
    yield from stored_point_findings(site, field, staked(site, field), told)


def _frame_findings(site: Site, field: FieldComparison) -> Iterator[Finding]:
    phrases = _phrases(site)
    for story in _stories(site, field):
        if story.verdict != MOVED:
            continue
        yield FIELD_FRAME.found(
            severity="check" if story.staked else "note",
            setup=story.setup,
            lines=lines_of(site.fieldbook, story.rows),
            size=story.size / phrases.factor,
            unit=phrases.unit,
            says=f"{setup_words(story, site.job.tolerances, phrases)}.",
            confirm=f"Look up the station, the backsight and the heights that {story.setup} was "
            "set up with in the field.",
            cure=f"Check on the ground what was set out from {story.setup}, and stake it again by "
            "the reconciled coordinates. Nothing else changes: stored coordinates are never used.",
        )


def _stories(site: Site, field: FieldComparison) -> Iterator[SetupStory]:
    """Give what there is to say of each setup, in the order of the field books."""
    marked = staked(site, field)
    points, labels = text_array(site.case.points), _labels(site)
    for setup in sorted(field.frames):
        own = np.flatnonzero(field.setup == setup)
        order = own[np.argsort(_times(site, field.row[own]), kind="stable")]
        told = order[marked[order]] if marked[order].any() else order
        stray = own[(field.verdict[own] == MOVED) & ~field.follows[own]]
        plan = np.hypot(field.shared[own, 0], field.shared[own, 1])
        far = own[int(np.argmax(np.nan_to_num(plan)))]
        yield SetupStory(
            setup=str(labels[setup]),
            frame=field.frames[setup],
            verdict=_worst(field.shared_verdict[own]),
            rows=field.row[own],
            points=len(np.unique(field.point[own])),
            moved=len(np.unique(field.point[own[field.verdict[own] == MOVED]])),
            stray=tuple(dict.fromkeys(points[field.point[stray]].tolist())),
            far=float(np.hypot(*field.shared[far, :2])),
            far_point=str(points[field.point[far]]),
            staked=len(np.unique(field.point[own[marked[own]]])),
            first=str(points[field.point[told[0]]]),
            clock=_clock(float(site.case.shots.time[field.row[told[0]]])),
            as_a_whole=field.as_a_whole,
        )


def _times(site: Site, rows: IntArray) -> IntArray:
    """Return what puts rows in the order of the shots: the clock, or that of the file."""
    time = site.case.shots.time[rows]
    return np.asarray(time if np.isfinite(time).all() else rows)


def _worst(verdicts: TextArray) -> str:
    order = [SAME, "cannot tell", MOVED]
    return max((str(verdict) for verdict in verdicts), key=order.index)


def _clock(seconds: float) -> str:
    """Return the time of day of a moment, empty for none.

    >>> _clock(38_520.0), _clock(float("nan"))
    ('10:42', '')
    """
    if np.isnan(seconds):
        return ""
    minutes = int(seconds // 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _phrases(site: Site) -> Phrases:
    return Phrases(site.job.length_unit)


def _labels(site: Site) -> TextArray:
    return text_array([setup.label for setup in site.case.setups])
