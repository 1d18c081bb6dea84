"""Sets rejected by the job's own limits: left out of the means, and said so."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.geometry import ARC_SECOND
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import NO_WEATHER, REJECTED_SET
from tieup.model.observations import DISTANCE, KINDS
from tieup.reduce.distances import without_weather
from tieup.reduce.rounds import report_rounds
from tieup.reduce.sights import reduce_shots


def reject_sets(case: Case, fieldbook: Fieldbook) -> tuple[Case, tuple[Finding, ...]]:
    """Leave out the sets beyond the job's limits; nothing where it states none."""
    limits = case.precision.set_limits
    if limits is None:
        return case, ()
    precision = case.precision.with_targets_standing()  # sets are compared with one another
    reduction = reduce_shots(case.shots, case.setups, precision, case.use)
    report = report_rounds(case.shots, reduction, len(case.setups), limits)
    sets, findings = report.sets, []
    for number, kind in np.argwhere(sets.rejected).tolist():
        unit = 1e-3 if kind == DISTANCE else ARC_SECOND
        words = "mm" if kind == DISTANCE else "seconds"
        rows = np.flatnonzero(
            report.rejected_rows[:, kind]
            & (case.shots.setup == sets.setup[number])
            & (case.shots.point == sets.point[number])
            & (case.shots.round == sets.round[number])
        )
        label, point = case.setups[sets.setup[number]].label, case.points[sets.point[number]]
        away, limit = sets.residual[number, kind] / unit, sets.limit[number, kind] / unit
        findings.append(
            REJECTED_SET.found(
                setup=label,
                points=(point,),
                lines=tuple(_line(fieldbook, row) for row in rows.tolist()),
                size=-away,
                unit="mm" if kind == DISTANCE else "arcsec",
                says=f"Setup {label}, {point}, round {sets.round[number]}: the {KINDS[kind]} lies "
                f"{abs(away):.1f} {words} off the mean of the other sets; limit {limit:.1f}. The "
                "set is rejected.",
                confirm="Compare the readings of this round with the other rounds.",
                cure="Observe another set, or leave it out as it is.",
                key=f"{KINDS[kind]} {sets.round[number]}",
            )
        )
    return case.without_mask(report.rejected_rows), tuple(findings)


def weather_findings(case: Case) -> list[Finding]:
    """Say which distances wait for a weather correction that nobody can compute."""
    missing = without_weather(case.shots, case.setups, case.precision)
    if not missing.any():
        return []
    labels = [case.setups[s].label for s in np.unique(case.shots.setup[missing]).tolist()]
    return [
        NO_WEATHER.found(
            says=f"{int(missing.sum())} distances of {', '.join(labels[:6])}"
            f"{' and others' if len(labels) > 6 else ''} have no temperature and pressure: they "
            "are not reduced for weather though the instrument states a reference.",
            confirm="Look up the weather in the field book.",
            cure="Add temperature and pressure to the rows, or atmosphere: {temperature: ..., "
            "pressure: ...} to job.yaml.",
        )
    ]


def _line(fieldbook: Fieldbook, row: int) -> str:
    shots = fieldbook.shots
    return f"{fieldbook.files[shots.file[row]].name}:{shots.line[row]}"
