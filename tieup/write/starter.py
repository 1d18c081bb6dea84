"""Write the starter of a new job: a commented job.yaml, control.csv and a raw table."""

from __future__ import annotations

from os.path import lexists
from pathlib import Path

from tieup.errors import OutputError
from tieup.model.fieldbook import TEMPLATE
from tieup.write.staging import staged

JOB = """\
# What the job is. Every key below shows its default unless a comment says otherwise. A line that
# begins with # and a key is switched on by taking the # away; "tieup explain KEY" tells more.
#title: North bay         # what it is called on screens; else by the name of this folder

# Must be given. angle: deg dms dms-packed gon rad mil. length: m ft ftUS (the two feet differ).
units: {angle: dms, length: m}

raw: [raw/*.csv]          # raw observations; tieup never edits them
control: control.csv      # marks with known coordinates; may be empty where datum is free or local
#control_sd: 0            # sd of a control coordinate that states none, in the job's length unit
#levels: levels.csv       # level runs: from, to, difference, sd or length
#levels_sd: 3             # mm for a run of 1 km, for runs that give a length
#baselines: baselines.csv # GNSS vectors: from, to, d_northing, d_easting, d_elevation, sds
#tapes: tapes.csv         # horizontal distances: from, to, distance, sd
#plan: {places: places.csv, sights: sights.csv}   # sights planned before the field, for tieup plan

# control: the frame is held by control.csv. free: no mark is held. local: one mark and
# a direction, for a site without control:
#   local: {point: S1, northing: 5000, easting: 5000, elevation: 100, toward: CP1, azimuth: 0}
datum: control

# What the gear is good for, 1 standard deviation of one pointing in one face:
# direction and zenith in arc seconds, distance in mm and ppm.
instruments:
  default: {direction: 2, zenith: 2, distance: [1.5, 2.0]}
#  second: {prism_constant: -30, target_constants: {mini: 11.3}, scale: 1}    # mm, factor
#  third: {reference: {temperature: 12, pressure: 1013.25, carrier: 0.658}}   # reduce for weather
centring: {instrument: 0.5, target: 1.0}    # mm over the mark
heights: {instrument: 1.0, target: 1.0}     # mm of the booked heights

atmosphere: {refraction: 0.13}   # and, for the weather: temperature (C), pressure (hPa), humidity
#set_limits: {direction: 10, zenith: 10, distance: 4, offset: 2}   # seconds, seconds, mm, mm
#grid: {scale: 0.99964, sea_level: true, separation: 0}   # or {crs: "EPSG:25832"}; grid control
tolerances: paving        # or building-layout, topographic, control, or limits of your own
confidence: 0.95
#audit: raw-data          # rules of tieup audit, or a file of your own in this folder

# How raw tables are written, where it is not as in raw/day1.csv. columns: names every column that
# is taken, by its heading or by its position from 1, with a unit where it has another one:
#columns: {setup: ST, point: PT, direction: HZ, zenith: V, distance: {column: SD, unit: m}}
#delimiter: ","           # one character, tab or whitespace
#skip_rows: 0             # lines above the header
#decimal: "."
#encoding: utf-8
#header: true
#sheet: ""                # of a workbook
#row_kind: {column: TYPE, shots: [SHOT], sets: {SETUP: {setup: ST, instrument_height: HI}}}

# What a person decided about the raw data, each with its reason. For example
#   - {accept: F-7c1e, by: office, reason: "book says 1.400"}     apply the proposed cure
#   - {exclude: {setup: S2, point: CP4}, reason: "pole slipped"}
#   - {set: {setup: S3, instrument_height: 1.512}, reason: "field book"}
#   - {rename: {setup: S2, point: "101"}, to: CP1, reason: "field book"}
#   - {keep: F-19a0, reason: "seen, left as it is"}
decisions:

# Points and strings to work out of the adjusted marks, anew at every run. For example
#   - {point: D1, from: T5, bearing: 45-00-00, distance: 2.5, grade: -2}    grade in per cent
#   - {point: D2, intersect: [[T1, T2], [T3, T4]]}                          where two lines cross
#   - {point: D3, from: T7, elevation: 101.25, by: office, reason: "plan"}  a typed elevation
#   - {string: CURB-BACK, offset: CURB, distance: 0.15}                     to the right of CURB
derived:

# Falls to be held against limits in per cent, positive where it falls. For example
#   - {name: gutter, along: CURB, minimum: 0.5}                      every leg of a string
#   - {name: lid to gate, from: T5, to: T4, minimum: 1, maximum: 5}  points or strings
falls:
"""

CONTROL = """\
# One line for each known mark, in the job's length unit. An empty coordinate is unknown;
# a standard deviation of 0 holds it fixed, an empty one takes control_sd (default 0).
# CP1,5000.000,5000.000,100.000,0,0,0,brass cap at the gate
point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation,note
"""

RAW = f"""\
{TEMPLATE}
# One line for each shot, as it was read: circle, zenith angle and slope distance, not coordinates.
# station is the mark under the instrument, empty for a free station; an empty cell was not read.
# Columns may stand in any order and unused ones may go. An example in degrees-minutes-seconds:
# S1,CP1,1.523,CP2,0-00-00,89-58-12,48.312,1.500,1,1,backsight,,,2026-03-03T07:20:00,
# S1,CP1,1.523,112,41-07-35,91-20-08,22.907,1.500,1,1,side,TC,curb 1,2026-03-03T07:24:30,chipped
setup,station,instrument_height,point,direction,zenith,distance,target_height,face,round,role,code,\
string,time,note
"""

FILES = {"job.yaml": JOB, "control.csv": CONTROL, "raw/day1.csv": RAW}


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write a starter job into ``folder``; return the paths of its files.

    Raises
    ------
    OutputError
        One of the files is there already, or the folder cannot be written.
    """
    paths = tuple(folder / name for name in FILES)
    try:
        with staged(folder.resolve()) as stage:
            there = [f"{p}: is there already and stays as it is" for p in paths if lexists(p)]
            if there:
                raise OutputError(*there, "Name a new folder: tieup new DIR")
            (stage.new / "raw").mkdir()
            for name, text in FILES.items():
                (stage.new / name).write_text(text, encoding="utf-8", newline="\n")
            stage.exchange(FILES, ())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise OutputError(f"{folder}: cannot be written ({reason}). Name another folder") from error
    return paths
