"""Rows of observations.csv that are no readings: occupied setups, and control with an sd.

The centring and the height of an instrument over a mark, and a coordinate that is not held, are
observations with a residual as any other; without them redundancy would not sum to dof.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.adjust.believed_tests import BelievedTests, control_tests, plumb_tests
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.finding import Finding
from tieup.model.observations import CENTRING, CONTROL, INSTRUMENT_HEIGHT
from tieup.model.reconciliation import FATES
from tieup.results.job_units import length_cells
from tieup.results.site import Site
from tieup.units import length_factor

USED, UNUSED, EXCLUDED = FATES[0], FATES[1], FATES[2]
MILLIMETRE = 1e-3
OF_SETUP = ("instrument-height", "station-name")  # findings that take one as not known
OF_CONTROL = ("control-coordinate", "swapped-axes")
COMPONENTS = ("northing", "easting", "elevation")


@dataclass(frozen=True)
class Given:
    """n setups or marks: where each was booked, and its three values in m.

    ``at`` are files, lines, setups and points, one list each; ``value`` (n, 3) is what was given,
    ``believed`` what is believed of it, NaN for nothing. ``number`` (n,) is that in the tests.
    ``reason`` says why one that is not believed is not.
    """

    at: tuple[list[Any], list[Any], list[Any], list[Any]]
    value: FloatArray
    believed: FloatArray
    number: IntArray
    names: tuple[tuple[str, str], ...]
    reason: list[str]
    idle: str


def believed_rows(site: Site, findings: Sequence[Finding]) -> dict[str, NDArray[Any]]:
    """Return the rows of occupied setups and then of control, in recorded order.

    One row a component. A setup's row is that of its first shot; ``observed`` is the booked height,
    and 0 of the centring: how far the instrument stands from its mark in northing or easting.
    Residual, sd and mdb are in mm.
    """
    careful = site.proven.careful
    parts = [
        _table(site, given, tests(site.adjustment), tests(careful))
        for given, tests in (
            (_setups(site, findings), plumb_tests),
            (_control(site, findings), control_tests),
        )
    ]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _setups(site: Site, findings: Sequence[Finding]) -> Given:
    """Return the setups that were booked over a mark."""
    case, book = site.case, site.fieldbook
    own = np.flatnonzero(~book.shots.repeated)
    setups, first = np.unique(book.shots.setup[own], return_index=True)
    row = dict(zip(setups.tolist(), own[first].tolist(), strict=True))
    number = [n for n, setup in enumerate(case.booked) if setup.station and n in row]
    booked, believed = ([of[n] for n in number] for of in (case.booked, case.setups))
    stands = np.array([[0.0 if setup.station else np.nan] * 2 for setup in believed])
    height = [setup.instrument_height if setup.station else np.nan for setup in believed]
    none = np.zeros((len(number), 2))
    return Given(
        (
            [book.files[book.shots.file[row[n]]].name for n in number],
            [int(book.shots.line[row[n]]) for n in number],
            [setup.label for setup in booked],
            [one.station or other.station for one, other in zip(believed, booked, strict=True)],
        ),
        np.column_stack([none, [setup.instrument_height for setup in booked]]),
        np.column_stack([stands.reshape(-1, 2), height]),
        np.array(number, dtype=np.int64),
        ((CENTRING, COMPONENTS[0]), (CENTRING, COMPONENTS[1]), (INSTRUMENT_HEIGHT, "")),
        [
            _reason(f for f in findings if f.setup == setup.label and f.kind in OF_SETUP)
            for setup in booked
        ],
        "the setup is not tied to the site",
    )


def _control(site: Site, findings: Sequence[Finding]) -> Given:
    """Return the control that is weighed: what is held is no observation."""
    case = site.case
    given, control = case.given, case.control
    number = {name: n for n, name in enumerate(case.points)}
    rows: list[int] = []
    if given is not None and control is not None and case.datum.kind == "control":
        rows = [n for n, name in enumerate(given.names) if name in number]
    weighed = (
        np.zeros((0, 3)) if given is None else np.where(given.sd > 0, given.coordinates, np.nan)
    )
    names = [given.names[n] for n in rows] if given else []
    return Given(
        (
            [given.file if given else ""] * len(rows),
            [int(given.line[n]) for n in rows] if given else [],
            [""] * len(rows),
            names,
        ),
        weighed[rows],
        np.zeros((0, 3)) if control is None else control.coordinates[rows],
        np.array([number[name] for name in names], dtype=np.int64),
        tuple((CONTROL, component) for component in COMPONENTS),
        [
            _reason(f for f in findings if name in f.points and f.kind in OF_CONTROL)
            for name in names
        ],
        "no reading reaches the mark",
    )


def _table(
    site: Site, given: Given, tests: BelievedTests, careful: BelievedTests
) -> dict[str, NDArray[Any]]:
    """Return the rows of what was given; ``careful`` are the tests that the mdb goes by."""
    entry, component = np.nonzero(np.isfinite(given.value))
    place = given.number[entry], component
    residual, length = tests.residual[place], length_factor(site.job.length_unit)
    believed = given.believed[entry, component]
    fate = np.where(np.isfinite(residual), USED, np.where(np.isnan(believed), EXCLUDED, UNUSED))
    why = {USED: [""] * len(given.reason), EXCLUDED: given.reason}
    idle = [given.idle] * len(given.reason)
    unit, residual_sd = site.job.angle_unit, tests.residual_sd[place]
    file, line, setup, point = (np.array(column, dtype=object)[entry] for column in given.at)
    return {
        "file": file,
        "line": line.astype(np.int64),
        "setup": setup,
        "point": point,
        "kind": _texts([given.names[c][0] for c in component.tolist()]),
        "observed": length_cells(given.value[entry, component] / length, unit),
        "adjusted": length_cells((believed + residual) / length, unit),
        "residual": residual / MILLIMETRE,
        "sd": tests.sd[place] / MILLIMETRE,
        "redundancy": tests.redundancy[place],
        "w": residual / residual_sd,
        "mdb": site.proven.noticed * careful.bias_sd[place] / MILLIMETRE,
        "status": fate.astype(object),
        "reason": _texts(
            [why.get(f, idle)[n] for n, f in zip(entry.tolist(), fate.tolist(), strict=True)]
        ),
        "component": _texts([given.names[c][1] for c in component.tolist()]),
    }


def _reason(findings: Iterable[Finding]) -> str:
    """Say which finding takes a value as not known."""
    finding = next(iter(findings), None)
    return "left out by decision" if finding is None else f"{finding.kind} ({finding.id})"


def _texts(values: list[str]) -> NDArray[Any]:
    return np.array(values, dtype=object)
