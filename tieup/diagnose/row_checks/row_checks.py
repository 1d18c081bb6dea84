"""What the raw rows show by themselves, whatever the solution says.

Headings that nothing takes, rows that cannot be read or were exported twice, wrong face flags,
clocks that jump, setups without a closing look, files cut short, axis errors of the instrument,
elevations typed over measured ones. None of it changes the solution; what matters for trust in
it is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import lines_of, named, points_of, some
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.names.setup_labels import label_findings
from tieup.diagnose.row_checks.axis_errors import axis_findings
from tieup.diagnose.row_checks.clock import clock_findings
from tieup.diagnose.row_checks.closing_checks import closing_findings, truncated_findings
from tieup.diagnose.row_checks.covariance_marks import covariance_findings
from tieup.diagnose.row_checks.hand_typed import typed_findings
from tieup.diagnose.row_checks.missing_columns import missing_findings
from tieup.diagnose.row_checks.unknown_roles import role_findings
from tieup.diagnose.row_checks.unused_columns import column_findings
from tieup.diagnose.row_checks.unusual_values import unusual_findings
from tieup.model.arrays import IntArray
from tieup.model.fieldbook import Fieldbook, Setup, Shots
from tieup.model.finding import Finding
from tieup.model.finding_kinds import (
    BOOKED_FACE,
    EMPTY_FILE,
    NO_INSTRUMENT_HEIGHT,
    REPEATED_ROW,
    REUSED_LABEL,
    UNREAD_FILE,
    UNREADABLE_ROW,
    UNUSED_ROW,
)
from tieup.sentences import clauses

METRIC = Phrases("m")
MOST_ROWS = 5  # unreadable rows of a file whose reasons are written out


def row_findings(fieldbook: Fieldbook, solved: Solved, phrases: Phrases = METRIC) -> list[Finding]:
    """Return the findings that raw rows give, in the order of the checks."""
    truncated = truncated_findings(fieldbook)
    return [
        *missing_findings(fieldbook, solved.case.shots.target_height),
        *column_findings(fieldbook),
        *_skipped(fieldbook),
        *_beside(fieldbook),
        *_unreadable(fieldbook, {line for finding in truncated for line in finding.lines}),
        *_unused(fieldbook),
        *role_findings(fieldbook),
        *_repeated(fieldbook),
        *_faces(fieldbook, solved),
        *clock_findings(fieldbook, solved),
        *truncated,
        *closing_findings(fieldbook, solved, {finding.setup for finding in truncated}),
        *_reused_labels(fieldbook),
        *label_findings(fieldbook, solved.case),
        *_missing_heights(solved.case.booked, fieldbook.shots),
        *unusual_findings(fieldbook, solved.case, phrases),
        *covariance_findings(solved.case.given),
        *axis_findings(fieldbook, solved),
        *typed_findings(fieldbook, solved, phrases),
    ]


def _skipped(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for the tables of a new job in which no shot stands."""
    if fieldbook.skipped:
        yield EMPTY_FILE.found(
            says=f"{some(fieldbook.skipped)}: the empty table of a new job, skipped.",
            confirm="Look into the file.",
            cure="Nothing to do; or remove it.",
        )


