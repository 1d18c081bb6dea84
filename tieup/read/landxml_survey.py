"""Walk the survey part of a LandXML file: every observation with its setup, as texts.

The link to the setup has four forms: setupID at the observation, at its group, the nesting
in an InstrumentSetup, or only setupID at the group's Backsight. The nearest one counts.

A setup is called by its stationName, or by its id where two setups of the file share that. A
Backsight with another point or another circle reading starts another circle zero: rows of
another zero are a setup of their own over the same mark (``100~2``), because one setup has one
orientation. So are azimuths beside circle readings where azimuths turn setup by setup.

A ReducedArcObservation is read as the chord of its arc: the standard gives the azimuth of the
chord, the radius and the length of the arc (its accuracy is arcLengthAccuracy).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from tieup.read.landxml_points import FilePoint, point_name
from tieup.read.xml import Element

ARC = "ReducedArcObservation"
OBSERVATIONS = ("RawObservation", "ReducedObservation", "TestObservation", ARC)
_TRUE = ("true", "1")
_FACES = {"true": "1", "1": "1", "false": "2", "0": "2"}
_ROLES = {
    "sideshot": "side",
    "topo": "side",
    "traverse": "foresight",
    "normal": "",
    "resection": "",
}
_READINGS = {
    "zenith": "zenithAngle",
    "distance": "slopeDistance",
    "horizontal_distance": "horizDistance",
    "vertical_distance": "vertDistance",
    "time": "timeStamp",
}
_OFFSETS = ("offsetInOut", "offsetLeftRight", "offsetUpDown")


@dataclass(frozen=True)
class InstrumentSetup:
    """One InstrumentSetup: what it is called, the mark under it, its height as written."""

    name: str
    station: str
    height: str
    instrument: str
    deleted: bool


@dataclass(frozen=True)
class Observation:
    """One observation: its native columns as texts.

    ``azimuth`` says that the direction is an azimuth, in the unit of directions. ``unused`` is
    why the row takes no part, empty where it does.
    """

    line: int
    cells: dict[str, str]
    reduced: bool
    azimuth: bool
    unused: str


@dataclass(frozen=True)
class _Zero:
    """What fixes the circle: backsight point, its circle reading, or that it is an azimuth."""

    point: str = ""
    circle: str = ""
    azimuth: bool = False


@dataclass(frozen=True)
class _Scope:
    """Where the walk stands: the setup in force, and the group with its own setup link."""

    setup: str = ""
    linked: bool = False
    group: Element | None = None
    backsight: Element | None = None


@dataclass
class _Walk:
    """What the walk knows of the file, and what it has found so far."""

    occupations: dict[str, InstrumentSetup]
    targets: dict[str, Element]
    points: dict[str, FilePoint]
    own_turns: bool
    zero: dict[str, _Zero] = field(default_factory=dict)
    found: list[tuple[str, _Zero | None, Observation]] = field(default_factory=list)

    def go(self, element: Element, scope: _Scope) -> None:
        for child in element.children:
            if child.name == "InstrumentSetup":
                self.go(child, _Scope(child.get("id"), linked=True))
            elif child.name == "ObservationGroup":
                self.go(child, _group_scope(child, scope))
            elif child.name == "Backsight":
                scope = self._backsight(child, scope)
            elif child.name == "ControlChecks":
                self.go(child, scope)
            elif child.name in OBSERVATIONS:
                self._observation(child, scope)

    def _backsight(self, element: Element, scope: _Scope) -> _Scope:
        setup = scope.setup if scope.linked else element.get("setupID") or scope.setup
        self.zero[setup] = _Zero(_backsight_point(element), _plain(element.get("circle")))
        return replace(scope, setup=setup, backsight=element)

    def _observation(self, element: Element, scope: _Scope) -> None:
        setup = element.get("setupID") or scope.setup
        occupation = self.occupations.get(setup)
        given = element.get("chordAzimuth") or element.get("azimuth")
        azimuth = not element.get("horizAngle") and bool(given)
        apart = azimuth and self.own_turns
        zero = _Zero(azimuth=True) if apart else self.zero.get(setup)
        cells = {
            "direction": given if apart else element.get("horizAngle"),
            "azimuth": given if azimuth and not apart else "",
            **{column: element.get(attribute) for column, attribute in _READINGS.items()},
            "point": self._target(element, scope, occupation),
            "station": occupation.station if occupation else "",
            "instrument_height": occupation.height if occupation else "",
            "instrument": occupation.instrument if occupation else "",
            "face": _FACES.get(element.get("directFace").lower(), ""),
            "note": "; ".join(note.text.strip() for note in element.all("FieldNote")),
        }
        self._target_cells(cells, element, scope)
        reduced, unused = element.name.startswith("Reduced"), _why_unused(element, occupation)
        if element.name == ARC:
            cells["horizontal_distance"], wrong = _chord(element)
            unused = unused or wrong
        row = Observation(element.line, cells, reduced, azimuth, unused)
        self.found.append((setup, zero, row))

    def _target(self, element: Element, scope: _Scope, occupation: InstrumentSetup | None) -> str:
        name = point_name(element.first("TargetPoint"))
        if not name and (other := self.occupations.get(element.get("targetSetupID"))):
            name = other.station
        if not name and scope.group:
            name = point_name(scope.group.first("TargetPoint"))
            # Some files put the mark under the instrument there.
            name = "" if occupation and name == occupation.station else name
        return name

    def _target_cells(self, cells: dict[str, str], element: Element, scope: _Scope) -> None:
        group, backsight = scope.group, scope.backsight
        own = element.get("targetSetupID") or (group.get("targetSetupID") if group else "")
        target = self.targets.get(own)
        is_backsight = backsight is not None and cells["point"] == _backsight_point(backsight)
        height = element.get("targetHeight") or (target.get("targetHeight") if target else "")
        if not height and is_backsight and backsight is not None:
            height = backsight.get("targetHeight")
        purpose = element.get("purpose") or (group.get("purpose") if group else "")
        constant = target.get("prismConstant") if target else ""
        cells["target_height"] = height
        cells["role"] = _ROLES.get(purpose.lower(), purpose) or "backsight" * is_backsight
        cells["target"] = f"constant {constant}" if constant else ""
        cells["round"] = (
            element.get("setID")
            or element.get("circlePositionSet")
            or (group.get("setID") if group else "")
        )
        self._point_cells(cells, element)

    def _point_cells(self, cells: dict[str, str], element: Element) -> None:
        """Fill in what the file stores of the point; of control marks that is no field result."""
        target, point = element.first("TargetPoint"), self.points.get(cells["point"])
        cells["code"] = (target.get("code") if target else "") or (point.code if point else "")
        stored = point.coordinates if point and not point.control else ()
        if target and target.text.strip():
            stored = tuple(target.text.split())
        for place, column in enumerate(("field_northing", "field_easting", "field_elevation")):
            cells[column] = stored[place] if place < len(stored) else ""


def _chord(element: Element) -> tuple[str, str]:
    """Return the chord of an arc as a text, and why there is none.

    chord = 2 r sin(l / 2r) for the arc of length l and radius r.
    """
    radius, length = element.get("radius"), element.get("length")
    try:
        r, arc = float(radius), float(length)
        half = arc / (2.0 * r)
    except (ValueError, ZeroDivisionError):
        r = half = math.nan
    if not (r > 0.0 and 0.0 < half <= math.pi):
        return "", f"radius {radius or 'missing'} and length {length or 'missing'} are no arc"
    return repr(2.0 * r * math.sin(half)), ""


def observations_of(
    surveys: list[Element], points: dict[str, FilePoint], instruments: set[str], own_turns: bool
) -> list[Observation]:
    """Return every observation of the file in the order in which it is written.

    Parameters
    ----------
    points
        The points of the file by name.
    instruments
        Instruments that the job knows; an id that is none of them is not taken as a name.
    own_turns
        Whether azimuths turn setup by setup, as circle readings do.
    """
    elements = [element for survey in surveys for element in _all_elements(survey)]
    walk = _Walk(
        occupations=_occupations(surveys, elements, instruments),
        targets={e.get("id"): e for e in elements if e.name == "TargetSetup"},
        points=points,
        own_turns=own_turns,
    )
    for survey in surveys:
        walk.go(survey, _Scope())
    return _named(walk)


def _all_elements(element: Element) -> Iterator[Element]:
    for child in element.children:
        yield child
        yield from _all_elements(child)


def _occupations(
    surveys: list[Element], elements: list[Element], instruments: set[str]
) -> dict[str, InstrumentSetup]:
    setups = [e for e in elements if e.name == "InstrumentSetup"]
    taken = Counter(e.get("stationName") for e in setups)
    of_survey = {
        id(setup): details.get("id")
        for survey in surveys
        for equipment in survey.all("Equipment")
        for details in equipment.all("InstrumentDetails")
        for setup in survey.all("InstrumentSetup")
    }
    found = {}
    for setup in setups:
        name = setup.get("stationName")
        gear = setup.get("instrumentDetailsID") or of_survey.get(id(setup), "")
        found[setup.get("id")] = InstrumentSetup(
            name=name if name and taken[name] == 1 else setup.get("id"),
            station=point_name(setup.first("InstrumentPoint")) or name,
            height=setup.get("instrumentHeight"),
            instrument=gear if gear in instruments else "",
            deleted=setup.get("status") == "deleted",
        )
    return found


def _group_scope(group: Element, scope: _Scope) -> _Scope:
    stated = group.get("setupID") or scope.setup
    first = group.first("Backsight")
    setup = stated or (first.get("setupID") if first else "")
    return _Scope(setup, linked=bool(stated), group=group, backsight=scope.backsight)


def _backsight_point(element: Element) -> str:
    return point_name(element.first("BacksightPoint"))


def _plain(number: str) -> str:
    """Write a number without the zeros at its end: 0. and 0.0000 are one reading."""
    return number.rstrip("0").rstrip(".") if "." in number else number


def _why_unused(element: Element, occupation: InstrumentSetup | None) -> str:
    if element.get("unused").lower() in _TRUE:
        return "marked unused in the file"
    if element.get("status") == "deleted":
        return "marked deleted in the file"
    if occupation and occupation.deleted:
        return "its setup is marked deleted in the file"
    offsets = element.first("OffsetVals")
    moved = [key for key in _OFFSETS if offsets and offsets.get(key).strip("+-0.")]
    if offsets and moved:
        stated = ", ".join(f"{key} {offsets.get(key)}" for key in moved)
        return (
            f"the prism stood beside the point ({stated}), and offsets are not applied, for the "
            "standard does not say from which of the two they run"
        )
    return ""


def _named(walk: _Walk) -> list[Observation]:
    """Give every row the name of its setup and circle zero, and a round from 1."""
    first: dict[str, _Zero] = {}
    for setup, zero, _ in walk.found:
        if zero and not zero.azimuth:
            first.setdefault(setup, zero)
    zeros: defaultdict[str, dict[_Zero, int]] = defaultdict(dict)
    rounds: defaultdict[str, dict[str, int]] = defaultdict(dict)
    raw = {(s, row.cells["point"]) for s, _, row in walk.found if not row.reduced}
    named = []
    for setup, zero, row in walk.found:
        # A row before the first Backsight of its setup belongs to that one all the same.
        zero = zero or first.get(setup, _Zero())
        number = zeros[setup].setdefault(zero, len(zeros[setup]) + 1)
        occupation = walk.occupations.get(setup)
        name = occupation.name if occupation else setup
        sets, written = rounds[setup], row.cells["round"]
        cells = {
            **row.cells,
            "setup": f"{name}~{number}" if number > 1 else name,
            "round": str(sets.setdefault(written, len(sets) + 1)) if written else "",
        }
        unused = row.unused
        if not unused and row.reduced and (setup, cells["point"]) in raw:
            unused = "reduced from raw observations of the same setup, which are used"
        named.append(replace(row, cells=cells, unused=unused))
    return named
