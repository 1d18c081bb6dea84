"""The kinds of findings that are no single mistake: about rows, files, names, gear, results.

Findings are made here and nowhere else. How bad a kind is as a rule, and what was done about it,
stands with it once; what differs from that is said where the finding is made. The kinds of mistakes
in the readings have more to say: see `tieup.diagnose.kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypedDict, Unpack

from tieup.model.finding import CHECK, NOTE, STOP, Finding, Rival, finding_id


class About(TypedDict, total=False):
    """What a finding says beside its kind: see `Finding`."""

    severity: str
    setup: str
    points: tuple[str, ...]
    lines: tuple[str, ...]
    size: float | None
    unit: str
    sd: float | None
    statistic: float | None
    rivals: tuple[Rival, ...]
    action: str
    says: str
    confirm: str
    cure: str
    key: str
    decidable: bool
    acceptable: bool
    grade: str
    doubt: str


@dataclass(frozen=True)
class FindingKind:
    """One kind of finding: its ``name``, its usual ``severity`` and ``action``."""

    name: str
    severity: str = CHECK
    action: str = ""

    def found(self, **about: Unpack[About]) -> Finding:
        """Return a finding of this kind."""
        return replace(Finding(self.name, self.severity, action=self.action), **about)

    def id_of(self, setup: str = "", points: tuple[str, ...] = (), key: str = "") -> str:
        """Return the id that a finding of this kind about these would have."""
        return finding_id(self.name, setup, points, key)


# Whole files and their columns
MISSING_COLUMN = FindingKind("missing-column", CHECK, "not used")
UNUSED_COLUMN = FindingKind("unused-column", NOTE, "not used")
EMPTY_FILE = FindingKind("empty-file", NOTE, "skipped")
UNREAD_FILE = FindingKind("unread-file", NOTE, "skipped")
TRUNCATED = FindingKind("truncated", STOP, "left out")

# Raw rows
UNREADABLE_ROW = FindingKind("unreadable-row", CHECK, "not used")
UNUSED_ROW = FindingKind("unused-row", NOTE, "not used")
REPEATED_ROW = FindingKind("repeated-row", NOTE, "dropped")
UNKNOWN_ROLE = FindingKind("unknown-role", NOTE, "not used")
BOOKED_FACE = FindingKind("face", NOTE, "taken by zenith")
TIME_ORDER = FindingKind("time-order", CHECK)
NO_CLOSING = FindingKind("no-closing-backsight", CHECK)
REJECTED_SET = FindingKind("rejected-set", NOTE, "excluded")
NO_WEATHER = FindingKind("no-weather", CHECK, "left in")
HAND_TYPED = FindingKind("hand-typed", CHECK, "not used")

# What was booked
UNUSUAL_POLE = FindingKind("target-height", STOP, "left in")
UNUSUAL_TRIPOD = FindingKind("instrument-height", STOP, "left in")
NO_INSTRUMENT_HEIGHT = FindingKind("instrument-height", CHECK, "not used")
JOB_UNIT = FindingKind("distance-unit", STOP, "left in")

# Names and labels
COPIED_SETUP = FindingKind("copied-setup", STOP, "left in")
REUSED_LABEL = FindingKind("setup-reused", NOTE, "kept apart")
LABEL_OF_MARK = FindingKind("name-collision", CHECK, "renamed")
SIMILAR_NAMES = FindingKind("similar-names", NOTE, "proposed")
UNRECOGNISED_TIE = FindingKind("unrecognised-tie", NOTE, "proposed")

# What hangs together
DISCONNECTED = FindingKind("disconnected", STOP, "left out")
SINGLE_TIE = FindingKind("single-tie", STOP, "left out")
WEAK_GEOMETRY = FindingKind("weak-geometry", CHECK, "left in")

# Gear and control
COLLIMATION = FindingKind("collimation", NOTE, "applied")
INDEX_ERROR = FindingKind("vertical-index", NOTE, "applied")
PRECISION = FindingKind("precision", NOTE)
CONTROL_COVARIANCE = FindingKind("control-covariance", NOTE, "not used")
CONTROL_SCALE = FindingKind("control-scale", CHECK, "left in")

# Results
DERIVED = FindingKind("derived", CHECK, "left empty")
FALL = FindingKind("fall", CHECK)
FIELD_FRAME = FindingKind("field-frame", NOTE, "not used")
STORED_POINT = FindingKind("stored-point", NOTE, "not used")
STRING_ORDER = FindingKind("string-order", NOTE, "left in")
TYPED_ELEVATION = FindingKind("typed-elevation", CHECK, "used as typed")

# Surfaces
LINE_CROSSING = FindingKind("line-crossing", CHECK, "left in")
TWIN_POINTS = FindingKind("twin-points", CHECK, "left in")
SPIKE = FindingKind("spike", CHECK, "left in")
FLAT_TRIANGLES = FindingKind("flat-triangles", NOTE, "left in")
SURFACE_EDGE = FindingKind("surface-edge", NOTE, "left in")
SEAM_STEP = FindingKind("seam-step", CHECK, "left in")
STANDING_WATER = FindingKind("standing-water", CHECK)
GRADE_LIMIT = FindingKind("grade-limit", CHECK)
LAYER_THICKNESS = FindingKind("layer-thickness", CHECK)

FINDING_KINDS = tuple(kind for kind in vars().copy().values() if isinstance(kind, FindingKind))
"""Every kind above."""