def _beside(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for the tables among raw files that are not read."""
    if fieldbook.beside:
        yield UNREAD_FILE.found(
            says=f"Not read: {some(fieldbook.beside)}. No pattern under raw: in job.yaml meets it.",
            confirm="Look whether it has shots of this job.",
            cure="Name it under raw: in job.yaml, or take it out of the folder.",
        )


def _unreadable(fieldbook: Fieldbook, told_of: set[str]) -> Iterator[Finding]:
    """Give one finding for each file with rows that cannot be read, but for lines told of."""
    for number, file in enumerate(fieldbook.files):
        own = [row for row in fieldbook.invalid if row.file == number]
        rows = [row for row in own if f"{file.name}:{row.line}" not in told_of]
        if not rows:
            continue
        told = clauses([f"line {row.line}: {row.reason}" for row in rows], MOST_ROWS)
        yield UNREADABLE_ROW.found(
            points=tuple(dict.fromkeys(row.point for row in rows if row.point)),
            lines=tuple(f"{file.name}:{row.line}" for row in rows),
            says=f"{file.name}: {_rows(len(rows))} left out, unreadable: {told}.",
            confirm="Compare these lines with the field book.",
            cure="Correct the cells in a new export of the file, or shoot again what they are of.",
            key=file.name,
        )


def _unused(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for each file with rows that can be read and take no part."""
    for number, file in enumerate(fieldbook.files):
        rows = [row for row in fieldbook.unused if row.file == number]
        reasons = Counter(row.reason for row in rows).most_common()
        if not rows:
            continue
        told = "; ".join(f"{reason} ({count})" for reason, count in reasons[:MOST_ROWS])
        yield UNUSED_ROW.found(
            points=tuple(dict.fromkeys(row.point for row in rows if row.point)),
            lines=tuple(f"{file.name}:{row.line}" for row in rows),
            says=f"{file.name}: {_rows(len(rows))} take no part: {told}.",
            confirm="Compare these lines with the field book.",
            cure="Nothing to do where that is meant; else correct a copy of the file.",
            key=file.name,
        )


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _repeated(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give one finding for all rows that copy an earlier one in every cell."""
    rows = np.flatnonzero(fieldbook.shots.repeated)
    if not len(rows):
        return
    labels = named(fieldbook, rows)
    times = "once" if len(rows) == 1 else f"{len(rows)} times"
    clock = ", clock included," if np.isfinite(fieldbook.shots.time[rows]).all() else ""
    yield REPEATED_ROW.found(
        setup=labels[0] if len(labels) == 1 else "",
        points=points_of(fieldbook, rows),
        lines=lines_of(fieldbook, rows),
        says=f"A row repeats an earlier one in every cell{clock} {times} "
        f"({some(labels)}); each shot is used once.",
        confirm="Compare the number of rows with the count in the field book.",
        cure="Nothing to do; export the file once only.",
    )


def _faces(fieldbook: Fieldbook, solved: Solved) -> Iterator[Finding]:
    """Give the rows whose face flag the zenith angle contradicts, by setup."""
    shots, wrong = fieldbook.shots, solved.reduction.face_conflict
    rows = np.flatnonzero(wrong)
    if not len(rows):
        return
    second = np.flatnonzero(shots.zenith > np.pi)
    if len(named(fieldbook, rows)) > 1 and 2 * wrong[second].sum() > len(second):
        yield _face(fieldbook, rows, "", "the face column is missing or not kept: ")
        return
    for setup in np.unique(shots.setup[rows]).tolist():
        own = rows[shots.setup[rows] == setup]
        yield _face(fieldbook, own, fieldbook.setups[setup].label, "")


def _face(fieldbook: Fieldbook, rows: IntArray, setup: str, why: str) -> Finding:
    points = points_of(fieldbook, rows)
    where = f"In setup {setup}: " if setup else "On the whole site: "
    count = "1 row has" if len(rows) == 1 else f"{len(rows)} rows have"
    return BOOKED_FACE.found(
        setup=setup,
        points=points,
        lines=lines_of(fieldbook, rows),
        says=f"{where}{why}{count} a face that the zenith angle contradicts ({some(points)}); over "
        "180 degrees is face 2, and so they are taken.",
        confirm="Look at the zenith angles of these rows.",
        cure="Nothing to do; or correct the face in a new export of the file.",
    )


def _reused_labels(fieldbook: Fieldbook) -> Iterator[Finding]:
    """Give the labels that stand for several setups by what the files say of them."""
    by_name: dict[str, list[int]] = {}
    for number, setup in enumerate(fieldbook.setups):
        by_name.setdefault(setup.name, []).append(number)
    for name, numbers in by_name.items():
        setups = [fieldbook.setups[number] for number in numbers]
        labels = [setup.label for setup in setups]
        files = sorted({setup.file for setup in setups})
        if len(setups) == 1:
            continue
        again = len(files) < len(setups)
        reason = (
            "the station, the instrument height or the instrument changes within it"
            if again
            else f"it stands in {some(files)}"
        )
        first = [int(np.flatnonzero(fieldbook.shots.setup == number)[0]) for number in numbers]
        yield REUSED_LABEL.found(
            severity="check" if again else "note",
            setup=labels[-1] if again else "",
            lines=lines_of(fieldbook, np.array(first)),
            says=f"Label {name} stands for {len(setups)} setups: {reason}. They are taken as "
            f"{some(labels)}, each with a place of its own.",
            confirm="Compare the field book: was the instrument levelled up anew?",
            cure="Give every setup a label of its own; if only a height was mistyped, set it "
            "(set: instrument_height).",
            key=name,
        )


def _missing_heights(booked: Sequence[Setup], shots: Shots) -> Iterator[Finding]:
    """Give the setups over a mark that booked no instrument height and were given none.

    One without a zenith angle has no use for it.
    """
    upright = set(shots.setup[np.isfinite(shots.zenith)].tolist())
    for number, setup in enumerate(booked):
        if setup.station and np.isnan(setup.instrument_height) and number in upright:
            yield NO_INSTRUMENT_HEIGHT.found(
                setup=setup.label,
                points=(setup.station,),
                says=f"Setup {setup.label} over {setup.station} booked no instrument height: its "
                f"height comes from its sights alone, and nothing checks {setup.station} in "
                "height from here.",
                confirm="Look up the instrument height in the field book.",
                cure="Set it: decisions: set instrument_height.",
                key="missing",
            )
