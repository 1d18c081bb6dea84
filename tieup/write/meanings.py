"""The words of the dictionary of columns, by file; `tieup.write.dictionary` puts them together."""

from __future__ import annotations

from collections.abc import Mapping

from tieup.model.geometry_words import GEOMETRY_WORDS
from tieup.sentences import listed
from tieup.write.archive_columns import ARCHIVE_MEANINGS, FINDINGS_FILE
from tieup.write.columns import SPREAD, TEXT
from tieup.write.surface_meanings import SURFACE_MEANINGS

SECONDS, MM, SD = "arc seconds", "mm", "standard deviations"

SHARED: Mapping[str, str] = {
    "file": "raw file of the row, or list of level runs, tapes, baselines or control",
    "line": "line of the row in its file, the header being line 1",
    "setup": "label of the instrument setup",
    "station": "mark the instrument stands over; empty for a free setup",
    "point": "name of the point",
    "northing": "northing",
    "easting": "easting",
    "elevation": "elevation",
    "sd_northing": "standard deviation of the northing",
    "sd_easting": "standard deviation of the easting",
    "sd_elevation": "standard deviation of the elevation",
    "ellipse_major": "semi-major axis of the error ellipse at the job's confidence",
    "ellipse_minor": "semi-minor axis of the error ellipse at the job's confidence",
    "ellipse_azimuth": "azimuth of the semi-major axis, clockwise from north, below half a circle",
    "elevation_interval": "half the interval of the elevation at the job's confidence",
    "code": "feature code",
    "string": "name of the line the point belongs to; a bare number with its code: curb 1",
    "setups": "setups that shot it",
    "d_northing": "difference in northing",
    "d_easting": "difference in easting",
    "d_elevation": "difference in elevation",
    "d_horizontal": "length of the difference in plan",
    "sd_horizontal": "standard deviation of the difference in plan, along it",
    "limit_horizontal": "what the tolerances allow in plan",
    "limit_elevation": "what the tolerances allow in height",
    "redundancy": "share of a mistake that would show in the residuals, summed over readings",
    "geometry": listed([*GEOMETRY_WORDS], len(GEOMETRY_WORDS), "or"),
    "geometry_sd": "largest standard deviation that the geometry causes at a mark",
    "length": "horizontal length",
    "sd_length": "standard deviation of the length",
    "drop": "how much lower the end is than the start",
    "sd_drop": "standard deviation of the drop",
    "fall": "drop over length, positive downwards",
    "sd_fall": "standard deviation of the fall",
    "hidden_horizontal": "how far a mistake too small to be noticed could move it in plan",
    "hidden_elevation": "how far a mistake too small to be noticed could move it in height",
    "caught_plan": "smallest mistake in plan that is found 8 times in 10; empty where none is",
    "caught_height": "smallest mistake in height that is found 8 times in 10; empty where none is",
}

BAY: Mapping[str, str] = {
    "known_horizontal": "how well it would be known where it is used, in plan, at 95 %",
    "known_elevation": "the same in height",
    "unnoticed_horizontal": "what a mistake just too small to be noticed would do there in plan; "
    "empty where none would show",
    "unnoticed_elevation": "the same in height",
    "hidden_horizontal": "what a mistake could still have done there in plan after a day without "
    "any, on 8 days in 10 no more; empty where none would show",
    "hidden_elevation": "the same in height",
    "tie_share": "share of days without a mistake on which it would be shown to tie: known, and "
    "no mistake beyond the limits",
    "verdict": "would tie (on 8 days in 10 or more), may tie (on 2 or more), else unproved",
}

MEANINGS: Mapping[str, Mapping[str, str]] = {
    "coordinates.csv": {
        "point": "name of the point; of a free setup, its label",
        "elevation": "elevation of the ground; of a free setup, of the instrument's axis",
        "role": "control, tie (shot from several setups), shot, derived, station (a mark under an "
        "instrument, or a free setup by its label)",
        "proof": "held (fixed by control), checked, unchecked (a mistake beyond the "
        "limits could hide in it), disputed (two places fit)",
        "flags": "kinds of findings about the point, or how it was derived",
    },
    "observations.csv": {
        "point": "name of the target as it was booked; of centring and instrument_height the mark "
        "below, of control the mark",
        "kind": "direction, azimuth, zenith, distance, horizontal_distance, level, tape or "
        "baseline; centring and instrument_height of a setup over a mark, in the row of its first "
        "shot; control, a coordinate with an sd",
        "observed": "the reading as it was booked; of centring 0, the instrument over its mark",
        "adjusted": "what it should have read by the solution",
        "residual": "adjusted minus observed",
        "sd": "standard deviation of the reading as it was weighed: stated, times the scatter "
        "of its kind in run.json",
        "redundancy": "share of a mistake in the reading that would show in its residual, 0 to 1; "
        "the column sums to dof in run.json",
        "w": "residual over its own standard deviation",
        "tau": "w over sigma0 as estimated in the same solution (Pope); its limit is in run.json; "
        "empty with fewer than 2 degrees of freedom",
        "mdb": "smallest mistake noticed 8 times in 10 by the tests of the job",
        "status": "used, unused, excluded, repeated or invalid",
        "reason": "why the reading is not used",
        "time": "time of the shot, ISO 8601",
        "from": "mark that a level run, tape or baseline starts from",
        "component": "northing, easting or elevation, of a baseline, centring or control",
    },
    "setups.csv": {
        "northing": "northing of the instrument, or of the mark below",
        "easting": "easting of the instrument, or of the mark below",
        "elevation": "elevation of the mark below; of a free setup, of the instrument's axis",
        "orientation": "azimuth of circle reading 0, clockwise from north",
        "sd_orientation": "standard deviation of the orientation",
        "ties": "marks by which the setup is tied",
        "verdict": "ties, fails or untested",
    },
    "ties.csv": {
        "d_northing": "northing by this setup alone minus that by the rest of the site",
        "d_easting": "easting by this setup alone minus that by the rest of the site",
        "d_elevation": "elevation by this setup alone minus that by the rest of the site",
        "sd_northing": "standard deviation of the difference in northing",
        "sd_easting": "standard deviation of the difference in easting",
        "sd_elevation": "standard deviation of the difference in elevation",
        "verdict": "ties, fails or untested",
        "judgement": "how sure the verdict is, and why it is untested",
    },
    "strings.csv": {
        "part": "unbroken part of the string, from 1",
        "number": "place of the point in its part, from 1",
        "chainage": "horizontal distance from the start of the part",
        "sd_chainage": "standard deviation of the chainage",
        "length": "horizontal length of the leg that leads to the point",
        "drop": "how much lower the point is than the one before",
        "joint": "within where one setup shot both ends of the leg, else across",
        "setups": "setups that shot the ends of the leg",
        "low_spot": "low or perhaps where both neighbours along the line are higher, else empty",
        "remarks": "what looks wrong: breaks, duplicates, zigzags",
    },
    "covariance.csv": {
        "coordinate": "northing, easting or elevation of the point",
        "with_point": "point of the other coordinate",
        "with_coordinate": "the other coordinate; where both are one, the row has its variance",
        "unit": "unit of the value; the covariance is in its square",
        "value": "the coordinate with all its digits, in the row of its variance",
        "covariance": "covariance of the two by the sds as stated; no row where it is 0, but a "
        "held coordinate has a row with its variance of 0",
    },
    "traverses.csv": {
        "traverse": "marks of the traverse in order, the first again at the end of a loop",
        "kind": "loop (back to its first mark) or link (between two known marks)",
        "legs": "how many legs it has",
        "length": "length of all its legs",
        "d_northing": "sum of its latitudes as observed, minus what the ends' coordinates say",
        "d_easting": "sum of its departures as observed, minus what the ends' coordinates say",
        "misclosure": "linear misclosure",
        "precision": "length over misclosure: 2500 stands for 1:2500",
    },
    "falls.csv": {
        "check": "name of the check in job.yaml",
        "from": "point that the fall starts from",
        "to": "point that it leads to",
        "minimum": "least fall that is allowed",
        "maximum": "greatest fall that is allowed",
        "verdict": "pass, fail, cannot tell or untested",
        "reason": "why it is not simply a pass or a fail",
        "proof": "the weaker proof of the points at its ends",
        "joint": "within where one setup shot both ends, else across",
        "setups": "setups that shot the ends",
    },
    "columns.csv": {
        "file": "table that the column stands in",
        "column": "heading of the column",
        "unit": "unit in this job; none: a text, a count or a pure number",
        "meaning": "what the column holds",
    },
    "rules.csv": {
        "set": "rule set the rule belongs to",
        "rule": "name of the rule in its set",
        "says": "what the rule asks",
        "state": "pass, warn, fail, or not checked where the data for it is missing",
        "subject": "what the worst value belongs to",
        "value": "worst value, in the unit of the row",
        "limit": "what it is held against: the fail limit where it fails, else the warn limit",
        "unit": "unit of value and limit",
        "checked": "how many were looked at",
        "reason": "what could not be checked, and why",
        "source": "where the limit comes from",
    },
    "derived.csv": {
        "point": "name of the derived point",
        "string": "derived string the point belongs to",
        "how": "how it is made",
        "measured_elevation": "elevation that was measured where one is typed",
        "typed_elevation": "elevation that a person typed",
        "d_elevation": "typed minus measured elevation",
        "sd_difference": "standard deviation of that difference",
        "verdict": "agrees, differs or cannot tell, of a typed elevation",
        "by": "who typed it",
        "reason": "why",
        "remarks": "what the geometry does not allow or what to look at",
    },
    "field.csv": {
        "d_northing": "stored minus reconciled northing",
        "d_easting": "stored minus reconciled easting",
        "d_elevation": "stored minus reconciled elevation",
        "sd_northing": "standard deviation of the difference in northing",
        "sd_easting": "standard deviation of the difference in easting",
        "sd_elevation": "standard deviation of the difference in elevation",
        "verdict": "same, moved or cannot tell",
        "cause": "whether it moved with its setup or on its own",
        "stake_out": "yes where something was set out by it",
    },
    "field_setups.csv": {
        "points": "points with stored coordinates",
        "moved": "how many of them moved",
        "d_northing": "how far the frame of the setup lies off as a whole, in northing",
        "d_easting": "how far the frame of the setup lies off as a whole, in easting",
        "d_elevation": "how far the frame of the setup lies off as a whole, in elevation",
        "turn": "by how much the frame of the setup is turned, clockwise",
        "d_horizontal": "how far its farthest point lies off for that",
        "far_point": "its farthest point",
        "verdict": "same, moved or cannot tell, of the frame",
        "stake_outs": "points set out from it",
        "first": "first point set out from it, or else first that was shot",
        "first_time": "when that was shot, ISO 8601",
        "says": "the same in words",
    },
    **SURFACE_MEANINGS,
    "plan_points.csv": {
        "role": "control, tie, shot or station",
        "proof": "held (fixed by control), checked (on 8 days in 10 or more) or unchecked",
        "caught_plan": "mistake in plan found 8 times in 10 in the weakest of its sights; empty "
        "where none would be",
        "caught_height": "the same in height",
        "unnoticed_horizontal": "how far a mistake just too small to be noticed would move it in "
        "plan; empty where none would show",
        "unnoticed_elevation": "the same in height",
        "hidden_horizontal": "how far a mistake could still have moved it in plan after a day "
        "without any, on 8 days in 10 no more; empty where none would show",
        "hidden_elevation": "the same in height",
        "checked_share": "share of days without a mistake on which it would be called checked: "
        "hidden_horizontal and hidden_elevation of that day within the limits",
        "setups": "setups that shoot it",
        "verdict": "within or over the tolerances",
    },
    "plan_sights.csv": {
        "source": "planned or shot",
        "distance": "horizontal distance",
        "pointings": "rounds times faces",
        "sd_direction": "standard deviation of the direction",
        "sd_zenith": "standard deviation of the zenith angle",
        "sd_distance": "standard deviation of the distance",
        "redundancy_direction": "share of a mistake in the direction that would show, 0 to 1",
        "redundancy_zenith": "share of a mistake in the zenith angle that would show, 0 to 1",
        "redundancy_distance": "share of a mistake in the distance that would show, 0 to 1",
        "mdb_direction": "smallest mistake in the direction found 8 times in 10",
        "mdb_zenith": "smallest mistake in the zenith angle found 8 times in 10",
        "mdb_distance": "smallest mistake in the distance found 8 times in 10",
        "mdb_at_mark_direction": "that of the direction, at the mark",
        "mdb_at_mark_zenith": "that of the zenith angle, at the mark",
        "mdb_at_mark_distance": "that of the distance, at the mark",
        "moves_plan": "how far a mistake just not found would move the mark in plan",
        "moves_height": "how far a mistake just not found would move the mark in height",
    },
    "plan_setups.csv": {
        "northing": "northing of the instrument's axis",
        "easting": "easting of the instrument's axis",
        "elevation": "elevation of the instrument's axis",
        "sd_orientation": "standard deviation of the orientation",
        "ties": "marks by which the setup is tied",
        "used_at": "its farthest side shot, else its farthest mark: where it is judged",
        **BAY,
    },
    "plan_joints.csv": {
        "first": "first setup of the joint",
        "second": "second setup of the joint",
        **BAY,
    },
    "audit.csv": {
        "job": "job folder, as it was called",
        "rule": "name of the rule",
        "says": "the rule in words",
        "result": "pass, warn, fail, not checked or not read",
        "subject": "what the worst value belongs to",
        "value": "worst value",
        "limit": "what it is held against",
        "unit": "unit of value and limit",
        "failing": "subjects beyond the limit",
        "warned": "subjects to be looked at",
        "checked": "how many subjects were looked at",
        "missing": "subjects that could not be checked",
        "reason": "why they could not be",
        "source": "where the rule comes from",
    },
    **ARCHIVE_MEANINGS,
}

EXTRA: Mapping[str, Mapping[str, str]] = {  # columns behind those of every job, and their kinds
    "observations.csv": {"time": TEXT, "from": TEXT, "component": TEXT},
    "ties.csv": {"judgement": TEXT},
    "coordinates.csv": {"hidden_horizontal": SPREAD, "hidden_elevation": SPREAD},
}

UNITS: Mapping[tuple[str, str], str] = {  # where the kind of a column does not settle it
    ("observations.csv", "w"): SD,
    ("observations.csv", "tau"): SD,
    ("field_setups.csv", "turn"): SECONDS,
    ("plan_sights.csv", "sd_direction"): SECONDS,
    ("plan_sights.csv", "sd_zenith"): SECONDS,
    ("plan_sights.csv", "sd_distance"): MM,
    ("plan_sights.csv", "mdb_direction"): SECONDS,
    ("plan_sights.csv", "mdb_zenith"): SECONDS,
    ("plan_sights.csv", "mdb_distance"): MM,
    ("audit.csv", "value"): "as in column unit",
    ("audit.csv", "limit"): "as in column unit",
    (FINDINGS_FILE, "size"): "as unit says",
    (FINDINGS_FILE, "sd"): "as unit says",
}
